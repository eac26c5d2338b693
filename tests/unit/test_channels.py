"""What a log has behind its pressure columns, read, looked at and written out again."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from fakes.board import ScriptedBoard
from fakes.handlog import ACCELEROMETER, hand_car, hand_log
from fakes.parts import FELT, SECOND_FAN
from fakes.program import undertray
from firmware.runs import FIRMWARE
from undertray import Car, read_run, reduce_run
from undertray.acquire.device import Device
from undertray.acquire.intake import Intake
from undertray.errors import LogDamaged
from undertray.report.timeline import timeline
from undertray.wiring.pins import pin_table, read_plan

N = 400
SECOND = np.where(np.arange(N) < 300, 1300.0 + np.arange(N) % 7, np.nan)
CHANNELS: dict[str, Any] = {
    "ax": -(np.arange(N) % 90) * 1.0,
    "ay": np.zeros(N),
    "az": np.full(N, 250.0),
    "throttle2_us": SECOND,
    "pack2_mv": np.full(N, 7700.0),
}


def log(folder: Path, **given: Any) -> Path:
    return hand_log(folder / "run.csv", np.full((N, 4), 700.0), 1500.0, **given)


def test_a_log_with_channels_is_read_beside_its_pressures(tmp_path: Path) -> None:
    run = read_run(log(tmp_path, channels=CHANNELS, accelerometer=ACCELEROMETER))
    assert (run.columns, run.channels) == (("p1", "p2", "p3", "p4"), tuple(CHANNELS))
    assert (run.counts.shape, run.bad_lines) == ((N, 4), 0)
    for name, values in CHANNELS.items():
        np.testing.assert_array_equal(run.channel(name), values)
    assert run.channel("p1") is None
    np.testing.assert_array_equal(run.drive_us, (1500.0 + SECOND) / 2)
    assert run.device is not None
    assert run.device.accelerometer is not None
    assert run.device.accelerometer.mg_per_count == 4


def test_a_log_without_them_has_none(tmp_path: Path) -> None:
    run = read_run(log(tmp_path))
    assert (run.channels, run.channel("throttle2_us")) == ((), None)
    assert run.drive_us is run.throttle_us


def test_a_second_throttle_that_never_came_counts_as_none(tmp_path: Path) -> None:
    """The board sweeps the first fan, and the receiver that would drive the second is off."""
    run = read_run(log(tmp_path, channels={"throttle2_us": np.full(N, np.nan)}))
    assert run.throttle2_us is None
    assert run.drive_us is run.throttle_us


def test_inspect_and_export_show_them(tmp_path: Path) -> None:
    path = log(tmp_path, channels=CHANNELS, accelerometer=ACCELEROMETER)
    told = undertray("inspect", str(path)).stdout
    assert re.search(r"throttle2_us +1300 to 1306 +100$", told, re.MULTILINE)
    assert re.search(r"ax +-89 to 0 +0$", told, re.MULTILINE)
    as_json = json.loads(undertray("inspect", str(path), "--json").stdout)
    assert [channel["name"] for channel in as_json["channels"]] == list(CHANNELS)
    undertray("export", str(path), "--out", str(tmp_path / "out.csv"))
    table = pd.read_csv(tmp_path / "out.csv")
    assert list(table.columns)[6:] == ["p1", "p2", "p3", "p4", *CHANNELS]
    np.testing.assert_array_equal(table["throttle2_us"], SECOND)
    plain = tmp_path / "plain"
    plain.mkdir()
    assert "channels" not in json.loads(undertray("inspect", str(log(plain)), "--json").stdout)


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"channels": "ax"}, "bad 'channels'"),
        ({"channels": ["ax"] * 2}, "two columns of one name"),
        ({"channels": ["p1"]}, "two columns of one name"),
        ({"channels": ["seq"]}, "bad 'name'"),
        ({"channels": [f"c{i}" for i in range(13)]}, "at most 12 names"),
        ({"accelerometer": 3}, "not a JSON object"),
        ({"accelerometer": {**ACCELEROMETER, "up": "-x"}}, "two of its axes"),
        ({"accelerometer": {**ACCELEROMETER, "up": 3}}, "two of its axes"),
        ({"accelerometer": {**ACCELEROMETER, "mg_per_count": 0}}, "bad 'mg_per_count'"),
    ],
)
def test_a_note_that_describes_them_wrongly_is_refused(
    tmp_path: Path, changes: dict[str, Any], why: str
) -> None:
    line = log(tmp_path).read_text(encoding="utf-8").splitlines()[2]
    note = json.loads(line[line.index("{") : line.rindex(",")])
    with pytest.raises(LogDamaged, match=why):
        Device.from_note({**note, "wire": 2, **changes})


def _two_fans(folder: Path, second_us: Any, suction_pa: Any) -> Any:
    path = hand_log(folder / "fans.csv", suction_pa, 1500.0, channels={"throttle2_us": second_us})
    return reduce_run(read_run(path), Car.from_toml(hand_car(folder / "car.toml")))


def test_a_second_fan_that_goes_alone_is_no_lost_seal(tmp_path: Path) -> None:
    """Both fans hold 900 Pa; the second is cut at 8 s, and what it gave is gone 0.3 s later."""
    t_s = np.arange(2400) / 200
    spun = np.clip(1 - (t_s - 8.02) / 0.25, 0, 1)  # speed of the second fan
    lift = np.clip(t_s / 0.5, 0, 1) ** 2
    suction = 900 * lift * (1 + spun**2) / 2
    suction = suction[:, None] * [1.03, 1.01, 0.98, 0.98]
    suction += np.random.default_rng(5).normal(0, 3, suction.shape)
    found = _two_fans(tmp_path, np.where(t_s < 8, 1500.0, 1000.0), suction)
    assert not [event for event in found.events if event.kind == "seal-loss"]
    assert "throttle-cut" in {event.kind for event in found.events}
    assert any(note.startswith("two fans") for note in found.notices)
    assert found.series.throttles_us is not None
    assert found.series.throttle_us[-1] == 1250  # the mean
    # the same fall with both throttles as they were is what it looks like: a lost seal
    lost = _two_fans(tmp_path, np.full(2400, 1500.0), suction)
    assert [event.kind for event in lost.events] == ["seal-loss"]


def test_the_timeline_shows_both_throttles(tmp_path: Path) -> None:
    suction = np.full((400, 4), 700.0) + np.random.default_rng(1).normal(0, 2, (400, 4))
    picture = timeline(_two_fans(tmp_path, np.full(400, 1300.0), suction))
    assert [name for name in picture.table if "us" in name.split()] == [
        "throttle, mean us",
        "fan 1 us",
        "fan 2 us",
    ]
    assert "fan 2" in picture.svg


def test_rows_that_come_before_the_board_says_what_they_are_wait_for_their_names() -> None:
    board = ScriptedBoard(9, wire=2, channels=list(CHANNELS), accelerometer=ACCELEROMETER)
    board.device["columns"] = board.device["columns"][:4]
    intake = Intake()
    row, note = board.line(), board.device_line()
    assert intake.take(row, 1000) == (b"", 0, [])
    text, rows, _ = intake.take(row + note, 90_000)
    head, first, second, told = text.splitlines()
    assert rows == 2
    assert head.endswith(b"p1,p2,p3,p4,ax,ay,az,throttle2_us,pack2_mv,crc")
    assert (first[:5], second[:6], told[:6]) == (b"1000,", b"90000,", b"#wire ")
    # a board that never says is written after half a second, and what waits at the end is written as well
    silent, cut = Intake(), Intake()
    assert silent.take(row, 1000)[1] == 0
    assert silent.take(row, 502_000)[1] == 2
    cut.take(row, 1000)
    text, rows = cut.end_link()
    assert (text.splitlines()[1][:5], rows) == (b"1000,", 1)
    assert (cut.rows, cut.bad) == (1, 0)


def test_the_pin_table_names_what_a_second_fan_and_an_accelerometer_need(tmp_path: Path) -> None:
    given = json.loads((FIRMWARE / "board.json").read_text(encoding="utf-8"))
    given |= SECOND_FAN | FELT
    (tmp_path / "board.json").write_text(json.dumps(given), encoding="utf-8")
    table = pin_table(read_plan(tmp_path / "board.json"))
    assert "second throttle signal of the receiver" in table
    assert "plus of the second pack" in table
    assert "accelerometer LIS3DH" in table
    assert re.search(r"SDA of .*accelerometer", table)

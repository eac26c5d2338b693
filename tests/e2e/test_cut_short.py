"""A run that was cut, by whatever: log, verdict, sessions and compare say so, each by itself."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from fakes.handlog import checked
from fakes.oddlog import CAR, OddLog, column, device
from fakes.program import undertray

# 2 kg upside down on 0.0416 m2 need 471 Pa: 1000 Pa hold in every row
HOLD = [8192 + round(1000 / 0.38)] * 2


def drive(skirt: str = "soft", boot: int = 7) -> OddLog:
    board = device([column("p1"), column("p2")], boot=boot)
    return OddLog(facts=json.dumps({"skirt": skirt})).note(board).rows(200, [8192] * 2, 1000).rows(2000, HOLD)


CUTS = {
    "no end": (None, b"", "the log was cut off"),
    "port": ('{"why": "port vanished"}', b"", "the recording broke off (port vanished)"),
    "silent": ('{"why": "silent"}', b"", "the recording broke off (silent)"),
    "disk": ('{"why": "disk failed"}', b"", "the recording broke off (disk failed)"),
    "stalled": ('{"why": "stopped", "unwritten_rows": 40}', b"", "the disk did not take 40 rows"),
    "board, end": (
        '{"why": "board memory full", "cut": true, "missing_rows": 6600}',
        b"",
        "the board cut it short (board memory full, 6600 rows are missing)",
    ),
    "board, note": (
        '{"why": "fetched"}',
        checked('#kept,{"rows":2200,"cut":true,"missing_rows":6600,"why":"board memory full"}').encode(),
        "the board cut it short (board memory full, 6600 rows are missing)",
    ),
}


@pytest.mark.parametrize(("end", "note", "why"), CUTS.values(), ids=CUTS)
def test_a_cut_run_is_marked_everywhere(tmp_path: Path, end: str | None, note: bytes, why: str) -> None:
    runs, car = tmp_path / "runs", tmp_path / "car.toml"
    runs.mkdir()
    car.write_text(CAR, encoding="utf-8")
    log = drive("soft")
    cut = (log.note(note) if note else log).write(runs / "cut.csv", end)
    whole = drive("hard", boot=8).write(runs / "whole.csv")

    summary, complete = (
        json.loads(undertray("reduce", log, "--car", car, "--json").stdout) for log in (cut, whole)
    )
    assert (summary["truncated"], summary["why"]) == (True, why)
    assert (complete["truncated"], complete["why"]) == (False, None)
    assert summary["verdict"]["word"] == "held, but not surely"
    assert f"{why}: how the run ended is unknown" in summary["verdict"]["headline"]

    assert json.loads(undertray("inspect", cut, "--json").stdout)["truncated"] == why
    assert why in undertray("inspect", cut).stdout

    told = json.loads(undertray("sessions", runs, "--car", car, "--json", "--no-cache").stdout)
    assert [one["truncated"] for one in told] == [why, None]
    lines = undertray("sessions", runs, "--car", car, "--no-cache").stdout.splitlines()
    assert [", cut " in line for line in lines[3:5]] == [True, False]

    compared = undertray("compare", cut, whole, "--car", car, "--by", "skirt", "--json")
    (said,) = [n for n in json.loads(compared.stdout)["notices"] if "cut short" in n]
    assert "cut" in said.split(": ")[1]
    assert "whole" not in said


def test_what_the_board_says_of_another_run_does_not_mark_this_one(tmp_path: Path) -> None:
    """A cable log in which somebody ended the board's own recording, which was cut: this log is whole."""
    reply = checked('#reply,{"to":"store","ok":true,"cut":true,"missing_rows":9,"why":"board memory full"}')
    (tmp_path / "car.toml").write_text(CAR, encoding="utf-8")
    log = drive().note(reply.encode()).rows(10, HOLD).write(tmp_path / "run.csv")
    done = undertray("reduce", log, "--car", tmp_path / "car.toml", "--json")
    assert json.loads(done.stdout)["truncated"] is False

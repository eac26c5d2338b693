"""What a row has behind its pressure columns: a second fan's throttle and pack, and an accelerometer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fakes.parts import FELT, SECOND_FAN
from firmware.runs import board, engines, notes, rows, run_code, simulate
from undertray import read_run
from undertray.acquire.wire import Bad, parse_line
from undertray.reduce.motion import car_g


@engines
def test_a_second_fan_is_a_throttle_and_a_pack_more_in_every_row(tmp_path: Path, engine: str) -> None:
    lines = simulate(
        tmp_path,
        engine,
        board(**SECOND_FAN),
        end_us=900_000,
        throttle2_us=1300,
        pack2_mv=7700,
        changes=[[400_000, {"throttle2_us": 1620}], [600_000, {"throttle2_us": None, "pack2_mv": 7000}]],
    )
    device = notes(lines, "device")[0]
    assert (device["wire"], device["channels"]) == (2, ["throttle2_us", "pack2_mv"])
    table = rows(lines)
    assert {row[2] for row in table} == {b"1500"}
    told = [(int(row[1]), row[8], int(row[9])) for row in table]
    # a pulse every 20 ms, and one that is lost is forgotten after 100
    assert {width for t_us, width, _ in told if 60_000 < t_us < 400_000} == {b"1300"}
    assert {width for t_us, width, _ in told if 430_000 < t_us < 600_000} == {b"1620"}
    assert {width for t_us, width, _ in told if t_us > 730_000} == {b""}
    # one code of 12 bits is 3300 / 4095 * 6.1 = 4.9 mV (derived); the chain rounds down twice
    assert all(abs(mv - 7700) < 10 for t_us, _, mv in told if t_us < 600_000)
    assert all(abs(mv - 7000) < 10 for t_us, _, mv in told if t_us > 601_000)


@engines
@pytest.mark.parametrize(
    ("axes", "counts"),
    [
        # felt: 0.4 g forward, 0.2 g to the right, 1 g up, at 4 mg a count (data sheet, range 8 g)
        ({}, (100, -50, 250)),  # x forward, z up: y points to the left
        ({"forward": "-y", "up": "+x"}, (250, -100, 50)),  # forward x up = z, to the right
        ({"range": "2g"}, (400, -200, 1000)),
        ({"range": "16g", "up": "-z"}, (33, 17, -83)),
    ],
)
def test_an_accelerometer_is_three_counts_more(
    tmp_path: Path, engine: str, axes: dict[str, Any], counts: tuple[int, ...]
) -> None:
    given = board(accelerometer={**FELT["accelerometer"], **axes})
    lines = simulate(tmp_path, engine, given, end_us=200_000, felt_g=[0.4, 0.2, 1.0])
    device = notes(lines, "device")[0]
    assert (device["wire"], device["channels"]) == (2, ["ax", "ay", "az"])
    assert device["accelerometer"]["mg_per_count"] == {"2g": 1, "16g": 12}.get(axes.get("range", ""), 4)
    table = rows(lines)
    assert len(table) > 20
    assert {tuple(map(int, row[8:11])) for row in table[1:]} == {counts}
    assert not [line for line in lines[:-1] if isinstance(parse_line(line), Bad)]


@engines
def test_the_host_reads_what_the_board_felt(tmp_path: Path, engine: str) -> None:
    """From g along the car's axes through part, firmware, wire and reader back to g, on axes turned."""
    felt_g = [0.3, -0.7, -1.1]
    given = board(**SECOND_FAN, accelerometer={**FELT["accelerometer"], "forward": "-z", "up": "+y"})
    lines = simulate(tmp_path, engine, given, end_us=300_000, felt_g=felt_g, throttle2_us=1240)
    (tmp_path / "capture.txt").write_bytes(b"\n".join(lines[:-1]) + b"\n")
    run = read_run(tmp_path / "capture.txt")
    assert (run.bad_lines, run.columns) == (0, ("p1", "p2", "p3", "p4"))
    assert run.device is not None
    assert run.device.accelerometer is not None
    counts = np.column_stack([run.channel(name) for name in ("ax", "ay", "az")])  # type: ignore[misc]
    # a count is 4 mg, so half of one is what rounding leaves
    np.testing.assert_allclose(car_g(run.device.accelerometer, counts[1:]).mean(axis=0), felt_g, atol=0.0021)
    assert set(run.drive_us[20:]) == {(1500 + 1240) / 2}


@engines
def test_an_accelerometer_that_is_gone_or_asleep_costs_the_columns_nothing(
    tmp_path: Path, engine: str
) -> None:
    faults = [
        {"at_us": 1_000_000, "column": 4, "fault": "absent"},
        {"at_us": 3_000_000, "column": 4, "fault": None},
        {
            "at_us": 6_000_000,
            "column": 4,
            "restart": True,
        },  # its supply dipped: it sleeps until it is told again
    ]
    lines = simulate(tmp_path, engine, board(**FELT), end_us=9_000_000, faults=faults)
    table = rows(lines)
    assert all(all(row[4:8]) for row in table)
    there = [(int(row[1]), row[10] != b"") for row in table]
    assert not any(felt for t_us, felt in there if 1_010_000 < t_us < 3_000_000)
    assert all(felt for t_us, felt in there if 4_300_000 < t_us < 6_000_000)
    assert all(felt for t_us, felt in there if t_us > 8_000_000)
    told = notes(lines, "fault")
    assert {note["column"] for note in told} == {"accelerometer"}
    assert {note["why"] for note in told} == {"nack", "part"}
    assert notes(lines, "status")[-1]["read_errors"][:4] == [0, 0, 0, 0]
    assert notes(lines, "status")[-1]["read_errors"][4] > 20


@engines
def test_a_kept_run_has_the_channels_too(tmp_path: Path, engine: str) -> None:
    script = [[200_000, "store on"], [4_500_000, "stop"], [4_600_000, "fetch 1"]]
    given = board(**SECOND_FAN, **FELT, store={"where": "memory"})
    lines = simulate(
        tmp_path,
        engine,
        given,
        end_us=9_000_000,
        throttle_us=1000,
        throttle2_us=1000,
        felt_g=[-0.3, 0.0, -1.0],
        script=script,
        changes=[
            [500_000, {"throttle2_us": 1700}],  # the second fan alone begins a run
            [1_200_000, {"felt_g": [0.5, 0.1, -1.2], "pack2_mv": 7000}],
            [1_500_000, {"throttle2_us": 1000}],
        ],
    )
    begin, end = (i for i, line in enumerate(lines) if line.startswith(b"#reply") and b'"to":"fetch"' in line)
    kept = lines[begin + 1 : end]
    assert not [line for line in kept if isinstance(parse_line(line), Bad)]
    stored = [line for line in kept if line[:1].isdigit()]
    assert len(stored) > 400
    assert set(stored) <= {line for line in lines[:begin] if line[:1].isdigit()}
    assert {line.split(b",")[8] for line in stored} >= {b"-75", b"125"}


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"accelerometer": {"part": "LIS2DH", "bus": 0}}, "'part' is LIS2DH, must be one of LIS3DH"),
        ({"accelerometer": {"part": "LIS3DH", "bus": 1}}, "accelerometer: bus 1 is not in 'buses'"),
        ({"accelerometer": {"part": "LIS3DH", "bus": 0, "address": "0x28"}}, "an address from"),
        ({"accelerometer": {"part": "LIS3DH", "bus": 0, "range": "3g"}}, "one of 2g, 4g, 8g, 16g"),
        ({"accelerometer": {"part": "LIS3DH", "bus": 0, "odr_hz": 401}}, "one of 100, 200, 400, 1344"),
        ({"accelerometer": {"part": "LIS3DH", "bus": 0, "odr_hz": True}}, "'odr_hz' is True"),
        ({"accelerometer": {"part": "LIS3DH", "bus": 0, "up": "-x"}}, "'forward' and 'up' are the same axis"),
        ({"throttle": None, "throttle2": {"pin": 17}}, "there is no 'throttle'"),
        ({"pack": None, "pack2": {"adc_pin": 27, "divider": 6.1}}, "there is no 'pack'"),
        ({"throttle2": {"pin": 16}}, "pin 16 is taken twice"),
        ({"throttle2": {"pin": 17, "direction": "output"}}, "unknown key 'direction'"),
        ({"pack2": {"adc_pin": 26, "divider": 6.1}}, "pin 26 is taken twice"),
        ({"columns": [{"part": "LIS3DH", "bus": 0, "address": "0x19"}]}, "unknown part 'LIS3DH'"),
        (
            {
                **SECOND_FAN,
                **FELT,
                "columns": [{**board()["columns"][0], "address": hex(0x28 + i)} for i in range(12)],
            },
            "a row has room for 16 numbers: 12 columns leave none for 5 more",
        ),
    ],
    ids=lambda item: item[:30] if isinstance(item, str) else "",
)
def test_slips_are_named(tmp_path: Path, changes: dict[str, Any], why: str) -> None:
    lines = simulate(tmp_path, "twin", board(**changes), end_us=100_000)
    assert why in notes(lines, "reply")[0]["why"]


@engines
def test_no_slot_comes_between_choosing_an_analogue_pin_and_reading_it(tmp_path: Path, engine: str) -> None:
    # the pins share one converter, and a slot may read the second pack: the first would get its voltage
    code = """
import machine
from undertray.rig import Pack
did = []
machine.disable_irq = lambda: did.append("shut") or 7
machine.enable_irq = lambda state: did.append("open" if state == 7 else "lost")
class Adc:
    def __init__(self, pin):
        pass
    def read_u16(self):
        did.append("read")
        return 32768
import undertray.rig as rig
rig.ADC = Adc
print(Pack({"adc_pin": 26, "divider": 6.1, "correction": 1}).millivolts(), did)
"""
    # derived: half of 3.3 V, in whole millivolts, times 6.1
    assert run_code(tmp_path, code, engine) == ["10065 ['shut', 'read', 'open']"]

"""A bad sensor, a hung bus, a lost multiplexer: told, counted, and never in the way of the others."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

from firmware.runs import board, engines, notes, rows, run_code, simulate

PERIOD_US = 5000


def _filled(lines: list[bytes], column: int, start_us: int, end_us: int) -> list[bool]:
    return [row[3 + column] != b"" for row in rows(lines) if start_us <= int(row[1]) < end_us]


@engines
def test_a_burst_without_answers_costs_only_its_own_readings(tmp_path: Path, engine: str) -> None:
    lines = simulate(tmp_path, engine, end_us=2_200_000, faults=[{"at_us": 300_000, "column": 1, "nacks": 5}])
    assert _filled(lines, 2, 0, 2_000_000).count(False) == 5
    for other in (1, 3, 4):
        assert all(_filled(lines, other, 0, 2_000_000))
    assert [(note["column"], note["why"]) for note in notes(lines, "fault")] == [("p2", "nack")]
    assert notes(lines, "status")[0]["read_errors"] == [0, 5, 0, 0]
    assert len({int(row[0]) for row in rows(lines)}) == len(rows(lines))


@engines
def test_a_dead_column_is_asked_once_a_second_until_it_answers(tmp_path: Path, engine: str) -> None:
    faults = [
        {"at_us": 200_000, "column": 2, "fault": "absent"},
        {"at_us": 4_500_000, "column": 2, "fault": None},
    ]
    lines = simulate(tmp_path, engine, end_us=6_200_000, faults=faults)
    told = [note for note in notes(lines, "fault") if note["column"] == "p3"]
    assert told[0]["why"] == "nack"
    assert told[-1]["detail"] == "asked once a second"
    times = [note["t_us"] for note in told]
    assert all(b - a >= 1_000_000 for a, b in pairwise(times))
    # 20 failures in a row, then one a second: at 1.3, 2.3, 3.3 and 4.3 s
    assert notes(lines, "status")[3]["read_errors"][2] == 20 + 3
    assert notes(lines, "status")[-1]["read_errors"][2] == 20 + 4
    assert not any(_filled(lines, 3, 200_000, 4_500_000))
    assert all(_filled(lines, 3, 5_400_000, 6_200_000))
    assert all(_filled(lines, 1, 0, 6_200_000))
    # its return brings the device note at the next second, not only after ten
    assert len(notes(lines, "device")) == 2


@engines
def test_a_held_bus_is_clocked_free(tmp_path: Path, engine: str) -> None:
    lines = simulate(tmp_path, engine, end_us=1_000_000, faults=[{"at_us": 500_000, "bus": 0, "hold": 7}])
    told = notes(lines, "fault")
    assert [(note["why"], note["detail"]) for note in told] == [("nack", "bus hung, clocked free")]
    missing = [c for c in (1, 2, 3, 4) if not all(_filled(lines, c, 0, 1_000_000))]
    assert len(missing) == 1
    assert _filled(lines, missing[0], 0, 1_000_000).count(False) == 1
    # one time-out of 2 ms fits into the slot: none is skipped
    assert all(int(row[3], 16) & 1 == 0 for row in rows(lines))


@engines
def test_a_bus_that_stays_held_leaves_the_other_bus_its_rate(tmp_path: Path, engine: str) -> None:
    given = board(
        buses=[
            {"bus": 0, "sda_pin": 4, "scl_pin": 5, "freq_khz": 400},
            {"bus": 1, "sda_pin": 6, "scl_pin": 7, "freq_khz": 400},
        ]
    )
    given["columns"][3]["bus"] = 1
    lines = simulate(
        tmp_path, engine, given, end_us=3_000_000, faults=[{"at_us": 500_000, "bus": 0, "hold": -1}]
    )
    assert all(_filled(lines, 4, 0, 3_000_000))
    for column in (1, 2, 3):
        assert not any(_filled(lines, column, 510_000, 3_000_000))
    at = [int(row[1]) for row in rows(lines)]
    # 3 columns time out once a second, 2 ms each: at most two slots of 5 ms are late, none of them much
    assert len(at) >= 588
    assert max(b - a for a, b in pairwise(at)) < 3 * PERIOD_US
    assert {note["detail"] for note in notes(lines, "fault")} >= {"bus hung"}


@engines
def test_a_bus_held_at_power_up_is_freed_before_the_first_read(tmp_path: Path, engine: str) -> None:
    lines = simulate(tmp_path, engine, end_us=300_000, faults=[{"at_us": 0, "bus": 0, "hold": 9}])
    assert all(_filled(lines, 1, 0, 300_000))


@engines
def test_check_part_and_saturation_faults_have_their_names(tmp_path: Path, engine: str) -> None:
    given = board()
    given["columns"][1] = {"part": "SDP3x", "range": "1500Pa", "bus": 0, "address": "0x21"}
    faults = [
        {"at_us": 300_000, "column": 1, "fault": "crc"},
        {"at_us": 300_000, "column": 2, "fault": "part"},
        {"at_us": 300_000, "column": 3, "count": 16383},
        {"at_us": 340_000, "column": 1, "fault": None},
        {"at_us": 340_000, "column": 2, "fault": None},
    ]
    lines = simulate(tmp_path, engine, given, end_us=900_000, faults=faults)
    assert {(note["column"], note["why"]) for note in notes(lines, "fault")} == {
        ("p2", "crc"),
        ("p3", "part"),
        ("p4", "saturated"),
    }
    assert not any(_filled(lines, 2, 310_000, 340_000) + _filled(lines, 3, 310_000, 340_000))
    assert all(row[7] == b"16383" for row in rows(lines) if int(row[1]) > 310_000)
    assert all(_filled(lines, 2, 350_000, 900_000))


@engines
def test_a_dip_of_the_supply_brings_a_commanded_part_back(tmp_path: Path, engine: str) -> None:
    given = board()
    given["columns"][1] = {"part": "SDP3x", "range": "1500Pa", "bus": 0, "address": "0x21"}
    lines = simulate(
        tmp_path, engine, given, end_us=3_000_000, faults=[{"at_us": 400_000, "column": 1, "restart": 1}]
    )
    assert not any(_filled(lines, 2, 410_000, 1_400_000))
    # asked a second after its 20th failure, started, and read 20 ms later
    assert all(_filled(lines, 2, 1_600_000, 3_000_000))


@engines
def test_stale_readings_are_marked_at_their_column(tmp_path: Path, engine: str) -> None:
    faults = [
        {"at_us": 300_000, "column": 0, "fault": "stale"},
        {"at_us": 300_000, "column": 2, "fault": "stale"},
    ]
    lines = simulate(tmp_path, engine, end_us=600_000, faults=faults)
    assert {row[3] for row in rows(lines) if int(row[1]) > 310_000} == {b"500"}
    # a part that converts once a millisecond repeats itself when read faster
    fast = simulate(tmp_path / "fast", engine, board(rate_hz=1250), end_us=400_000)
    assert len({row[3] for row in rows(fast)}) > 2


MUX = """
from machine import Pin
from stage import STAGE
from undertray.bus import Mux, MuxChannel

class Wire:
    '''A bus with two multiplexers and one part behind every channel, all of one address.'''
    def __init__(self):
        self.on = {0x70: 0, 0x71: 0}
        self.log = []
        self.dead = False
    def writeto(self, address, data):
        self.log.append((address, data[0]))
        if self.dead:
            raise OSError(110, "ETIMEDOUT")
        self.on[address] = data[0]
    def readfrom_into(self, address, buf):
        if address in self.on:
            buf[0] = self.on[address]
            return
        answering = [(mux, n) for mux in (0x70, 0x71) for n in range(8) if self.on[mux] >> n & 1]
        if len(answering) != 1:
            raise OSError(5, "EIO")
        buf[0] = answering[0][0] - 0x70
        buf[1] = answering[0][1]

class Bus:
    def __init__(self):
        self.i2c = Wire()
        self.muxes = []

bus = Bus()
first, second = Mux(bus, 0x70, 9), Mux(bus, 0x71)
buf = bytearray(2)
"""


@engines
def test_only_one_channel_of_all_multiplexers_is_ever_on(tmp_path: Path, engine: str) -> None:
    code = (
        MUX
        + """
places = [MuxChannel(mux, n) for mux in (first, second) for n in (0, 3, 7)]
print([place.verify() for place in places])
for place in places + places[::-1]:
    place.readfrom_into(0x28, buf)
    print(buf[0], buf[1], end=" ")
print()
before = len(bus.i2c.log)
places[0].readfrom_into(0x28, buf); places[0].readfrom_into(0x28, buf)
print(len(bus.i2c.log) - before)
"""
    )
    out = run_code(tmp_path, code, engine)
    assert out[0] == str([None] * 6)
    assert out[1].split() == list("000307101317171310070300")
    assert out[2] == "0"  # a channel that is on already is not switched again


@engines
def test_a_multiplexer_is_reset_by_its_pin_and_selected_anew(tmp_path: Path, engine: str) -> None:
    code = (
        MUX
        + """
place = MuxChannel(first, 2)
place.readfrom_into(0x28, buf)
bus.i2c.dead = True
other = MuxChannel(first, 4)
try:
    other.readfrom_into(0x28, buf)
except OSError as error:
    print(error.errno, first.selected)
first.reset()
bus.i2c.dead = False
bus.i2c.log.clear()
place.readfrom_into(0x28, buf)
print([(pin, level) for _, pin, level in STAGE.trace], bus.i2c.log, buf[1])
"""
    )
    assert run_code(tmp_path, code, engine) == ["110 -2", "[(9, 1), (9, 0), (9, 1)] [(112, 4)] 2"]

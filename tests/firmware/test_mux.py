"""Identical parts behind TCA9548A multiplexers and on two buses, on the whole firmware."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fakes.parts import board_of
from firmware.runs import engines, needs_micropython, notes, run_code, simulate
from firmware.test_sensors_wire import decoded, lsb_pa

pytestmark = needs_micropython

HSC = {"part": "HSC", "range": "040MD", "address": "0x28"}


def _behind(places: list[tuple[int, str, int]], part: dict[str, Any] = HSC) -> list[dict[str, Any]]:
    return [{**part, "bus": bus, "mux": [mux, channel]} for bus, mux, channel in places]


def _muxes(*places: tuple[int, str, int | None]) -> list[dict[str, Any]]:
    return [{"bus": bus, "address": address, "reset_pin": pin} for bus, address, pin in places]


def _check(lines: list[bytes], suction: list[float], since: int = 20) -> None:
    _, rows, nominal = decoded(lines)
    assert len(rows) > since + 50
    told = notes(lines, "device")[0]["columns"]
    for i, pa in enumerate(suction):
        assert np.abs(nominal.suction_pa[since:, i] - pa).max() <= lsb_pa(told[i]), i


@pytest.mark.parametrize(
    "part",
    [
        HSC,
        {"part": "ABP2", "range": "010ND", "address": "0x28"},
        {"part": "MS5525DSO", "range": "001DS", "address": "0x76"},
        {"part": "DLHR", "range": "L10D", "address": "0x29"},
        {"part": "SDP3x", "range": "1500Pa", "address": "0x21"},
    ],
    ids=lambda part: str(part["part"]),
)
def test_eight_identical_parts_behind_one(tmp_path: Path, part: dict[str, Any]) -> None:
    suction = [100.0 * (n + 1) for n in range(8)]
    board = board_of(
        _behind([(0, "0x70", n) for n in range(8)], part), muxes=_muxes((0, "0x70", 9)), rate_hz=100
    )
    lines = simulate(tmp_path, board=board, suction_pa=suction, end_us=2_600_000)
    _check(lines, suction)
    assert notes(lines, "fault") == []
    assert notes(lines, "device")[0]["columns"][3]["mux"] == [0x70, 3]


def test_two_multiplexers_of_one_bus_and_one_of_the_other(tmp_path: Path) -> None:
    places = [(0, "0x70", 0), (0, "0x71", 0), (1, "0x70", 5), (0, "0x70", 7), (0, "0x71", 3)]
    suction = [100.0, 900.0, 1500.0, 2500.0, 50.0]
    board = board_of(_behind(places), muxes=_muxes((0, "0x70", None), (0, "0x71", None), (1, "0x70", None)))
    lines = simulate(tmp_path, board=board, suction_pa=suction, end_us=1_000_000)
    _check(lines, suction)


def test_the_same_part_on_two_buses(tmp_path: Path) -> None:
    board = board_of([{**HSC, "bus": 0}, {**HSC, "bus": 1}])
    lines = simulate(tmp_path, board=board, suction_pa=[123.0, 2345.0], end_us=700_000)
    _check(lines, [123.0, 2345.0])


def test_a_restart_of_the_board_alone_finds_the_switch_as_it_was(tmp_path: Path) -> None:
    """Both switches were left on by the program before; two parts of one address then answer together."""
    code = """
from bus import VirtualBus
from parts import PARTS
from simclock import CLOCK
from stage import STAGE
CLOCK.simulate()
from undertray.bus import Bus, Mux, MuxChannel
wire = STAGE.bus(0)
STAGE.lines[4] = (wire, "sda"); STAGE.lines[5] = (wire, "scl")
values = {}
for address in (0x70, 0x71):
    switch = PARTS["TCA9548A"](CLOCK, None, {})
    part = PARTS["HSC"](CLOCK, lambda: 0.0, {"range": "040MD"})
    part.fixed_count = 0x1F55 if address == 0x70 else 0x00AA
    switch.attach(2, 0x28, part)
    switch.control = 4
    wire.attach(address, switch)
CLOCK.spend(10000)
bus = Bus(0, 4, 5, 400)
buf = bytearray(2)
bus.i2c.readfrom_into(0x28, buf)
print(hex((buf[0] & 63) << 8 | buf[1]))
first, second = MuxChannel(Mux(bus, 0x70), 2), MuxChannel(Mux(bus, 0x71), 2)
for place in (first, second, first):
    place.readfrom_into(0x28, buf)
    print(hex((buf[0] & 63) << 8 | buf[1]))
"""
    assert run_code(tmp_path, code) == ["0x0", "0x1f55", "0xaa", "0x1f55"]


def test_a_part_that_holds_its_channel_is_cut_off_by_the_reset_pin(tmp_path: Path) -> None:
    suction = [100.0, 900.0, 1500.0, 2500.0]
    columns = [*_behind([(0, "0x70", n) for n in range(3)]), {**HSC, "bus": 0, "address": "0x38"}]
    board = board_of(columns, muxes=_muxes((0, "0x70", 9)))
    lines = simulate(
        tmp_path,
        board=board,
        suction_pa=suction,
        end_us=3_000_000,
        faults=[{"at_us": 500_000, "column": 1, "holds_sda": True}],
    )
    _, rows, nominal = decoded(lines)
    t_us = np.array([row.t_us for row in rows])
    held = t_us > 510_000
    assert np.isnan(nominal.suction_pa[held, 1]).all()
    for i in (0, 2, 3):
        assert not np.isnan(nominal.suction_pa[held, i]).any(), i
        assert np.abs(nominal.suction_pa[held, i] - suction[i]).max() <= 0.62
    faults = notes(lines, "fault")
    assert {fault["column"] for fault in faults} == {"p2"}
    assert faults[0]["detail"] == "bus hung, clocked free, multiplexers reset"


def test_without_a_reset_pin_the_other_bus_goes_on(tmp_path: Path) -> None:
    board = board_of(
        [*_behind([(0, "0x70", 0), (0, "0x70", 1)]), {**HSC, "bus": 1}], muxes=_muxes((0, "0x70", None))
    )
    lines = simulate(
        tmp_path,
        board=board,
        suction_pa=[100.0, 200.0, 300.0],
        end_us=2_000_000,
        faults=[{"at_us": 500_000, "column": 0, "holds_sda": True}],
    )
    _, rows, nominal = decoded(lines)
    held = np.array([row.t_us for row in rows]) > 520_000
    assert np.isnan(nominal.suction_pa[held, :2]).all()
    assert np.abs(nominal.suction_pa[held, 2] - 300).max() <= 0.62


@engines
@pytest.mark.parametrize("channels", [1, 2])
def test_a_switch_that_lost_its_supply_is_set_again(tmp_path: Path, engine: str, channels: int) -> None:
    """With one column behind it nothing but a failed reading tells that the channel went off."""
    board = board_of(_behind([(0, "0x70", n) for n in range(channels)]), muxes=_muxes((0, "0x70", None)))
    lines = simulate(
        tmp_path,
        engine,
        board=board,
        suction_pa=[700.0] * channels,
        end_us=1_200_000,
        faults=[{"at_us": 600_000, "mux": 0, "restart": True}],
    )
    _, rows, nominal = decoded(lines)
    t_us = np.array([row.t_us for row in rows])
    missing = np.isnan(nominal.suction_pa[20:, 0])
    assert missing.sum() <= 1
    assert not np.isnan(nominal.suction_pa[t_us > 620_000]).any()


def test_a_dead_switch_leaves_the_other_one_alone(tmp_path: Path) -> None:
    board = board_of(
        _behind([(0, "0x70", 0), (0, "0x71", 0)]), muxes=_muxes((0, "0x70", None), (0, "0x71", None))
    )
    lines = simulate(
        tmp_path,
        board=board,
        suction_pa=[700.0, 800.0],
        end_us=2_500_000,
        faults=[
            {"at_us": 600_000, "mux": 0, "fault": "absent"},
            {"at_us": 1_300_000, "mux": 0, "fault": None},
        ],
    )
    _, rows, nominal = decoded(lines)
    t_us = np.array([row.t_us for row in rows])
    assert np.abs(nominal.suction_pa[20:, 1] - 800).max() <= 0.62
    assert np.isnan(nominal.suction_pa[(t_us > 610_000) & (t_us < 1_290_000), 0]).all()
    assert not np.isnan(nominal.suction_pa[t_us > 2_400_000, 0]).any()


def test_a_switch_that_does_not_switch_is_found_at_the_start(tmp_path: Path) -> None:
    """Its channels would all show the same part."""
    board = board_of(_behind([(0, "0x70", 0), (0, "0x70", 1)]), muxes=_muxes((0, "0x70", None)))
    lines = simulate(
        tmp_path,
        board=board,
        suction_pa=[700.0, 800.0],
        end_us=900_000,
        faults=[{"at_us": 0, "mux": 0, "fault": "stuck"}],
        script=[[300_000, "selftest"]],
    )
    reply = next(note for note in notes(lines, "reply") if note["to"] == "selftest")
    assert reply["good"] is False
    assert reply["columns"][0]["fault"] == "multiplexer 0x70 did not switch to channel 0"


def test_reading_through_a_switch_allocates_nothing(tmp_path: Path) -> None:
    code = """
import micropython
from array import array
from undertray.bus import Mux, MuxChannel
from undertray.sensors import open_sensor
class Wire:
    def __init__(self): self.writes = 0
    def readfrom_into(self, address, buf):
        i = len(buf)
        while i:
            i -= 1
            buf[i] = 0x20
    def writeto(self, address, buf): self.writes += 1
class Bus: pass
bus = Bus(); bus.i2c = Wire(); bus.muxes = []
muxes = [Mux(bus, 0x70), Mux(bus, 0x71)]
parts = []
for mux in muxes:
    for channel in (0, 5):
        parts.append(open_sensor(MuxChannel(mux, channel), 0x28, {"part": "HSC", "range": "040MD"}))
readers = [part.read_into for part in parts]
counts = array("i", [0] * 4)
def go(n):
    micropython.heap_lock()
    try:
        while n:
            n -= 1
            i = 0
            while i < 4:
                readers[i](counts, i)
                i += 1
    except MemoryError:
        return "allocated"
    finally:
        micropython.heap_unlock()
    return list(counts)
print(go(1), bus.i2c.writes)
before = bus.i2c.writes
print(go(100), bus.i2c.writes - before)
"""
    # a slot of four: each column switched on, and the other switch off twice
    out = run_code(tmp_path, code)
    assert out[0].startswith("[8224, 8224, 8224, 8224]")
    assert out[1] == "[8224, 8224, 8224, 8224] 600"


def sixteen() -> dict[str, Any]:
    """As many columns as a board may have, and more than its description in the stream can hold."""
    places = [(bus, "0x70", channel) for bus in (0, 1) for channel in range(8)]
    return board_of(_behind(places), muxes=_muxes((0, "0x70", None), (1, "0x70", None)), rate_hz=50)


@engines
def test_more_columns_than_the_stream_can_describe_are_told(tmp_path: Path, engine: str) -> None:
    lines = simulate(tmp_path, engine, sixteen(), end_us=500_000, script=[[300_000, "info"]])
    for reply in notes(lines, "reply"):
        assert reply["ok"] is False
        assert "too many columns: device note of" in reply["why"]
    assert len(notes(lines, "reply")) == 2

"""board.json as the board itself reads it: every slip named, and a console left that says so."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from fakes.cells import thinned
from firmware.runs import board, engines, notes, rows, run_code, simulate
from undertray.virtual import server


def _column(**changes: Any) -> dict[str, Any]:
    given = board()
    given["columns"][1].update(changes)
    return given


def _section(name: str, **changes: Any) -> dict[str, Any]:
    given = board()
    given[name].update(changes)
    return given


def _mux(muxes: list[dict[str, Any]], **changes: Any) -> dict[str, Any]:
    given = _column(**changes)
    given["muxes"] = [{"bus": 0, "address": "0x70", **mux} for mux in muxes]
    return given


def _bus(**changes: Any) -> dict[str, Any]:
    given = board()
    given["buses"][0].update(changes)
    return given


def _without(key: str) -> dict[str, Any]:
    given = board()
    del given[key]
    return given


CASES = [
    ("{", "is no JSON"),
    ("[]", "must be a {...} of keys and values"),
    ("[" * 3000, "is no JSON"),
    (" " * 9000, "longer than 8192"),
    (_without("columns"), "'columns' is missing"),
    (board(columns=[]), "a list of 1 to 16"),
    (board(format=2), "'format' is 2, must be a whole number from 1 to 1"),
    (board(rate_hz=0), "'rate_hz' is 0"),
    (board(rate_hz=True), "'rate_hz' is True"),
    (board(rate_hz="fast"), "'rate_hz' is the text 'fast', must be a whole number"),
    (board(name="x" * 61), "at most 60 plain characters"),
    (board(name="caf\u00e9"), "plain characters"),
    (board(speed=3), "unknown key 'speed', known: accelerometer"),
    (board(buses=[{"bus": 0, "sda_pin": 4}]), "buses[0]: 'scl_pin' is missing"),
    (board(buses=[{"bus": 0, "sda_pin": 6, "scl_pin": 7}]), "sda_pin 6 is no pin of bus 0"),
    (_column(address="0x99"), "columns[1]: 'address' is 0x99"),
    (_column(address="zz"), "columns[1]: 'address' is zz"),
    (_column(address=None), "columns[1]: needs 'bus' and 'address'"),
    (_column(address="0x28"), "columns[1]: same place on the bus as columns[0]"),
    (_column(bus=1), "columns[1]: bus 1 is not in 'buses'"),
    (_column(port="left"), "columns[1]: 'port' is left, must be 'low' or 'high'"),
    (_column(part="HXX"), "unknown part 'HXX'"),
    (_column(range="040MA"), "the last letter must be D or G"),
    (_column(trasnfer="A"), "key 'trasnfer' is unknown for HSC"),
    (_column(mux=["0x70", 3]), "its multiplexer is not in 'muxes'"),
    (_column(mux=["0x70", 9]), "channel 0 to 7"),
    (_column(mux=[[], {}]), "channel 0 to 7"),
    (_mux([{}], address="0x70"), "columns[1]: same place on the bus as muxes[0]"),
    (_mux([{}], address="0x28", mux=["0x70", 0]), "columns[1]: its address 0x28 is also that of columns[0]"),
    (_mux([{}], address="0x70", mux=["0x70", 0]), "columns[1]: its address 0x70 is also that of muxes[0]"),
    (_mux([{}, {}]), "muxes[1]: same address as muxes[0]"),
    (_mux([{"bus": 1}]), "muxes[0]: bus 1 is not in 'buses'"),
    (_mux([{"reset_pin": 5}]), "pin 5 is taken twice: buses[0] scl_pin and muxes[0] reset_pin"),
    (_bus(sda_pin=5, scl_pin=4), "buses[0]: sda_pin 5 is no pin of bus 0: 0, 4, 8, 12, 16, 20, 24, 28"),
    (_bus(bus=1), "buses[0]: scl_pin 5 is no pin of bus 1: 3, 7, 11, 15, 19, 23, 27"),
    (board(buses=board()["buses"] * 2), "buses[1]: bus 0 is listed twice"),
    (_section("throttle", pin=77), "throttle: 'pin' is 77"),
    (_section("throttle", direction="both"), "'input' or 'output'"),
    (_section("throttle", shortest_us=2200), "throttle: shortest_us 2200 is not below longest_us 2200"),
    (_section("throttle", direction="output", idle_us=1700), "throttle: idle_us 1700 is not below"),
    (
        _section("throttle", direction="output", frame_hz=490, throttle_max_us=2041),
        "throttle: throttle_max_us 2041 does not fit into the 2040 us of a frame at frame_hz 490",
    ),
    (_section("alarm", alarm_pa=-1), "alarm: 'alarm_pa' is -1"),
    (_section("alarm", led_pin=16), "pin 16 is taken twice: alarm led_pin and throttle pin"),
    (_section("pack", divider="6"), "pack: 'divider' is the text '6', must be a number"),
    (_section("pack", correction=2), "pack: 'correction' is 2, must be a number from 0.8 to 1.25"),
    (_section("pack", adc_pin=4), "pack: 'adc_pin' is 4"),
    (board(pack=3), "pack must be a {...}"),
    (board(columns=[3]), "columns[0] must be a {...}"),
]


@engines
@pytest.mark.parametrize(("given", "words"), thinned(4, CASES), ids=[words for _, words in CASES])
def test_a_bad_description_leaves_a_console_that_says_why(
    tmp_path: Path, engine: str, given: Any, words: str
) -> None:
    script = [[100_000, "info"], [200_000, "start"]]
    lines = simulate(tmp_path, engine, given, end_us=12_000_000, script=script)
    replies = notes(lines, "reply")
    assert rows(lines) == []
    assert [reply["to"] for reply in replies] == ["board", "info", "start", "board"]
    assert not any(reply["ok"] for reply in replies)
    assert words in replies[0]["why"]
    assert words in replies[1]["why"] or len(replies[0]["why"]) > 290


@engines
def test_a_missing_description_is_told(tmp_path: Path, engine: str) -> None:
    lines = simulate(tmp_path, engine, "", end_us=1_000_000, remove_board=True)
    assert "board.json is missing" in notes(lines, "reply")[0]["why"]


@engines
def test_several_slips_are_told_at_once(tmp_path: Path, engine: str) -> None:
    given = _column(address="0x99", port="left", part=7)
    why = notes(simulate(tmp_path, engine, given, end_us=300_000), "reply")[0]["why"]
    assert [word in why for word in ("'address'", "'port'", "'part'")] == [True] * 3


@engines
def test_each_wrong_column_is_named_by_its_own_place(tmp_path: Path, engine: str) -> None:
    given = _column(part="HXX")
    given["columns"][0]["range"] = "040MA"
    given["columns"][3]["range"] = "040MA"
    why = notes(simulate(tmp_path, engine, given, end_us=300_000), "reply")[0]["why"]
    assert re.findall(r"columns\[\d\]", why) == ["columns[0]", "columns[1]", "columns[3]"]


@engines
def test_everything_optional_can_be_left_out(tmp_path: Path, engine: str) -> None:
    column = {"part": "HSC", "range": "040MD", "bus": 0, "address": 40}
    bus = {"bus": 0, "sda_pin": 4, "scl_pin": 5}
    given = {"format": 1, "name": "least", "buses": [bus], "columns": [column]}
    lines = simulate(tmp_path, engine, given, end_us=1_300_000)
    assert len(rows(lines)) > 240
    assert notes(lines, "status")[0]["pack_mv"] is None


@engines
def test_the_packs_reading_is_corrected_beside_its_divider(tmp_path: Path, engine: str) -> None:
    given = _section("pack", divider=6.1, correction=1.077)
    lines = simulate(tmp_path, engine, given, pack_mv=11100, end_us=1_300_000)
    # derived: a pin that gets 11.1 V / (6.1 * 1.077), within one of 4096 steps of 3.3 V
    assert notes(lines, "status")[0]["pack_mv"] == pytest.approx(11100, abs=1.5 * 3300 / 4095 * 6.1 * 1.077)


@engines
def test_text_of_the_description_cannot_break_a_note(tmp_path: Path, engine: str) -> None:
    name = 'a "quoted" \\ name, #with {all}, sorts'
    lines = simulate(tmp_path, engine, board(name=name), end_us=200_000)
    assert notes(lines, "device")[0]["board"] == name
    assert json.loads(lines[0][len(b"#device,") : -5])["board"] == name


@engines
def test_the_mark_that_some_editors_put_in_front_is_no_error(tmp_path: Path, engine: str) -> None:
    lines = simulate(tmp_path, engine, "\ufeff" + json.dumps(board()), end_us=200_000)
    assert notes(lines, "device")


@pytest.mark.skipif(server.micropython() is None, reason="no MicroPython here")
def test_what_the_memory_does_not_hold_is_no_json(tmp_path: Path) -> None:
    (tmp_path / "deep.json").write_text("[" * 8000)
    code = """
import gc
from undertray.boardfile import read_board
gc.collect()
rest = bytearray(gc.mem_free() - 90000)  # what a small board has left
print(read_board("deep.json"))
"""
    (said,) = run_code(tmp_path, code)
    assert "is no JSON" in said


@engines
def test_faults_that_are_full_of_quotes_still_fit_into_a_note(tmp_path: Path, engine: str) -> None:
    # each quote takes two characters of a note, and a note has room for 2048
    given = board(columns=[{**board()["columns"][0], "range": '"' * 70} for _ in range(16)])
    lines = simulate(tmp_path, engine, given, end_us=300_000)
    why = notes(lines, "reply")[0]["why"]
    assert why.startswith("board.json: columns[0]: 'range' is ")
    assert why.count('"') > 300

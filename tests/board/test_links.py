"""Links besides the cable, on real MicroPython in emulated time."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from board.emulated import EmulatedBoard, Line, needs_board
from firmware.runs import board, notes, rows
from undertray.acquire.wire import Bad, parse_line

pytestmark = needs_board

LED = 25


def linked(baud: int, **changes: Any) -> dict[str, Any]:
    """Four HSC at 200 Hz, and a UART."""
    link = {"kind": "uart", "uart": 0, "tx_pin": 0, "rx_pin": 1, "baud": baud, **changes}
    return board(rate_hz=200, links=[link])


def heard(lines: list[Line]) -> list[bytes]:
    """Whole lines in the form that ``rows`` and ``notes`` take."""
    return [*[line.text for line in lines], b""]


@pytest.mark.slow
@pytest.mark.parametrize("baud", [230_400, 921_600])
def test_every_row_goes_over_usb_and_the_uart(tmp_path: Path, baud: int) -> None:
    with EmulatedBoard(tmp_path, linked(baud)) as emulated:
        emulated.throttle(1500)
        emulated.boot()
        emulated.run(2.0)
        far, near = heard(emulated.uart_lines[0]), heard(emulated.lines)
    assert not [line for line in far[:-1] if isinstance(parse_line(line), Bad)]
    table = rows(far)
    assert len(table) >= 2 * 200
    assert all((int(b[0]) - int(a[0])) % 65536 == 1 for a, b in pairwise(table))
    # the same rows on both; at the end a few may still be under way
    assert table[:400] == rows(near)[:400]
    assert len(notes(far, "device")) == 1
    assert [note["dropped"] for note in notes(far, "status")] == [0, 0]


@pytest.mark.slow
def test_a_uart_too_slow_drops_rows_and_says_so_and_usb_loses_none(tmp_path: Path) -> None:
    with EmulatedBoard(tmp_path, {**linked(115_200), "rate_hz": 600}) as emulated:
        emulated.throttle(1500)
        emulated.boot()
        emulated.run(1.8)
        far, near = heard(emulated.uart_lines[0]), heard(emulated.lines)
    assert not [line for line in far[:-1] if isinstance(parse_line(line), Bad)]
    # 10 bits a byte, so 20,736 bytes in 1.8 s, and in the tenth of a second of ``boot`` 1152 more
    carried = sum(len(line) + 1 for line in far)
    assert 0.9 * 20_736 <= carried <= 20_736 + 1152
    table = rows(near)
    assert all((int(b[0]) - int(a[0])) % 65536 == 1 for a, b in pairwise(table))
    assert notes(near, "status")[-1]["dropped"] == 0
    assert notes(far, "status")[-1]["dropped"] > 0
    assert {tuple(row) for row in rows(far)} <= {tuple(row) for row in table}


@pytest.mark.slow
def test_over_a_uart_nothing_moves_erases_or_changes_unless_it_is_allowed(tmp_path: Path) -> None:
    with EmulatedBoard(tmp_path, linked(230_400, allow=["rate"])) as emulated:
        emulated.boot()
        said = ("rate 100", "erase 1", "store on", "caution", "arm 1", "sweep 1", "beat 1", "runs", "info")
        for command in said:
            emulated.uart(0, command + "\n")
            emulated.run(0.06)
        emulated.run(0.6)  # a rate takes 0.1 s of the loop, and what comes after it waits
        far, near = heard(emulated.uart_lines[0]), heard(emulated.lines)
    replies = [(note["to"], note["ok"]) for note in notes(far, "reply")]
    guarded = [(word, False) for word in ("erase", "store", "caution", "arm", "sweep", "beat")]
    assert replies == [("rate", True), *guarded, ("runs", True), ("info", True)]
    assert notes(near, "reply") == []
    assert all("'allow'" in note["why"] for note in notes(far, "reply") if note["to"] in ("erase", "store"))


@pytest.mark.slow
def test_with_the_cable_pulled_every_row_goes_on_over_the_uart(tmp_path: Path) -> None:
    with EmulatedBoard(tmp_path, linked(230_400)) as emulated:
        emulated.throttle(1500)
        emulated.boot()
        emulated.pull()
        emulated.run(1.6)  # what USB would carry fills its memory in half a second
        far = heard(emulated.uart_lines[0])
    assert not [line for line in far[:-1] if isinstance(parse_line(line), Bad)]
    table = rows(far)
    assert len(table) >= 300
    assert all((int(b[0]) - int(a[0])) % 65536 == 1 for a, b in pairwise(table))
    assert [note["dropped"] for note in notes(far, "status")] == [0]


def alarm_s(emulated: EmulatedBoard) -> float:
    """Drop the suction now; gives the emulated time until the LED lights."""
    begun_s = emulated.now_s
    before = len(emulated.events)
    emulated.counts([8192] * 4)
    emulated.run(0.1)
    lit = [event["t"] for event in emulated.events[before:] if event.get("pin") == LED and event["level"]]
    return float(lit[0]) - begun_s if lit else float("inf")


HELD = [13000] * 4  # (13000 - 8192) / 13107 * 8000 Pa: 2.9 kPa; the middle, 8192, is none


@pytest.mark.slow
@pytest.mark.parametrize("state", ["read", "unread", "pulled", "overload"])
def test_the_alarm_comes_within_two_slots_in_every_state_of_the_link(tmp_path: Path, state: str) -> None:
    rate_hz = 1500 if state == "overload" else 200
    given = board(rate_hz=rate_hz)
    given["alarm"]["spin_up_ms"] = 200
    with EmulatedBoard(tmp_path, given, watch=[LED]) as emulated:
        emulated.counts(HELD)
        emulated.throttle(1500)
        emulated.boot()
        if state == "unread":
            emulated.unread(60)
        if state == "pulled":
            emulated.pull()
        emulated.run(0.7)
        assert alarm_s(emulated) <= 2 / rate_hz


@pytest.mark.slow
def test_below_50_hz_a_host_that_stops_reading_stalls_nothing(tmp_path: Path) -> None:
    with EmulatedBoard(tmp_path, board(rate_hz=20)) as emulated:
        emulated.throttle(1500)
        emulated.boot()
        emulated.unread(1.0)
        emulated.run(1.5)
        table = rows(heard(emulated.lines))
    assert len(table) > 25
    gaps = [(int(b[1]) - int(a[1])) % (1 << 30) for a, b in pairwise(table)]
    assert all(abs(gap - 50_000) <= 600 for gap in gaps)


@pytest.mark.slow
def test_in_overload_the_notes_still_leave_and_tell_what_was_dropped(tmp_path: Path) -> None:
    column = {"part": "HSC", "range": "040MD", "transfer": "A", "bus": 0, "port": "low"}
    eight = [{**column, "address": hex(0x28 + i)} for i in range(8)]
    with EmulatedBoard(tmp_path, board(rate_hz=600, columns=eight)) as emulated:
        emulated.throttle(1500)
        emulated.boot()
        emulated.unread(0.8)
        emulated.run(1.6)
        before = len(emulated.lines)
        emulated.send("info\n")
        emulated.run(0.3)
        after = heard(emulated.lines[before:])
        whole = heard(emulated.lines)
    assert not [line for line in whole[:-1] if isinstance(parse_line(line), Bad)]
    status = notes(whole, "status")
    assert status[-1]["dropped"] > 0
    assert len(notes(after, "device")) == 1
    assert [note["ok"] for note in notes(after, "reply")] == [True]

"""Readings in Pa from a board over a link."""

from __future__ import annotations

import itertools

import pytest

from fakes.board import ScriptedBoard
from fakes.link import Clock, ScriptedLink, vanished
from undertray.acquire.wire import encode_note
from undertray.calibrate.boardreadings import BoardReadings
from undertray.calibrate.settling import SteadyLimits, measure
from undertray.errors import LinkError, RunLogError

MS = {
    "kind": "ms5525dso",
    "c": [36402, 39473, 40393, 29523, 29854, 21917],
    "q": [15, 17, 7, 5, 7, 21],
    "range_pa": 6895.0,
}


def source(script):
    clock = Clock()
    link = ScriptedLink(clock, script)
    return BoardReadings(link, lambda: clock.us / 1e6), link


def streaming(board, start_s, pieces=50, rows=4):
    return [(start_s + 0.02 * k, b"".join(board.lines(rows))) for k in range(pieces)]


def test_rows_become_pascals():
    board = ScriptedBoard(2, counts=lambda slot: [8192 + 100, None if slot == 1 else 8192 - 100])
    readings, link = source([(0.1, board.device_line()), *streaming(board, 1.0)])
    assert link.written[0][1] == b"info\nstart\n"
    assert readings.device.uid == "e6614103e7"
    link.clock.us = 900_000
    got = list(itertools.islice(readings.fresh(), 8))
    assert got[0].nominal_pa == pytest.approx((38.0, -38.0))
    assert got[1].nominal_pa[1] != got[1].nominal_pa[1]  # NaN
    assert [round(b.t_s - a.t_s, 6) for a, b in itertools.pairwise(got)] == [0.005] * 7


def test_what_came_while_nobody_looked_is_thrown_away():
    board = ScriptedBoard(1, counts=lambda slot: [8192 + slot])
    readings, link = source([(0.1, board.device_line()), *streaming(board, 1.0, 100)])
    link.clock.us = 2_000_000
    first = next(readings.fresh())
    assert first.nominal_pa[0] > 0.38 * 200


def test_ticks_that_wrap():
    board = ScriptedBoard(1, start_us=(1 << 30) - 20_000)
    readings, link = source([(0.1, board.device_line()), *streaming(board, 1.0)])
    link.clock.us = 900_000
    got = list(itertools.islice(readings.fresh(), 20))
    assert got[-1].t_s == pytest.approx(19 * 0.005)


def test_a_count_at_the_end_of_the_range_is_no_reading():
    board = ScriptedBoard(1, counts=lambda slot: [16383])
    readings, link = source([(0.1, board.device_line()), *streaming(board, 1.0)])
    link.clock.us = 900_000
    assert next(readings.fresh()).nominal_pa[0] != 0
    value = next(readings.fresh()).nominal_pa[0]
    assert value != value


def test_a_part_with_a_second_word_waits_for_it():
    column = {"name": "p1", "part": "ms5525dso", "range": "001", "address": 118, "port": "low", "scale": MS}
    board = ScriptedBoard(1, counts=lambda slot: [9012764])
    board.device["columns"] = [column]
    status = encode_note("status", {"t_us": 1, "second": [3821312]})
    readings, link = source([(0.1, board.device_line()), (1.1, status), *streaming(board, 2.0)])
    link.clock.us = 1_900_000
    assert next(readings.fresh()).nominal_pa[0] == pytest.approx(-1000.4, abs=0.7)
    with pytest.raises(LinkError, match="never sent the second word"):
        source([(0.1, board.device_line())])


def test_silence_and_loss():
    board = ScriptedBoard(1)
    with pytest.raises(LinkError, match="no board answered"):
        source([(0.1, b"login: ")])
    readings, _ = source([(0.1, board.device_line())])
    with pytest.raises(LinkError, match="no rows for 5 s"):
        next(readings.fresh())
    readings, link = source([(0.1, board.device_line()), (1.0, vanished())])
    link.clock.us = 900_000
    with pytest.raises(LinkError, match="vanished"):
        next(readings.fresh())


def test_a_board_that_refuses_its_description_is_quoted():
    why = "board.json: columns[2]: unknown part 'HSX'"
    with pytest.raises(LinkError, match=r"cannot work: .*unknown part 'HSX'.*; put"):
        source([(0.1, encode_note("reply", {"to": "info", "ok": False, "why": why}))])


def test_another_board_in_the_middle():
    board = ScriptedBoard(1)
    other = ScriptedBoard(1, uid="ffff")
    readings, link = source([(0.1, board.device_line()), (1.0, board.line()), (1.1, other.device_line())])
    link.clock.us = 900_000
    stream = readings.fresh()
    next(stream)
    with pytest.raises(RunLogError, match="changed its description"):
        next(stream)


def test_a_clock_that_stands_still_is_told_and_not_waited_for():
    # whoever waits for a second of readings would wait, and keep them, for ever
    board = ScriptedBoard(1)
    row = board.line()
    readings, link = source([(0.1, board.device_line()), *((1.0 + 0.01 * k, row) for k in range(200))])
    link.clock.us = 900_000
    with pytest.raises(LinkError, match="clock stands still"):
        measure(readings.fresh(), ("p1",), SteadyLimits())

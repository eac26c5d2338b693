"""The bench sweep at the pin itself: what the emulated chip's PWM puts out, and when it ends."""

from __future__ import annotations

from itertools import groupby, pairwise
from pathlib import Path
from typing import Any

import pytest

from board.emulated import EmulatedBoard, needs_board
from firmware.runs import board
from undertray.acquire.console import encode_command

PIN = 16


def _pulses(emulated: EmulatedBoard) -> list[tuple[float, int]]:
    """Begin in s and width in us of every whole pulse at the pin."""
    edges = [(event["t"], event["level"]) for event in emulated.events if event.get("pin") == PIN]
    found = []
    for (begin_s, level), (end_s, _) in pairwise(edges):
        if level == 1:
            found.append((begin_s, round((end_s - begin_s) * 1e6)))
    return found


@pytest.mark.slow
@needs_board
def test_pulses_are_as_wide_as_told_and_end_a_second_after_the_last_beat(tmp_path: Path) -> None:
    given = board(rate_hz=100)
    given["throttle"].update(direction="output", throttle_max_us=1600)
    with EmulatedBoard(tmp_path, given, watch=[PIN]) as emulated:
        emulated.boot()

        def say(words: str) -> dict[str, Any]:
            return emulated.ask(encode_command(words).decode().rstrip("\n"))

        number = emulated.ask("caution")["number"]
        assert emulated.ask(f"arm {number}")["ok"] is False
        emulated.run(0.05)
        assert _pulses(emulated) == []
        number = say(f"arm {number}")["number"]
        emulated.run(0.1)
        number = say(f"sweep 1200 1500 2 300 {number}")["number"]
        emulated.run(0.2)
        assert _pulses(emulated)[-1][1] == 1200
        emulated.run(1.5)
        first = _pulses(emulated)
        number = say(f"arm {emulated.ask('caution')['number']}")["number"]
        number = say(f"sweep 1200 1500 2 2000 {number}")["number"]
        emulated.run(0.2)
        before_s = emulated.now_s
        assert say(f"beat {number}")["ok"] is True
        beaten_s = emulated.now_s
        assert say(f"beat {number + 1}")["ok"] is False
        told = emulated.run(3, heard='"why":"no word from the host')
        emulated.run(0.7)
        second = _pulses(emulated)[len(first) :]
    assert told
    # in this order and nothing else, to the microsecond
    assert [width for width, _ in groupby(width for _, width in first)] == [1000, 1200, 1500, 1000]
    assert [width for width, _ in groupby(width for _, width in second)] == [1000, 1200, 1000]
    # frames are 20 ms apart, so the last pulse begins up to one frame before its time is over
    up = [begin_s for begin_s, width in second if width == 1200]
    assert before_s + 1.0 - 0.020 <= up[-1] <= beaten_s + 1.0 + 0.001
    # idle for half a second more, then none
    assert up[-1] + 0.5 - 0.020 <= second[-1][0] <= up[-1] + 0.5 + 0.040
    assert not [event for event in emulated.events if "reset" in event]

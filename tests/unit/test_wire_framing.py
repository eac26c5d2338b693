"""Bytes in pieces of any size become lines."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fakes.board import ScriptedBoard, device_line
from undertray.acquire.intake import Framer
from undertray.acquire.wire import NOTE_LIMIT


def framed(stream: bytes, cuts: list[int]) -> tuple[list[bytes], int]:
    framer = Framer()
    edges = [0, *sorted(cut % (len(stream) + 1) for cut in cuts), len(stream)]
    lines = [line for a, b in itertools.pairwise(edges) for line in framer.feed(stream[a:b])]
    framer.close()
    return lines, framer.dropped_bytes


STREAM = device_line() + b"".join(ScriptedBoard().lines(5)) + b"noise\r\n\n" + b"x" * 5000 + b"\n" + b"7,8"


@pytest.mark.parametrize("start", [0, 3, 500, 2100])
@given(cuts=st.lists(st.integers(0, 10**6), max_size=30))
def test_where_the_pieces_are_cut_does_not_matter(start: int, cuts: list[int]) -> None:
    stream = b"x" * 3000 + STREAM if start == 500 else STREAM[start:]
    assert framed(stream, cuts) == framed(stream, [])


def test_lines_come_out_whole() -> None:
    lines, dropped = framed(STREAM, [])
    assert lines[:6] == STREAM.split(b"\n")[:6]
    assert lines[6:8] == [b"noise", b""]
    assert lines[8] == b"x" * (NOTE_LIMIT + 1)  # one byte over the limit shows that it is bad
    assert dropped == 5000 - NOTE_LIMIT - 1 + len(b"7,8")


def test_the_first_half_line_is_dropped_and_counted() -> None:
    whole = ScriptedBoard().line()
    lines, dropped = framed(whole[5:] + whole, [])
    assert lines == [whole[:-1]]
    assert dropped == len(whole) - 5 - 1  # the line feed aside


def test_a_first_line_that_holds_is_kept() -> None:
    whole = ScriptedBoard().line()
    assert framed(whole, []) == ([whole[:-1]], 0)


def test_a_damaged_first_line_that_begins_as_a_note_is_kept_as_bad() -> None:
    damaged = device_line().replace(b"scripted", b"scripbed")
    assert framed(damaged, []) == ([damaged[:-1]], 0)


def test_memory_is_bounded_without_line_feeds() -> None:
    framer = Framer()
    assert framer.feed(b"#\n") == [b"#"]
    lines = [line for _ in range(1000) for line in framer.feed(b"\xff" * 10_000)]
    framer.close()
    assert lines == [b"\xff" * (NOTE_LIMIT + 1)]
    assert framer.dropped_bytes == 10_000_000 - NOTE_LIMIT - 1


@given(st.lists(st.binary(max_size=50), max_size=40))
def test_every_byte_is_in_a_line_or_counted(pieces: list[bytes]) -> None:
    framer = Framer()
    lines = [line for piece in pieces for line in framer.feed(piece)]
    framer.close()
    stream = b"".join(pieces)
    ends = stream.count(b"\n") + stream.count(b"\r\n")
    held = sum(map(len, lines)) + framer.dropped_bytes
    assert len(stream) - ends <= held <= len(stream)

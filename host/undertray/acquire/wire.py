"""The wire: what one line from the board may be, and its check.

A row is ``seq,t_us,throttle_us,flags``, a number for each pressure column, one for each channel behind
them, and the check. Which channels there are the ``device`` note says in ``channels``, a list of names;
without that key there are none, and the note's ``wire`` is 1. With it ``wire`` is 2, so that a reader which
does not know them stops. ``ax``, ``ay`` and ``az`` are counts of an accelerometer, which the note describes
under ``accelerometer`` with ``mg_per_count``, ``range_mg``, ``odr_hz`` and the axes that point ``forward``
and ``up`` in the car; ``throttle2_us`` is the pulse to a second fan, ``pack2_mv`` the voltage of its pack.
A field is empty where there is no new reading. Columns and channels are at most 16. The ``read_errors`` of
a ``status`` note have one number more for an accelerometer, and ``fault`` notes name it ``accelerometer``.
A log's header names the channels behind the columns.

This is the reference for the grammar. The bulk reader of :mod:`undertray.acquire.rows` takes
a faster way to the same answer, and a test holds the two equal.
"""

from __future__ import annotations

import json
import math
import re
from binascii import crc_hqx
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

from undertray.acquire.device import MAX_COLUMNS
from undertray.errors import RunLogError, parser_words

__all__ = [
    "NOTE_LIMIT",
    "ROW_LIMIT",
    "TICK_LIMIT",
    "Bad",
    "Row",
    "WireNote",
    "check",
    "encode_note",
    "encode_row",
    "parse_json",
    "parse_line",
]

ROW_LIMIT = 256
"""Longest row, bytes without the line end."""
NOTE_LIMIT = 2048
"""Longest note, bytes without the line end; no line is longer."""
TICK_LIMIT = 1 << 30
"""The board's tick counter wraps here."""
SEQ_LIMIT = 1 << 16
_DEPTH_LIMIT = 8

# Integers are canonical: no plus sign, no leading zero, no "-0". A count has at most 15
# digits, so it is exact as a float64; a throttle pulse at most 6 (the board drops it after 0.1 s).
_ROW = re.compile(
    rb"(0|[1-9]\d{0,4}),(0|[1-9]\d{0,9}),(0|[1-9]\d{0,5})?,([0-9a-fA-F]{1,8}),"
    rb"((?:(?:0|-?[1-9]\d{0,14})?,){1,%d})([0-9a-f]{4})" % MAX_COLUMNS
)
_NOTE = re.compile(rb"#([a-z][a-z0-9_-]{0,31}),(\{[\x20-\x7e]*\}),([0-9a-f]{4})")
_STRING = re.compile(r'"(?:[^"\\]|\\.)*"')


@dataclass(frozen=True, slots=True)
class Row:
    """One sample slot as the board sent it."""

    seq: int
    t_us: int
    throttle_us: int | None
    flags: int
    counts: tuple[int | None, ...]


@dataclass(frozen=True, slots=True)
class WireNote:
    """One note as the board sent it."""

    kind: str
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Bad:
    """A line that fails its check or is no line of the format."""

    why: str


def check(payload: bytes) -> bytes:
    """Compute the check of a line.

    Parameters
    ----------
    payload : bytes
        The line up to its last comma, that comma left out.

    Returns
    -------
    bytes
        Four lower-case hex digits.

    Notes
    -----
    CRC-16/IBM-3740, also called CCITT-FALSE: polynomial 0x1021, start 0xFFFF, no
    reflection, check value 0x29B1 for ``123456789`` (Catalogue of parametrised CRC
    algorithms).
    """
    return b"%04x" % crc_hqx(payload, 0xFFFF)


def parse_line(line: bytes, columns: int | None = None) -> Row | WireNote | Bad:
    """Say what a line is."""
    line = line.removesuffix(b"\r")
    if line.startswith(b"#"):
        return _parse_note(line)
    if len(line) > ROW_LIMIT:
        return Bad("longer than a row may be")
    match = _ROW.fullmatch(line)
    if match is None:
        return Bad("not a row of the format")
    seq, t_us, throttle, flags, counts, crc = match.groups()
    if int(crc, 16) != crc_hqx(line[:-5], 0xFFFF):
        return Bad("the check does not fit")
    row = Row(
        int(seq),
        int(t_us),
        int(throttle) if throttle else None,
        int(flags, 16),
        tuple([int(count) if count else None for count in counts[:-1].split(b",")]),
    )
    fits = columns is None or len(row.counts) == columns
    if not fits or row.seq >= SEQ_LIMIT or row.t_us >= TICK_LIMIT:
        return Bad("seq or t_us is out of range" if fits else "another number of columns")
    return row


def _parse_note(line: bytes) -> WireNote | Bad:
    if len(line) > NOTE_LIMIT:
        return Bad("longer than a note may be")
    match = _NOTE.fullmatch(line)
    if match is None:
        return Bad("not a note of the format")
    kind, text, crc = match.groups()
    if int(crc, 16) != crc_hqx(line[:-5], 0xFFFF):
        return Bad("the check does not fit")
    try:
        return WireNote(kind.decode(), parse_json(text.decode()))
    except ValueError as error:
        return Bad(f"the note's JSON does not hold: {parser_words(error)}")


def parse_json(text: str, depth: int = _DEPTH_LIMIT) -> Mapping[str, Any]:
    """Read a JSON object from a stranger."""
    # The depth is counted before the parser sees it: the parser recurses. It is no more than what opens.
    if text.count("[") + text.count("{") > depth and _depth(text) > depth:
        raise ValueError("it nests too deep")
    data = _DECODER.decode(text)
    if not isinstance(data, dict):
        raise ValueError("it is not an object")
    if "\\u" in text:  # a lone surrogate raises UnicodeEncodeError, a ValueError
        json.dumps(data, ensure_ascii=False).encode()
    return data


def _depth(text: str) -> int:
    level = deepest = 0
    for sign in re.findall(r"[\[\]{}]", _STRING.sub("", text)):
        level += 1 if sign in "[{" else -1
        deepest = max(deepest, level)
    return deepest


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not a JSON number")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError("a number is too large")
    return value


# made once: json.loads makes one a call
_DECODER = json.JSONDecoder(parse_constant=_no_constant, parse_float=_finite)


def encode_row(row: Row) -> bytes:
    """Write a row as the board does."""
    throttle = "" if row.throttle_us is None else row.throttle_us
    counts = ",".join("" if count is None else str(count) for count in row.counts)
    return _closed(f"{row.seq},{row.t_us},{throttle},{row.flags:x},{counts}")


def encode_note(kind: str, data: Mapping[str, Any]) -> bytes:
    """Write a note as the board does."""
    return _closed(f"#{kind},{json.dumps(data, separators=(',', ':'))}")


def _closed(payload: str) -> bytes:
    body = payload.encode("ascii", "replace")
    line = body + b"," + check(body)
    parsed = parse_line(line)
    if isinstance(parsed, Bad):
        raise RunLogError(
            "this cannot go over the wire", seen=payload, expected=f"a line of the format ({parsed.why})"
        )
    return line + b"\n"

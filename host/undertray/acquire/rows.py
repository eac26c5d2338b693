"""Rows in bulk: a block of whole log lines parsed and checked, all its fields at once.

Same answer as :func:`undertray.acquire.wire.parse_line`, line for line, near the speed of a
plain CSV reader. A line that the fast way is not sure of goes the slow way, so the fast way
only ever has to be right about what it accepts.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.rowcheck import KEEP_LAST, Words, row_checks
from undertray.acquire.wire import ROW_LIMIT, TICK_LIMIT, Row, parse_line

__all__ = ["MISSING", "RowBlock", "parse_block", "parse_log_row"]

Ints = NDArray[np.int64]

MISSING = np.iinfo(np.int64).min
"""Stands for an empty field."""
_FIXED_FIELDS = 4  # seq, t_us, throttle_us and flags stand before the counts
_FLAGS = 4  # their place, host_us being 0
_HOST = re.compile(rb"(0|[1-9]\d{0,14}),")
_FEED, _RETURN, _COMMA, _MINUS = b"\n\r,-"
_HEX_VALUE = np.full(256, -1, dtype=np.int64)
for _digits in (b"0123456789abcdef", b"0123456789ABCDEF"):
    _HEX_VALUE[np.frombuffer(_digits, np.uint8)] = np.arange(16)
_HEX_TEXT = np.array([int.from_bytes(b"%02x" % value, "little") for value in range(256)], dtype=np.uint64)
# by the number of digits: the least value that is written with so many; none is with more than 15
_LEAST = np.array([0, 0, *(10 ** (width - 1) for width in range(2, 16)), 2**62])
_U = np.uint64


@dataclass(frozen=True, slots=True, eq=False)
class RowBlock:
    """What a block holds: m good rows of N pressure columns, and other lines.

    Attributes
    ----------
    fields : ndarray of int64, shape (m, 5 + N)
        host_us (-1 where the lines carry none), seq, t_us, throttle_us, flags, counts;
        ``MISSING`` where a field is empty.
    others : tuple of (int, bytes)
        The lines that are no good row, in order: how many good rows of the block stand before
        each, and its text without the line end.
    """

    fields: Ints
    others: tuple[tuple[int, bytes], ...]


def parse_log_row(line: bytes, columns: int | None, stamped: bool) -> tuple[int, Row] | None:
    """Read one row of a log by the reference grammar.

    Parameters
    ----------
    line : bytes
        The line without its line end.
    columns : int or None
        Number of pressure columns; any if None.
    stamped : bool
        Whether host_us stands before the wire's own text.

    Returns
    -------
    tuple of int and Row, or None
        host_us (-1 if the line carries none) and the row; None for anything else.
    """
    host_us = -1
    if stamped:
        match = _HOST.match(line)
        if match is None:
            return None
        host_us, line = int(match[1]), line[match.end() :]
    row = parse_line(line, columns)
    return (host_us, row) if isinstance(row, Row) else None


def parse_block(block: bytes, columns: int, stamped: bool) -> RowBlock:
    """Parse and check many lines that may be rows.

    Parameters
    ----------
    block : bytes
        Whole lines, each with its line feed.
    columns : int
        Number N of pressure columns; 0 while no row was seen, so that nothing here is one.
    stamped : bool
        Whether host_us stands before the wire's own text.

    Returns
    -------
    RowBlock
    """
    words = Words(block)
    ends = np.flatnonzero(words.data == _FEED)
    starts = np.concatenate([np.zeros(min(1, len(ends)), dtype=np.int64), ends[:-1] + 1])
    if columns and len(ends):
        picked, edges, good = _cut(words, ends, columns + _FIXED_FIELDS + stamped)
        fields = _fields(words, starts[picked], edges, good, stamped)
        fields, line = (fields, picked) if good.all() else (fields[good], picked[good])
    else:
        fields, line = np.empty((0, 1 + _FIXED_FIELDS + columns), dtype=np.int64), np.arange(0)
    return _with_unsure(block, starts, ends, columns, stamped, fields, line)


def _with_unsure(
    block: bytes, starts: Ints, ends: Ints, columns: int, stamped: bool, fields: Ints, line: Ints
) -> RowBlock:
    """Send what the fast way did not accept the slow way, and merge."""
    unsure = np.ones(len(starts), dtype=bool)
    unsure[line] = False
    late: list[list[int]] = []
    late_line: list[int] = []
    texts = {}
    for i in np.flatnonzero(unsure).tolist():
        text = block[starts[i] : ends[i]]
        parsed = parse_log_row(text, columns, stamped) if columns else None
        if parsed is None:
            texts[i] = text.removesuffix(b"\r")
        else:
            host_us, row = parsed
            values = (row.seq, row.t_us, row.throttle_us, row.flags, *row.counts)
            late.append([host_us, *(MISSING if value is None else value for value in values)])
            late_line.append(i)
    if late:
        fields = np.concatenate([fields, np.array(late, dtype=np.int64)])
        line = np.concatenate([line, np.array(late_line, dtype=np.int64)])
        order = np.argsort(line)
        fields, line = fields[order], line[order]
    before = np.searchsorted(line, np.array([*texts], dtype=np.int64)).tolist()
    return RowBlock(fields, tuple(zip(before, texts.values(), strict=True)))


def _cut(words: Words, ends: Ints, commas: int) -> tuple[Ints, Ints, NDArray[np.bool_]]:
    """Find the lines with the right number of commas: which they are, and where their commas stand.

    Good are those with four characters behind the last comma.
    """
    at = np.flatnonzero(words.data == _COMMA)
    counted = np.diff(np.searchsorted(at, ends), prepend=0)
    fits = counted == commas
    picked = np.flatnonzero(fits)
    if len(picked) < len(ends):
        at = at[np.repeat(fits, counted)]
    edges = at.reshape(-1, commas)
    closed = ends[picked]
    closed -= words.data[closed - 1] == _RETURN  # a line with commas is not empty
    return picked, edges, closed - edges[:, -1] == 5


def _fields(words: Words, starts: Ints, edges: Ints, good: NDArray[np.bool_], stamped: bool) -> Ints:
    """Read the fields before each comma; ``good`` is cleared where a row is none."""
    widths = np.empty_like(edges)
    np.subtract(edges[:, 0], starts, out=widths[:, 0])
    np.subtract(edges[:, 1:], edges[:, :-1], out=widths[:, 1:])
    widths[:, 1:] -= 1
    flags = _FLAGS - (not stamped)
    flag_values = _hexadecimal(words.data, edges[:, flags] - widths[:, flags], widths[:, flags])
    values, odd = _decimals(words, edges.ravel(), widths.ravel())
    odd_row, odd_field = np.divmod(odd, edges.shape[1])
    good[odd_row[odd_field != flags]] = False
    fields = values.reshape(edges.shape)
    fields[:, flags] = flag_values
    if not stamped:
        fields = np.concatenate([np.full((len(fields), 1), -1), fields], axis=1)
    host_us, seq, t_us, throttle_us = fields[:, :_FLAGS].T
    good &= (host_us >= -(not stamped)) & (flag_values >= 0)
    good &= (seq >= 0) & (seq < 1 << 16) & (t_us >= 0) & (t_us < TICK_LIMIT)
    good &= (throttle_us < 10**6) & ((throttle_us >= 0) | (throttle_us == MISSING))
    begin = edges[:, 0] + 1 if stamped else starts
    last = np.ascontiguousarray(edges[:, -1])
    good &= last + 5 - begin <= ROW_LIMIT
    check = row_checks(words, np.maximum(begin, last - ROW_LIMIT), last)
    text = _HEX_TEXT.take(check >> _U(8)) | (_HEX_TEXT.take(check & _U(0xFF)) << _U(16))
    good &= words.ending(last, 5) >> _U(32) == text
    return fields


def _decimals(words: Words, end: Ints, width: Ints) -> tuple[Ints, Ints]:
    """Read canonical integers of up to 15 digits; and which are none. An empty one is ``MISSING``."""
    negative = None
    if _MINUS in words.text:
        negative = words.data[end - np.maximum(width, 1)] == _MINUS
        negative &= width > 0
        width = width - negative
    width = np.minimum(width, 16)
    value, sound = _eight_digits(words, end, 0, np.minimum(width, 8))
    wide = np.flatnonzero(width > 8)
    if len(wide):
        upper, upper_sound = _eight_digits(words, end[wide], -8, width[wide] - 8)
        value[wide] += upper * 10**8
        sound[wide] &= upper_sound
    sound &= value >= _LEAST.take(width)
    empty = width == 0
    if negative is not None:
        sound &= ~negative | (value > 0)
        value = np.where(negative, -value, value)
        empty &= ~negative
    if empty.any():
        value[empty] = MISSING
    return value, np.flatnonzero(~sound)


def _eight_digits(words: Words, end: Ints, shift: int, width: Ints) -> tuple[Ints, NDArray[np.bool_]]:
    word = words.ending(end, shift)
    word ^= _U(0x3030303030303030)
    word &= KEEP_LAST.take(width)
    beyond = word + _U(0x0606060606060606)
    beyond |= word
    beyond &= _U(0xF0F0F0F0F0F0F0F0)
    # neighbours are joined in three steps: 8 digits, 4 pairs, 2 fours, 1 eight
    pairs = _U(0x000000FF000000FF)
    word = word * _U(10) + (word >> _U(8))
    upper = (word & pairs) * _U(100 + (10**6 << 32))
    word >>= _U(16)
    word &= pairs
    word *= _U(1 + (10**4 << 32))
    word += upper
    word >>= _U(32)
    return word.view(np.int64), beyond == 0


def _hexadecimal(data: NDArray[np.uint8], begin: Ints, width: Ints) -> Ints:
    """Read 1 to 8 hex digits; -1 where there are none."""
    bad = (width < 1) | (width > 8)
    value = np.zeros(len(begin), dtype=np.int64)
    for place in range(min(8, int(width.max(initial=0)))):
        here = width > place
        digit = _HEX_VALUE[data[begin + np.minimum(place, width)]]
        bad |= here & (digit < 0)
        value = np.where(here, (value << 4) | (digit & 15), value)
    return np.where(bad, -1, value)

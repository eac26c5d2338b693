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
    cuts = np.flatnonzero((words.data == _COMMA) | (words.data == _FEED))
    feeds = np.flatnonzero(words.data.take(cuts) == _FEED)
    ends = cuts.take(feeds)
    starts = np.concatenate([np.zeros(min(1, len(ends)), dtype=np.int64), ends[:-1] + 1])
    if columns and len(ends):
        picked, edges, good = _cut(words, cuts, feeds, starts, columns + _FIXED_FIELDS + stamped)
        fields = _fields(words, edges, good, stamped)
        fields, line = (fields, picked) if good.all() else (fields[:, good], picked[good])
    else:
        fields, line = np.empty((1 + _FIXED_FIELDS + columns, 0), dtype=np.int64), np.arange(0)
    return _with_unsure(block, starts, ends, columns, stamped, fields.T, line)


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


def _cut(
    words: Words, cuts: Ints, feeds: Ints, starts: Ints, commas: int
) -> tuple[Ints, Ints, NDArray[np.bool_]]:
    """Find the lines with the right number of commas: which they are, and between what their fields stand.

    ``cuts`` are the places of all commas and line feeds, ``feeds`` which of them are line feeds. Field i of
    each line lies between edges i and i + 1. Good are those with four characters behind the last comma.
    """
    counted = np.diff(feeds, prepend=-1)
    fits = counted == commas + 1
    picked = np.flatnonzero(fits)
    if len(picked) < len(feeds):
        cuts, starts = cuts[np.repeat(fits, counted)], starts[picked]
    edges = np.empty((commas + 2, len(picked)), dtype=np.int64)
    edges[0] = starts - 1
    edges[1:] = cuts.reshape(-1, commas + 1).T
    closed = edges[-1] - (words.data.take(edges[-1] - 1) == _RETURN)  # a line with commas is not empty
    return picked, edges, closed - edges[-2] == 5


def _fields(words: Words, edges: Ints, good: NDArray[np.bool_], stamped: bool) -> Ints:
    """Read the fields before each comma, one a row; ``good`` is cleared where a line is no row."""
    first, signed = int(not stamped), _MINUS in words.text
    fields = np.empty((first + len(edges) - 2, len(good)), dtype=np.int64)
    fields[:first] = -1
    # field by field, as what is made of one stays in a core's own cache
    for i in range(first, len(fields)):
        end = edges[i - first + 1]
        width = end - edges[i - first]
        width -= 1
        if i == _FLAGS:
            fields[i], sound = _hexadecimal(words, end, width)
        else:
            fields[i], sound = _decimal(words, end, width, signed and i > _FLAGS)
        good &= sound
    host_us, seq, t_us, throttle_us = fields[:_FLAGS]
    good &= host_us >= -first
    good &= (seq >= 0) & (seq < 1 << 16) & (t_us >= 0) & (t_us < TICK_LIMIT)
    good &= (throttle_us < 10**6) & ((throttle_us >= 0) | (throttle_us == MISSING))
    begin, last = edges[1 - first] + 1, edges[-2]
    good &= last + 5 - begin <= ROW_LIMIT
    check = row_checks(words, np.maximum(begin, last - ROW_LIMIT), last)
    text = _HEX_TEXT.take(check >> _U(8)) | (_HEX_TEXT.take(check & _U(0xFF)) << _U(16))
    good &= words.ending(last, 5) >> _U(32) == text
    return fields


def _decimal(words: Words, end: Ints, width: Ints, signed: bool) -> tuple[Ints, NDArray[np.bool_]]:
    """Read canonical integers of up to 15 digits, and whether each is one. An empty one is ``MISSING``."""
    negative = None
    if signed:
        negative = words.data.take(end - np.maximum(width, 1)) == _MINUS
        negative &= width > 0
        width = width - negative
    least, most = int(width.min(initial=16)), int(width.max(initial=0))
    if most > 15:
        width = np.minimum(width, 16)
    if least == most:  # what depends on the width is one number
        width = width[:1]
    value, sound = _eight_digits(words, end, 0, width)
    if most > 8:
        upper, upper_sound = _eight_digits(words, end, -8, np.maximum(width - 8, 0))
        upper *= 10**8
        value += upper
        sound &= upper_sound
    sound &= value >= _LEAST.take(width)
    if negative is not None:
        sound &= ~negative | (value > 0)
        np.negative(value, out=value, where=negative)
    if not least:
        np.copyto(value, MISSING, where=(width == 0) if negative is None else (width == 0) & ~negative)
    return value, sound


def _eight_digits(words: Words, end: Ints, shift: int, width: Ints) -> tuple[Ints, NDArray[np.bool_]]:
    """Read the up to eight digits before each place; and whether they are digits."""
    word = words.ending(end, shift)
    word ^= _U(0x3030303030303030)
    word &= KEEP_LAST.take(width)
    beyond = word + _U(0x0606060606060606)
    beyond |= word
    beyond &= _U(0xF0F0F0F0F0F0F0F0)
    # neighbours are joined in three steps: 8 digits, 4 pairs, 2 fours, 1 eight
    word *= _U(1 + (10 << 8))
    word >>= _U(8)
    word &= _U(0x00FF00FF00FF00FF)
    word *= _U(1 + (100 << 16))
    word >>= _U(16)
    word &= _U(0x0000FFFF0000FFFF)
    word *= _U(1 + (10**4 << 32))
    word >>= _U(32)
    return word.view(np.int64), beyond == 0


def _hexadecimal(words: Words, end: Ints, width: Ints) -> tuple[Ints, NDArray[np.bool_]]:
    """Read 1 to 8 hex digits, and whether there are such."""
    sound = (width >= 1) & (width <= 8)
    value = np.zeros(len(end), dtype=np.int64)
    for place in range(min(8, int(width.max(initial=0)))):
        digit = _HEX_VALUE.take(words.data.take(end - (place + 1)))
        here = width > place
        sound &= (digit >= 0) | ~here
        value |= np.where(here, digit << (4 * place), 0)
    return value, sound

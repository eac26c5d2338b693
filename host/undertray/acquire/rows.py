"""Rows in bulk: a block of whole log lines parsed and checked column by column.

Same answer as :func:`undertray.acquire.wire.parse_line`, line for line, at about the speed of
a plain CSV reader. A line that the fast way is not sure of goes the slow way, so the fast way
only ever has to be right about what it accepts.
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.wire import ROW_LIMIT, TICK_LIMIT, Row, parse_line

__all__ = ["FIXED_FIELDS", "MISSING", "RowBlock", "parse_block", "parse_log_row"]

FIXED_FIELDS = 4
"""seq, t_us, throttle_us and flags stand before the counts."""
MISSING = np.iinfo(np.int64).min
"""Stands for an empty field."""
_HOST = re.compile(rb"(0|[1-9]\d{0,14}),")
_COMMA, _MINUS, _ZERO, _RETURN = b",-0\r"
_HEX_VALUE = np.full(256, -1, dtype=np.int64)
for _digits in (b"0123456789abcdef", b"0123456789ABCDEF"):
    _HEX_VALUE[np.frombuffer(_digits, np.uint8)] = np.arange(16)
_LOWER_HEX = np.zeros(256, dtype=bool)
_LOWER_HEX[np.frombuffer(b"0123456789abcdef", np.uint8)] = True

# Eight characters are handled at once as one little-endian word, the first in the lowest byte.
_U = np.uint64
_KEEP_LAST = np.array([(2**64 - 1) ^ (2 ** (64 - 8 * width) - 1) for width in range(9)], dtype=_U)


@dataclass(frozen=True, slots=True, eq=False)
class RowBlock:
    """The good rows of a block, m of them, N pressure columns.

    Attributes
    ----------
    fields : ndarray of int64, shape (5 + N, m)
        host_us (-1 where the lines carry none), seq, t_us, throttle_us, flags, counts;
        ``MISSING`` where a field is empty.
    line : ndarray of int64, shape (m,)
        Which of the lines handed in each row was.
    bad : ndarray of int64, shape (k,)
        Which of the lines handed in were no good row.
    """

    fields: NDArray[np.int64]
    line: NDArray[np.int64]
    bad: NDArray[np.int64]


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


def parse_block(
    block: bytes, starts: NDArray[np.int64], ends: NDArray[np.int64], columns: int, stamped: bool
) -> RowBlock:
    """Parse and check many lines that may be rows.

    Parameters
    ----------
    block : bytes
        Text that holds the lines.
    starts, ends : ndarray of int64, shape (l,)
        Where each line begins, and where its text ends (line end left out), ascending.
    columns : int
        Number N of pressure columns.
    stamped : bool
        Whether host_us stands before the wire's own text.

    Returns
    -------
    RowBlock
    """
    if not columns or not len(starts):  # no row was ever seen, so that nothing here is one
        empty = np.empty((1 + FIXED_FIELDS + columns, 0), dtype=np.int64)
        return RowBlock(empty, np.arange(0), np.arange(len(starts)))
    text = _Text(block)
    closed = ends - ((ends > starts) & (text.data[np.maximum(ends - 1, 0)] == _RETURN))
    picked, edges = _field_edges(text.data, starts, closed, FIXED_FIELDS + columns + stamped)
    fields = np.empty((1 + FIXED_FIELDS + columns, len(picked)), dtype=np.int64)
    fields[0] = -1
    good = np.ones(len(picked), dtype=bool)
    for place in range(not stamped, len(fields)):
        edge = place - (not stamped)
        begin, end = edges[edge] + 1, edges[edge + 1]
        if place == FIXED_FIELDS:
            fields[place] = _hexadecimal(text, begin, end)
            good &= fields[place] >= 0
        else:
            fields[place] = _decimal(text, begin, end, good)
    good &= (fields[:3].min(axis=0) >= -(not stamped)) & (fields[1:3].min(axis=0) >= 0)
    good &= (fields[1] < 1 << 16) & (fields[2] < TICK_LIMIT)
    good &= (fields[3] < 10**6) & ((fields[3] >= 0) | (fields[3] == MISSING))
    begin = edges[1 if stamped else 0] + 1
    good &= edges[-1] + 5 - begin <= ROW_LIMIT
    good &= _checked(text, begin, edges[-1])
    return _with_unsure(block, starts, ends, columns, stamped, fields[:, good], picked[good])


def _with_unsure(
    block: bytes,
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    columns: int,
    stamped: bool,
    fields: NDArray[np.int64],
    line: NDArray[np.int64],
) -> RowBlock:
    """Send what the fast way did not accept the slow way, and merge."""
    unsure = np.ones(len(starts), dtype=bool)
    unsure[line] = False
    late: list[list[int]] = []
    late_line: list[int] = []
    for i in np.flatnonzero(unsure).tolist():
        parsed = parse_log_row(block[starts[i] : ends[i]], columns, stamped)
        if parsed is not None:
            host_us, row = parsed
            values = (row.seq, row.t_us, row.throttle_us, row.flags, *row.counts)
            late.append([host_us, *(MISSING if value is None else value for value in values)])
            late_line.append(i)
    if late:
        unsure[late_line] = False
        fields = np.concatenate([fields, np.array(late, dtype=np.int64).T], axis=1)
        line = np.concatenate([line, np.array(late_line, dtype=np.int64)])
        order = np.argsort(line)
        fields, line = fields[:, order], line[order]
    return RowBlock(fields, line, np.flatnonzero(unsure))


class _Text:
    """A text as bytes, and any eight bytes of it as a word."""

    def __init__(self, block: bytes) -> None:
        # nothing in front, so that a word may begin before the text does
        padded = np.zeros(len(block) + ROW_LIMIT, dtype=np.uint8)
        padded[ROW_LIMIT:] = np.frombuffer(block, dtype=np.uint8)
        self.data = padded[ROW_LIMIT:]
        # a window at every byte: numpy reads words that are not aligned as well
        self._words = np.ndarray((len(padded) - 7,), "<u8", padded.data, strides=(1,))

    def word_ending_at(self, end: NDArray[np.int64]) -> NDArray[np.uint64]:
        return np.asarray(self._words[end + (ROW_LIMIT - 8)])


def _field_edges(
    data: NDArray[np.uint8], starts: NDArray[np.int64], ends: NDArray[np.int64], commas: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Find the lines with the right number of commas and a check of four lower-case hex digits.

    The edges of such a line, shape (1 + commas, m), are one before its start, then its commas.
    """
    at = np.flatnonzero(data == _COMMA)
    first = np.searchsorted(at, starts)
    counted = np.searchsorted(at, ends) - first
    picked = np.flatnonzero(counted == commas)
    edges = np.empty((1 + commas, len(picked)), dtype=np.int64)
    edges[0] = starts[picked] - 1
    np.take(at, first[picked] + np.arange(commas)[:, None], out=edges[1:])
    closed = ends[picked] - edges[-1] == 5
    for digit in range(1, 5):
        closed &= _LOWER_HEX[data[np.minimum(edges[-1] + digit, len(data) - 1)]]
    return (picked, edges) if closed.all() else (picked[closed], edges[:, closed])


def _decimal(
    text: _Text, begin: NDArray[np.int64], end: NDArray[np.int64], good: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Read canonical integers of up to 15 digits; ``good`` is cleared where there is none."""
    first = text.data[begin]
    width = end - begin
    negative = first == _MINUS
    signed = bool(negative.any())
    if signed:
        width -= negative
        first = text.data[begin + negative]
        good &= ~negative | ((first != _ZERO) & (width > 0))
    good &= ((first != _ZERO) | (width <= 1)) & (width <= 15)
    value = _eight_digits(text, end, np.minimum(width, 8), good)
    if width.max(initial=0) > 8:
        value += _eight_digits(text, end - 8, np.clip(width - 8, 0, 8), good) * 10**8
    if signed:
        value = np.where(negative, -value, value)
    value[width == 0] = MISSING
    return value


def _eight_digits(
    text: _Text, end: NDArray[np.int64], width: NDArray[np.int64], good: NDArray[np.bool_]
) -> NDArray[np.int64]:
    word = (text.word_ending_at(end) ^ _U(0x3030303030303030)) & _KEEP_LAST[width]
    good &= ((word | (word + _U(0x0606060606060606))) & _U(0xF0F0F0F0F0F0F0F0)) == 0
    # neighbours are joined in three steps: 8 digits, 4 pairs, 2 fours, 1 eight
    word = word * _U(10) + (word >> _U(8))
    pairs = _U(0x000000FF000000FF)
    upper = (word & pairs) * _U(100 + (10**6 << 32))
    lower = ((word >> _U(16)) & pairs) * _U(1 + (10**4 << 32))
    return ((upper + lower) >> _U(32)).view(np.int64)


def _hexadecimal(text: _Text, begin: NDArray[np.int64], end: NDArray[np.int64]) -> NDArray[np.int64]:
    """Read 1 to 8 hex digits; -1 where there are none."""
    width = end - begin
    bad = (width < 1) | (width > 8)
    value = np.zeros(len(begin), dtype=np.int64)
    for place in range(min(8, int(width.max(initial=0)))):
        here = width > place
        digit = _HEX_VALUE[text.data[np.minimum(begin + place, end)]]
        bad |= here & (digit < 0)
        value = np.where(here, (value << 4) | (digit & 15), value)
    return np.where(bad, -1, value)


@cache
def _check_tables() -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
    """Share of each byte value in a row's check, by distance from its end; and of the start value.

    The CRC is linear: the check of a row is the XOR of what its bytes give one by one.
    """
    share = np.empty((ROW_LIMIT, 256), dtype=np.uint16)
    share[0] = [crc_hqx(bytes([value]), 0) for value in range(256)]
    for distance in range(1, ROW_LIMIT):  # one more zero byte behind it
        last = share[distance - 1]
        share[distance] = (last << 8) ^ share[0][last >> 8]
    start = np.array([crc_hqx(bytes(length), 0xFFFF) for length in range(ROW_LIMIT + 1)], dtype=np.uint16)
    return share.ravel(), start


def _checked(text: _Text, begin: NDArray[np.int64], last_comma: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether each row's check fits."""
    share, start = _check_tables()
    length = np.minimum(last_comma - begin, ROW_LIMIT)
    computed = start[length]
    for words in range(0, int(length.max(initial=0)), 8):
        word = text.word_ending_at(last_comma - words) & _KEEP_LAST[np.clip(length - words, 0, 8)]
        by_byte = np.ascontiguousarray(word.view(np.uint8).reshape(-1, 8).T).astype(np.intp)
        by_byte += np.arange(words + 7, words - 1, -1)[:, None] * 256
        computed ^= np.bitwise_xor.reduce(share.take(by_byte), axis=0)
    written = np.zeros(len(begin), dtype=np.int64)
    for digit in range(1, 5):
        written = (written << 4) | _HEX_VALUE[text.data[last_comma + digit]]
    return np.asarray(written == computed)

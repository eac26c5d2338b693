"""Rows in bulk: a block of whole log lines parsed and checked, all its fields at once.

Same answer as :func:`undertray.acquire.wire.parse_line`, line for line, near the speed of a
plain CSV reader. A line that the fast way is not sure of goes the slow way, so the fast way
only ever has to be right about what it accepts.
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.wire import ROW_LIMIT, TICK_LIMIT, Row, parse_line

__all__ = [
    "KEEP_LAST",
    "MISSING",
    "LineGrid",
    "RowBlock",
    "marked_places",
    "parse_block",
    "parse_log_row",
    "row_checks",
]


# Lines of a text put one under another, their ends in line, and read by words of eight bytes.
# What is done to a line is done to all of them with one instruction of numpy a step. A place in a line is
# told by how many bytes stand from there to the line's end, itself included: the last byte is at place 1.

Array = NDArray[np.uint64]
Ints = NDArray[np.int64]
Places = NDArray[np.int16]

_U = np.uint64
_BITS = 64
KEEP_LAST = np.array([2**64 - 2 ** max(0, 64 - 8 * width) for width in range(17)], dtype=_U)
"""By a number of bytes, 0 to 16: what keeps so many at the end of a word, and clears those before."""
_KEEP_BITS = np.array([2**bits - 1 for bits in range(_BITS + 1)], dtype=_U)


class LineGrid:
    """Lines of a text, one under another."""

    def __init__(self, text: bytes, ends: Ints, length: Ints) -> None:
        self.length = length
        longest = int(length.max(initial=0))
        count = longest // 8 + 3
        size = -(-count // 8) * 8 * 8  # whole words of marks
        padded = bytes(size) + text
        lines = np.ndarray((len(text) + 1,), f"V{size}", padded, strides=(1,))
        self._bytes = lines[ends].view(np.uint8).reshape(len(ends), size)
        self._marked = -(-longest // _BITS)
        self.words = np.ascontiguousarray(self._bytes.view("<u8")[:, : -count - 1 : -1].T, dtype=_U)

    def marks(self, byte: int) -> tuple[Array, Places]:
        """Mark where a byte stands."""
        bits = np.packbits(self._bytes == byte).view(">u8").reshape(len(self._bytes), -1)
        marks = np.ascontiguousarray(bits[:, : -self._marked - 1 : -1].T, dtype=_U)
        for i in range(int(self.length.min(initial=_BITS)) // _BITS, len(marks)):
            marks[i] &= _KEEP_BITS.take(np.clip(self.length - _BITS * i, 0, _BITS))
        count = np.zeros(marks.shape, np.int16)
        count += np.bitwise_count(marks)
        for i in range(1, len(count)):
            count[i] += count[i - 1]
        return marks, count

    def before(self, place: Places) -> Array:
        """Read eight bytes of every line."""
        first, last = int(place.min()) >> 3, int(place.max()) >> 3
        near, far = self.words[first], self.words[first + 1]
        if last > first:
            near, far, word = near.copy(), far.copy(), place >> 3
            for i in range(first + 1, last + 1):
                here = word == i
                np.copyto(near, self.words[i], where=here)
                np.copyto(far, self.words[i + 1], where=here)
        bits = ((place & 7) << 3).astype(_U)
        out: Array = np.left_shift(near, bits)
        np.subtract(_U(64), bits, out=bits)
        out |= far >> bits  # by 64 leaves nothing
        return out


def marked_places(marks: Array, count: Places, places: Places) -> None:
    """List the places that are marked in every line."""
    here, less = marks[0].copy(), np.empty_like(marks[0])
    base = np.zeros(len(here), np.int16)
    bounds = [(int(each.min()), int(each.max())) for each in count[:-1]]
    for j, place in enumerate(places):
        for i, (least, most) in enumerate(bounds):
            if least <= j <= most:  # some lines have no more in this word
                through = count[i] == j
                np.copyto(here, marks[i + 1], where=through)
                np.copyto(base, _BITS * (i + 1), where=through)
        np.subtract(here, _U(1), out=less)
        np.add(np.bitwise_count(here ^ less), base, out=place)  # the lowest bit and those below it
        here &= less


# The check of many rows at once, without a loop over their bytes.
# A check is the remainder of a row, read as a polynomial over GF(2), by P = x^16 + x^12 + x^5 + 1. Squaring
# over GF(2) squares each term, so P^16 = x^256 + x^192 + x^80 + 1: modulo P, x^256 may be replaced by
# x^192 + x^80 + 1. Rows are taken as words of eight bytes, the first word of every row folded into those
# behind it until two are left, then the same with halves: a handful of shifts a word, for all rows together.

AnyInts = NDArray[np.integer[Any]]

_START = np.array([crc_hqx(bytes(length), 0xFFFF) for length in range(ROW_LIMIT + 1)], dtype=_U)


def row_checks(words: Array, length: AnyInts) -> Array:
    """Compute the check of each of many rows.

    Parameters
    ----------
    words : ndarray of uint64, shape (k, m)
        Each row and two bytes behind it, the last eight bytes first, the first byte in the lowest place;
        what stands before a row does not matter. They are used up.
    length : ndarray of int, shape (m,)
        Bytes in each row, at most ``ROW_LIMIT``.

    Returns
    -------
    ndarray of uint64, shape (m,)
        What :func:`undertray.acquire.wire.check` writes in hex.

    Notes
    -----
    The check is linear: that of a row from the start value 0xFFFF is that of the row from 0,
    XOR that of as many zero bytes from 0xFFFF. From 0, zeros in front of a row change nothing,
    so rows of any lengths go together. The remainder is of the row times x^16: of the row and
    two zero bytes behind it.
    """
    shortest, longest = int(length.min(initial=ROW_LIMIT)), int(length.max(initial=0))
    words = words[: max(2, (longest + 9) // 8)]
    words[0] &= ~_U(0) >> _U(16)
    for i in range((shortest + 2) // 8, len(words)):
        words[i] &= KEEP_LAST.take(np.clip(length + (2 - 8 * i), 0, 8))
    rest = _remainder([*words])
    rest ^= _START.take(length)
    return rest


def _remainder(words: list[Array]) -> Array:
    """Remainder by P; ``words`` has the last eight bytes first, and is used up."""
    while len(words) > 4:  # x^256 = x^192 + x^80 + 1
        first = words.pop()
        words[-1] ^= first
        words[-2] ^= first << _U(48)  # the two bytes of the third that go beyond its word
        words[-3] ^= first >> _U(16)
        words[-4] ^= first
    while len(words) > 2:  # x^128 = x^96 + x^40 + 1
        first = words.pop()
        first ^= first << _U(32)  # its own front half at x^96 comes back into it
        words[-1] ^= (first >> _U(32)) ^ (first << _U(24))
        words[-2] ^= (first >> _U(40)) ^ first
    low, high = (word.byteswap() for word in words)
    low ^= _fold(high, 64, 48, 20)
    low = (low & _U(0xFFFFFFFF)) ^ _fold(low >> _U(32), 32, 24, 10)
    return (low & _U(0xFFFF)) ^ _fold(low >> _U(16), 16, 12, 5)


def _fold(high: Array, size: int, upper: int, lower: int) -> Array:
    """Give ``high`` times x^size, where x^size = x^upper + x^lower + 1; ``high`` is below x^size."""
    first = size - upper
    high = high ^ (high >> _U(first)) ^ (high >> _U(size - lower))
    high ^= high >> _U(2 * first)
    high = high ^ (high << _U(upper)) ^ (high << _U(lower))
    high &= ~_U(0) >> _U(64 - size)
    return high


MISSING = np.iinfo(np.int64).min
"""Stands for an empty field."""
_FIXED_FIELDS = 4  # seq, t_us, throttle_us and flags stand before the counts
_FLAGS = 4  # their place, host_us being 0
_HOST = re.compile(rb"(0|[1-9]\d{0,14}),")
_FEED, _RETURN, _COMMA, _MINUS, _HASH = b"\n\r,-#"
_CHECK = 5  # bytes from the last comma on
_LONGEST = ROW_LIMIT + 16  # with host_us
_HEX_VALUE = np.full(256, -1, dtype=np.int64)
for _digits in (b"0123456789abcdef", b"0123456789ABCDEF"):
    _HEX_VALUE[np.frombuffer(_digits, np.uint8)] = np.arange(16)
_HEX_TEXT = np.array([int.from_bytes(b"%02x" % value, "little") for value in range(256)], dtype=np.uint32)
# by the number of digits: the least value that is written with so many; none is with more than 15
_LEAST = np.array([0, 0, *(10 ** (width - 1) for width in range(2, 16)), 2**62])


@dataclass(frozen=True, slots=True, eq=False)
class RowBlock:
    """What a block holds: m good rows of N pressure columns, and other lines."""

    fields: Ints
    others: tuple[tuple[int, bytes], ...]


def parse_log_row(line: bytes, columns: int | None, stamped: bool) -> tuple[int, Row] | None:
    """Read one row of a log by the reference grammar."""
    host_us = -1
    if stamped:
        match = _HOST.match(line)
        if match is None:
            return None
        host_us, line = int(match[1]), line[match.end() :]
    row = parse_line(line, columns)
    return (host_us, row) if isinstance(row, Row) else None


def parse_block(block: bytes, columns: int, stamped: bool) -> RowBlock:
    """Parse and check many lines that may be rows."""
    starts, ends, closed = _line_ends(block)
    fields, line = np.empty((1 + _FIXED_FIELDS + columns, 0), dtype=np.int64), np.arange(0)
    cut = _cut(block, starts, closed, columns + _FIXED_FIELDS + stamped) if columns else None
    if cut is not None:
        fields, good = _fields(cut, stamped, _MINUS in block)
        fields, line = (fields, cut.line) if good.all() else (fields[:, good], cut.line[good])
    return _with_unsure(block, starts, ends, columns, stamped, fields.T, line)


def _line_ends(block: bytes) -> tuple[Ints, Ints, Ints]:
    """Find where each line begins, where its line feed stands, and where its text ends."""
    data = np.frombuffer(block, np.uint8)
    ends = np.flatnonzero(data == _FEED)
    starts = np.concatenate([np.zeros(min(1, len(ends)), dtype=np.int64), ends[:-1] + 1])
    if _RETURN not in block:
        return starts, ends, ends
    return starts, ends, ends - ((data.take(ends - 1) == _RETURN) & (ends > starts))


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


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """Lines cut at their commas: field i of each lies between the edges i and i + 1."""

    line: Ints
    grid: LineGrid
    edges: Places
    digits: NDArray[np.uint32]


def _cut(block: bytes, starts: Ints, closed: Ints, commas: int) -> _Cut | None:
    """Find the lines with the right number of commas that may be rows, and where their fields are."""
    length = closed - starts
    may_be = (length > commas + _CHECK) & (length <= _LONGEST)
    may_be &= np.frombuffer(block, np.uint8).take(starts) != _HASH
    line = np.flatnonzero(may_be)
    while len(line):
        grid = LineGrid(block, closed[line] - 3, length[line] - 3)
        marks, count = grid.marks(_COMMA)
        fits = count[-1] == commas
        if fits.all():
            edges = np.empty((1 + commas, len(line)), np.int16)
            edges[0] = grid.length + 1
            marked_places(marks, count, edges[:0:-1])
            four = np.ndarray((len(block) - 3,), "<u4", block, strides=(1,))
            return _Cut(line, grid, edges, four[closed[line] - 4])
        line = line[fits]
    return None


def _fields(cut: _Cut, stamped: bool, signed: bool) -> tuple[Ints, NDArray[np.bool_]]:
    """Read the fields before each comma, one a row; and which lines are rows."""
    grid, edges = cut.grid, cut.edges
    first = int(not stamped)
    fields = np.empty((first + len(edges) - 1, edges.shape[1]), dtype=np.int64)
    fields[:first] = -1
    good = edges[-1] == 2
    # field by field, as what is made of one stays in a core's own cache
    for i in range(first, len(fields)):
        end = edges[i - first + 1]
        width = edges[i - first] - end
        width -= 1
        if i == _FLAGS:
            fields[i], sound = _hexadecimal(grid, end, width)
        else:
            fields[i], sound = _decimal(grid, end, width, signed and i > _FLAGS)
        good &= sound
    host_us, seq, t_us, throttle_us = fields[:_FLAGS]
    good &= host_us >= -first
    good &= (seq >= 0) & (seq < 1 << 16) & (t_us >= 0) & (t_us < TICK_LIMIT)
    good &= (throttle_us < 10**6) & ((throttle_us >= 0) | (throttle_us == MISSING))
    checked = edges[1 - first] - 3
    good &= checked <= ROW_LIMIT - 5
    check = row_checks(grid.words, np.minimum(checked, ROW_LIMIT))
    upper, lower = _HEX_TEXT.take(check >> _U(8)), _HEX_TEXT.take(check & _U(0xFF))
    good &= cut.digits == upper | (lower << np.uint32(16))
    return fields, good


def _decimal(grid: LineGrid, end: Places, width: Places, signed: bool) -> tuple[Ints, NDArray[np.bool_]]:
    """Read canonical integers of up to 15 digits, and whether each is one. An empty one is ``MISSING``."""
    negative = None
    if signed:
        negative = grid.before(end + np.maximum(width, 1) - 1) >> _U(56) == _MINUS
        negative &= width > 0
        width = width - negative
    least, most = int(width.min()), int(width.max())
    if most > 15:
        width = np.minimum(width, 16)
    width = (width[:1] if least == most else width).astype(np.intp)  # one number where all are the same
    value, sound = _eight_digits(grid, end, width)
    if most > 8:
        upper, upper_sound = _eight_digits(grid, end + 8, np.maximum(width - 8, 0))
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


def _eight_digits(grid: LineGrid, end: Places, width: Places) -> tuple[Ints, NDArray[np.bool_]]:
    """Read the up to eight digits before each place; and whether they are digits."""
    word = grid.before(end)
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


def _hexadecimal(grid: LineGrid, end: Places, width: Places) -> tuple[Ints, NDArray[np.bool_]]:
    """Read 1 to 8 hex digits, and whether there are such."""
    sound = (width >= 1) & (width <= 8)
    word, value = grid.before(end), np.zeros(len(end), dtype=np.int64)
    for place in range(min(8, int(width.max()))):
        digit = _HEX_VALUE.take((word >> _U(56 - 8 * place)) & _U(0xFF))
        here = width > place
        sound &= (digit >= 0) | ~here
        value |= np.where(here, digit << (4 * place), 0)
    return value, sound

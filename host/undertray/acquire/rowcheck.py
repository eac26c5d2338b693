"""The check of many rows at once, without a loop over their bytes.

A check is the remainder of a row, read as a polynomial over GF(2), by P = x^16 + x^12 + x^5 + 1. Squaring
over GF(2) squares each term, so P^16 = x^256 + x^192 + x^80 + 1: modulo P, x^256 may be replaced by
x^192 + x^80 + 1. Rows are taken as words of eight bytes, the first word of every row folded into those
behind it until two are left, then the same with halves: a handful of shifts a word, for all rows together.
"""

from __future__ import annotations

from binascii import crc_hqx
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.linegrid import KEEP_LAST
from undertray.acquire.wire import ROW_LIMIT

__all__ = ["row_checks"]

Array = NDArray[np.uint64]
Ints = NDArray[np.integer[Any]]

_U = np.uint64
_START = np.array([crc_hqx(bytes(length), 0xFFFF) for length in range(ROW_LIMIT + 1)], dtype=_U)


def row_checks(words: Array, length: Ints) -> Array:
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
    """Remainder by P; ``words`` has the last eight bytes first, and is used up.

    A byte further to the front is eight powers higher, and eight places lower in the word: the shifts
    by whole bytes go the other way round.
    """
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
    """Give ``high`` times x^size, where x^size = x^upper + x^lower + 1; ``high`` is below x^size.

    What goes beyond x^size is high shifted down by size - upper and size - lower, and folds again, and so on:
    the sum of a geometric series in that pair of shifts u, which is (1 + u)(1 + u^2) because u^4 leaves
    nothing, and nor does the lesser half of u^2.
    """
    first = size - upper
    high = high ^ (high >> _U(first)) ^ (high >> _U(size - lower))
    high ^= high >> _U(2 * first)
    high = high ^ (high << _U(upper)) ^ (high << _U(lower))
    high &= ~_U(0) >> _U(64 - size)
    return high

"""Lines of a text put one under another, their ends in line, and read by words of eight bytes.

What is done to a line is done to all of them with one instruction of numpy a step. A place in a line is
told by how many bytes stand from there to the line's end, itself included: the last byte is at place 1.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["KEEP_LAST", "LineGrid", "marked_places"]

Array = NDArray[np.uint64]
Ints = NDArray[np.int64]
Places = NDArray[np.int16]

_U = np.uint64
_BITS = 64
KEEP_LAST = np.array([2**64 - 2 ** max(0, 64 - 8 * width) for width in range(17)], dtype=_U)
"""By a number of bytes, 0 to 16: what keeps so many at the end of a word, and clears those before."""
_KEEP_BITS = np.array([2**bits - 1 for bits in range(_BITS + 1)], dtype=_U)


class LineGrid:
    """Lines of a text, one under another.

    Parameters
    ----------
    text : bytes
        The text.
    ends : ndarray of int64, shape (m,)
        Where in it each line ends: the place behind its last byte.
    length : ndarray of int64, shape (m,)
        Bytes in each: at most some hundred, as every line is given the room of the longest.

    Attributes
    ----------
    length : ndarray of int64, shape (m,)
        As given.
    words : ndarray of uint64, shape (k, m)
        The last eight bytes of every line, then those before, and so on to two words before the longest
        line. The first byte is in the lowest place. What stands before a line in the text goes along.
    """

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
        """Mark where a byte stands.

        Parameters
        ----------
        byte : int
            The byte.

        Returns
        -------
        marks : ndarray of uint64, shape (k, m)
            A bit for every byte of a line, set where it is the one: the lowest bit of the first word is for
            the last byte.
        count : ndarray of int16, shape (k, m)
            How many are set up to the end of each word: in the last row, all of them.
        """
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
        """Read eight bytes of every line.

        Parameters
        ----------
        place : ndarray of int16, shape (m,)
            The place behind them: from 0, the end of the line, to 8 beyond its begin.

        Returns
        -------
        ndarray of uint64, shape (m,)
        """
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
    """List the places that are marked in every line.

    Parameters
    ----------
    marks : ndarray of uint64, shape (k, m)
        From :meth:`LineGrid.marks`: n of them in every line.
    count : ndarray of int16, shape (k, m)
        From there, too.
    places : ndarray of int16, shape (n, m)
        Where to put them: those of the last in each line first.
    """
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

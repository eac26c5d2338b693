"""Blocks as they are judged: their mean suction, and which of them are worth a look."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Frame", "Shown", "View"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


class Frame(NamedTuple):
    """A frame of blocks in a few numbers.

    Attributes
    ----------
    middle_pa, highest_pa : float
        Median and highest of the mean suction of its blocks, Pa.
    range_us : float
        Range of the speed of the fastest fan, which is that of the throttle, µs.
    """

    middle_pa: float
    highest_pa: float
    range_us: float

    @classmethod
    def each(cls, mean_pa: Array, fastest_us: Array) -> list[Frame]:
        """Sum up many frames at once.

        Parameters
        ----------
        mean_pa, fastest_us : ndarray, shape (frames, blocks)
            Mean suction in Pa, and speed of the fastest fan in µs.

        Returns
        -------
        list of Frame
        """
        ordered = np.sort(mean_pa, axis=1)
        half, one_less = mean_pa.shape[1] // 2, (mean_pa.shape[1] - 1) // 2
        middle_pa = (ordered[:, half] + ordered[:, one_less]) / 2
        range_us = fastest_us.max(axis=1) - fastest_us.min(axis=1)
        return list(map(cls, middle_pa.tolist(), ordered[:, -1].tolist(), range_us.tolist()))


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """Falls that show, whatever explains them; sorted by block, the longer look first.

    Attributes
    ----------
    block, first : ndarray of int, shape (k,)
        The block, and the first one of what it is compared with.
    before, limit, value : ndarray, shape (k,)
        Mean suction there, the share of it below which a fall shows, and mean suction here, Pa.
    sudden : ndarray of bool, shape (k,)
        Whether it is the shorter of the two looks.
    tap_pa : ndarray, shape (k,)
        What a single tap that reads next to nothing here read before, Pa; 0 where there is none.
    """

    block: Ints
    first: Ints
    before: Array
    limit: Array
    value: Array
    sudden: Bools
    tap_pa: Array

    def pick(self, which: slice | Ints | Bools) -> Shown:
        """Some of them.

        Parameters
        ----------
        which : slice, ndarray of int or ndarray of bool
            Which.

        Returns
        -------
        Shown
        """
        return Shown(
            self.block[which],
            self.first[which],
            self.before[which],
            self.limit[which],
            self.value[which],
            self.sudden[which],
            self.tap_pa[which],
        )

    def by_block(self, which: Ints | Bools) -> dict[int, int]:
        """The blocks, each with the first one of what it is compared with; the last if there are two.

        Parameters
        ----------
        which : ndarray of int or ndarray of bool
            Of which.

        Returns
        -------
        dict of int to int
        """
        return dict(zip(self.block[which].tolist(), self.first[which].tolist(), strict=True))


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """Blocks that follow each other, as seen with the taps that are good at present.

    Attributes
    ----------
    start : int
        First block that may be compared with, held or not.
    lo : int
        Number of the first block held in the arrays.
    weights : ndarray, shape (taps,)
        Weights of the taps in the mean, 0 for a faulty one, their sum 1.
    mean, now : ndarray, shape (k,)
        Mean suction of each block, and of it and the one before, Pa.
    reference : ndarray, shape (k + 1 - length of the reference,)
        Mean suction over a reference that begins with each block, Pa.
    shown : Shown
        Where a fall shows.
    worth : list of int
        The blocks of these.
    showing : frozenset of int
        The frames of these, by number.
    frames : dict of int to Frame
        Whole frames, by the block after their last.
    """

    start: int
    lo: int
    weights: Array
    mean: Array
    now: Array
    reference: Array
    shown: Shown
    worth: list[int]
    showing: frozenset[int]
    frames: dict[int, Frame]

    def of(self, k0: int, k1: int) -> Array:
        """Mean suction of some blocks.

        Parameters
        ----------
        k0, k1 : int
            First block, and the block after the last.

        Returns
        -------
        ndarray, shape (k1 - k0,)
            Pa.
        """
        return self.mean[k0 - self.lo : k1 - self.lo]

    def worth_a_look(self, k0: int, k1: int) -> slice:
        """Which falls show in some blocks.

        Parameters
        ----------
        k0, k1 : int
            First block, and the block after the last.

        Returns
        -------
        slice
            Of :attr:`shown`.
        """
        begin = bisect_left(self.worth, k0)
        return slice(begin, bisect_left(self.worth, k1, begin))

"""Blocks as they are judged: their mean suction, and which of them are worth a look."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["View"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """Blocks that follow each other, as seen with the taps that are good at present.

    Attributes
    ----------
    lo : int
        Number of the first block held in the arrays.
    weights : ndarray, shape (taps,)
        Weights of the taps in the mean, 0 for a faulty one, their sum 1.
    mean, now, four : ndarray, shape (k,)
        Mean suction of each block, of it and the one before, of it and the three before, Pa.
    reference : ndarray, shape (k + 1 - length of the reference,)
        Mean suction over a reference that begins with each block, Pa.
    worth : list of int
        Blocks worth a look: a fall shows, whatever explains it.
    gone : list of int
        Those in which one tap may have gone.
    """

    lo: int
    weights: Array
    mean: Array
    now: Array
    four: Array
    reference: Array
    worth: list[int]
    gone: list[int]

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

    def worth_a_look(self, k0: int, k1: int) -> list[int]:
        """Which of some blocks are worth a look.

        Parameters
        ----------
        k0, k1 : int
            First block, and the block after the last.

        Returns
        -------
        list of int
        """
        return self.worth[bisect_left(self.worth, k0) : bisect_left(self.worth, k1)]

"""A stretch of a run, as a law is fitted to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.detect.pending import BACK_S, LEFT

__all__ = ["LOADED", "Stretch"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

LOADED = 0.05
"""Share of the highest suction below which nothing is referred to a law."""


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """Blocks that follow each other, as a law is fitted to them.

    Attributes
    ----------
    lo : int
        Number of the first block.
    block_s : float
        Length of a block, s.
    t_s, mean_pa, throttle_us : ndarray, shape (k,)
        Time in s, mean suction in Pa, pulse in µs.
    restart, use : ndarray of bool, shape (k,)
        Blocks before which rows are missing; blocks that may be judged.
    weights : ndarray, shape (taps,)
        Weights of the taps in the mean.
    """

    lo: int
    block_s: float
    t_s: Array
    mean_pa: Array
    throttle_us: Array
    restart: Bools
    use: Bools
    weights: Array

    def back_s(self, expected_pa: Array, over: int, level: float, drop: float) -> float | None:
        """When the suction was back after a fall.

        Parameters
        ----------
        expected_pa : ndarray, shape (k,)
            What a law expects on one seal, Pa.
        over : int
            Block in which the fall was complete.
        level, drop : float
            Suction over expectation before, and the share of it that went.

        Returns
        -------
        float or None
            s; None while it was not.
        """
        mean, expected = self.mean_pa[over:], expected_pa[over:]
        # by suction that hardly is, nothing shows
        is_back = (expected > LOADED * expected_pa.max()) & (mean > level * (1 - LEFT * drop) * expected)
        need = max(2, round(BACK_S / self.block_s))
        back = np.concatenate([[0], np.cumsum(is_back)])
        if len(mean) < need:
            return None
        ends = np.flatnonzero(back[need:] - back[:-need] == need)
        return float(self.t_s[over + int(ends[0])]) if ends.size else None

"""The watch for the end of an event."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Pending"]

Array = NDArray[np.float64]

_LEFT = 0.3  # suction is back when less than this share of the fall is left


@dataclass(slots=True)
class Pending:
    """An event whose end is looked for.

    Attributes
    ----------
    event : int
        Its place in the ledger.
    since : int
        First block in which the end may lie.
    level_pa, low_pa : float
        Suction before and after the fall.
    speed : ndarray, shape (lags,), or None
        Fan speeds before, where the throttle has to be taken into account.
    tap : int or None
        The faulty tap.
    streak : int
        Blocks in a row in which the suction was back.
    """

    event: int
    since: int
    level_pa: float
    low_pa: float
    speed: Array | None
    tap: int | None = None
    streak: int = 0

    def back_pa(self, ratio: Array | float, floor_pa: float) -> Array:
        """Suction from which on it is back.

        Parameters
        ----------
        ratio : ndarray, shape (k,), or float
            What the throttle asks for, over what it asked for before; 1 where it does not count.
        floor_pa : float
            Suction below which nothing is judged, Pa.

        Returns
        -------
        ndarray, shape (k,) or ()
            Pa; infinite where there is too little to judge.
        """
        lost, level = 1.0 - self.low_pa / self.level_pa, self.level_pa * ratio
        return np.where(level > max(0.25 * self.level_pa, floor_pa), level * (1 - _LEFT * lost), np.inf)

    def back_for(
        self, reading_pa: Array, expected_ratio: Array | None, need: int, floor_pa: float
    ) -> int | None:
        """Look for the end in the next blocks.

        Parameters
        ----------
        reading_pa : ndarray, shape (k,)
            Mean suction, or that of the faulty tap, Pa.
        expected_ratio : ndarray, shape (k,), or None
            What the throttle asks for, over what it asked for before.
        need : int
            Blocks in a row that make an end.
        floor_pa : float
            Suction below which nothing is judged, Pa.

        Returns
        -------
        int or None
            Number of the block, counted from the first of these, from which on the suction was
            back; may be negative.
        """
        back = reading_pa >= self.back_pa(1.0 if expected_ratio is None else expected_ratio, floor_pa)
        if not back.any():
            self.streak = 0
            return None
        for i, is_back in enumerate(back.tolist()):
            self.streak = self.streak + 1 if is_back else 0
            if self.streak >= need:
                return i + 1 - need
        return None

"""The watch for the end of an event."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.middle import middles

__all__ = ["BACK_S", "LEAST_RATIO", "LEFT", "Pending"]

Array = NDArray[np.float64]

_PART = 16  # blocks that tell how far a leak is open
_GROWN = 0.01  # by less than this a frame, a pack that sags does as much
_AT_ONCE = 0.15  # and by more it is another fall
LEAST_RATIO = 0.3
"""Below this the throttle leaves too little to refer a reading to the level before."""
LEFT, BACK_S = 0.3, 0.15
"""Suction is back when less than this share of the fall is left, for this long."""


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
    opens : bool
        A slow leak that may not have come to its end.
    """

    event: int
    since: int
    level_pa: float
    low_pa: float
    speed: Array | None
    tap: int | None = None
    streak: int = 0
    opens: bool = False

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
        return np.where(level > max(0.25 * self.level_pa, floor_pa), level * (1 - LEFT * lost), np.inf)

    def lower(self, reading_pa: Array, expected_ratio: Array) -> tuple[float, int] | None:
        """Look whether a slow leak has opened further in a frame; the first in which it has not is the last.

        Parameters
        ----------
        reading_pa : ndarray, shape (k,)
            Mean suction of each block, Pa.
        expected_ratio : ndarray, shape (k,)
            What the throttle asks for, over what it asked for before.

        Returns
        -------
        tuple of float and int, or None
            Suction at the end of the frame, referred to the throttle before, Pa; and how many of the
            blocks passed until it was as low.
        """
        parts = len(reading_pa) // _PART
        skip = len(reading_pa) - parts * _PART
        if parts < 2 or expected_ratio[skip:].min() < LEAST_RATIO:
            return None
        course = middles((reading_pa[skip:] / expected_ratio[skip:]).reshape(parts, _PART))
        now_pa = float(course[-1])
        grown = (self.low_pa - now_pa) / self.level_pa
        self.opens = grown > _GROWN
        if not _GROWN < grown < _AT_ONCE:
            return None
        return now_pa, skip + _PART * int(np.argmax(course <= now_pa + 0.1 * (self.low_pa - now_pa)))

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

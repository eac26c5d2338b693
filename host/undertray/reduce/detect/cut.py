"""A fall that the throttle explains, followed until it has run out."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from undertray.reduce.detect.screen import Screen
from undertray.reduce.detect.view import View
from undertray.reduce.middle import middle

__all__ = ["Cut", "suspect_cut"]


@dataclass(slots=True)
class Cut:
    """A fall that the throttle explains, until it has run out.

    Attributes
    ----------
    ref0, begun : int
        First block that "before" is read from; block in which the fall shows first.
    level_pa : float
        Mean suction before.
    block_s : float
        Length of a block, s.
    """

    ref0: int
    begun: int
    level_pa: float
    block_s: float
    lowest: list[float] = field(default_factory=list)
    floor_pa: float = np.inf

    def over_in(self, now_pa: list[float]) -> int | None:
        """Take in some blocks.

        Parameters
        ----------
        now_pa : list of float
            Mean suction of each, Pa.

        Returns
        -------
        int or None
            Index of the one in which the suction has come to its new level, or 5 s have passed; those
            behind it are not taken in.
        """
        look, longest = max(2, round(0.2 / self.block_s)), 5.0 / self.block_s
        for i, value in enumerate(now_pa):
            self.lowest.append(value)
            taken = len(self.lowest)
            if taken >= longest:
                return i
            if taken > look:
                self.floor_pa = min(self.floor_pa, self.lowest[-look - 1])
                still_pa = self.floor_pa - 0.02 * self.level_pa
                if value >= still_pa and min(self.lowest[-look:]) >= still_pa:
                    return i
        return None


def suspect_cut(view: View, k: int, screen: Screen, block_s: float) -> Cut:
    """Trace a fall that the throttle explains back to its begin.

    Parameters
    ----------
    view : View
        What the screen saw.
    k : int
        Block in which it saw the fall.
    screen : Screen
        The screen.
    block_s : float
        Length of a block, s.

    Returns
    -------
    Cut
    """
    first = k + 1 - screen.fast_back
    level = middle(view.of(first, first + screen.reference))
    (above,) = (view.of(first, k + 1) >= 0.95 * level).nonzero()
    begun = min(k, first + (int(above[-1]) + 1 if above.size else 0))
    return Cut(first, begun, level, block_s)

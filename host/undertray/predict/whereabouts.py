"""Where a car was in its drivable window while it drove."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from undertray.reduce.steady import BLOCK_S, REST_US

if TYPE_CHECKING:
    from undertray.predict.drivable import Window
    from undertray.reduce.run import Reduction

__all__ = ["LOCKED_S", "Whereabouts", "whereabouts"]

LOCKED_S = 0.5
"""How long it has to be above the window for sure before it is called locked, s."""
_UP = 0.3  # of the greatest suction: fans up, where no throttle was logged


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """Times of a run with the fans up, s."""

    run: str
    below_s: float
    inside_s: float
    unsure_s: float
    above_s: float
    highest_pa: float | None
    locked: bool | None


def whereabouts(reduction: Reduction, window: Window) -> Whereabouts:
    """Find out where a run was in the window of its surface.

    Parameters
    ----------
    reduction : Reduction
        The run.
    window : Window
        At the angle it was driven at.

    Returns
    -------
    Whereabouts

    Notes
    -----
    By blocks of a tenth of a second with the throttle above 1100 µs; where none was logged, with at least 30
    % of the greatest suction. A log does not tell when the car was asked to drive: "locked" says where it
    could not have.
    """
    blocks = reduction.blocks
    known = np.isfinite(blocks.suction_pa)
    pa = np.where(known, blocks.suction_pa, 0.0)
    if np.isfinite(blocks.throttle_us).any():
        up = known & (np.nan_to_num(blocks.throttle_us) > REST_US)
    else:
        up = known & (pa >= _UP * pa.max(initial=0.0)) & (pa > 0)
    lower = max((end.at_pa or 0.0 for end in (window.falls, window.grips) if end is not None), default=0.0)
    locks = window.locks
    if locks is None:
        sure, maybe = np.zeros(len(pa), bool), np.zeros(len(pa), bool)
    else:
        first = locks.low_pa if locks.low_pa is not None else locks.at_pa
        maybe = pa > (np.inf if first is None else first)
        sure = pa > (np.inf if locks.high_pa is None else locks.high_pa)
    above_s = BLOCK_S * float((up & sure).sum())
    ends_known = locks is not None and (locks.at_pa is None or locks.low_pa is not None)
    return Whereabouts(
        run=reduction.run,
        below_s=BLOCK_S * float((up & (pa < lower)).sum()),
        inside_s=BLOCK_S * float((up & (pa >= lower) & ~maybe).sum()),
        unsure_s=BLOCK_S * float((up & (pa >= lower) & maybe & ~sure).sum()),
        above_s=above_s,
        highest_pa=float(pa[up].max()) if up.any() else None,
        locked=above_s >= LOCKED_S if ends_known else None,
    )

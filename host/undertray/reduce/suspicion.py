"""One suspected fall from the first sign to the verdict."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.losses import LossParameters

__all__ = ["Suspicion", "Verdict"]

Array = NDArray[np.float64]

_BACK = 0.5  # a fall that has come back by more than this share is over
_STANDS = 0.6  # ... and stands while it is still this deep
_LOST_SIGHT = 0.6  # throttle closed this far: what the leak does can no longer be told apart
_LONGEST_S = 12.0


class Verdict:
    """What a block says of a suspicion."""

    WAIT = 0
    DROPPED = 1
    ALARM = 2
    ACCEPTED = 3
    SETTLED = 4


@dataclass(slots=True)
class Suspicion:
    """A fall under suspicion, judged block by block.

    Attributes
    ----------
    ref0, ref1 : int
        Blocks that "before" is read from: first, and after the last.
    begun : int
        Block in which the fall shows first.
    level_pa : float
        Mean suction before.
    noise_pa : float
        Standard deviation of a mean over the reference's length.
    block_s : float
        Length of a block, s.
    speed : ndarray, shape (lags,)
        Fan speeds before.
    """

    ref0: int
    ref1: int
    begun: int
    level_pa: float
    noise_pa: float
    block_s: float
    speed: Array
    deepest: float = 0.0
    alarmed: bool = False
    accepted: bool = False
    faulty: tuple[int, ...] = ()
    depth: list[float] = field(default_factory=list)
    accepted_at: int = 0

    def judge(self, k: int, now_pa: float, explained: float, p: LossParameters) -> int:
        """Take in one block.

        Parameters
        ----------
        k : int
            Its number.
        now_pa : float
            Mean suction of it and the one before, Pa.
        explained : float
            Lowest share of the level that the throttle explains.
        p : LossParameters
            Thresholds.

        Returns
        -------
        int
            One of the :class:`Verdict` values.
        """
        asked = self.level_pa * explained
        missing = 1.0 - now_pa / asked if asked > 1e-9 else 0.0
        self.depth.append(missing)
        self.deepest = max(self.deepest, missing)
        if self.accepted:
            return self._settled(k, missing, explained)
        elapsed = (k + 1 - self.begun) * self.block_s
        if missing < _BACK * self.deepest or missing < p.screen_drop / 2 or elapsed > 2.0:
            return Verdict.DROPPED
        recent = self.depth[-max(1, round(0.1 / self.block_s)) :]
        plateau = sum(recent) / len(recent)
        clear = missing >= p.min_drop and missing * asked > p.noise_factor * self.noise_pa
        if (
            elapsed >= p.bump_s - 1e-9
            and clear
            and plateau >= p.min_drop
            and missing >= _STANDS * self.deepest
        ):
            self.accepted, self.accepted_at = True, k
            return Verdict.ACCEPTED
        if not self.alarmed and elapsed >= p.alarm_s - 1e-9 and clear and missing >= _STANDS * self.deepest:
            self.alarmed = True
            return Verdict.ALARM
        return Verdict.WAIT

    def _settled(self, k: int, missing: float, explained: float) -> int:
        look = max(1, round(0.3 / self.block_s))
        waited = (k - self.accepted_at) * self.block_s
        if explained < _LOST_SIGHT or missing < _BACK * self.deepest or waited > _LONGEST_S:
            return Verdict.SETTLED
        if waited < 0.15 or len(self.depth) <= look:
            return Verdict.WAIT
        deeper = max(self.depth[-look:]) - max(self.depth[:-look])
        return Verdict.WAIT if deeper > 0.03 else Verdict.SETTLED

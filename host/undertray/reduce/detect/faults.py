"""Taps that cannot be believed: stuck, missing or out of range while the others are not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["TapFault", "TapWatch"]

Bools = NDArray[np.bool_]

_HABIT = 0.3  # a tap that often repeats itself in good health is not stuck when it does


@dataclass(frozen=True, slots=True)
class TapFault:
    """A run of bad blocks of one tap.

    Attributes
    ----------
    tap : int
        Which.
    why : str
        ``missing``, ``beyond`` (out of range) or ``frozen`` (stuck).
    start : int
        Number of its first block.
    end : int or None
        Number of the block after its last; None while it lasts.
    """

    tap: int
    why: str
    start: int
    end: int | None


class TapWatch:
    """Follows runs of bad blocks, frame by frame.

    Parameters
    ----------
    taps : int
        Number of taps.
    frozen_blocks, lost_blocks : int
        Blocks in a row before a tap counts as stuck; as missing or out of range.

    Notes
    -----
    A fault is one tap's while others are well. Where all of several taps are missing at once (a bus or a
    power line, not a sensor) nothing is told of any of them: that no tap could be read is in the time
    that the summary gives as missing for each.
    """

    def __init__(self, taps: int, frozen_blocks: int, lost_blocks: int) -> None:
        self._need = {"missing": lost_blocks, "beyond": lost_blocks, "frozen": frozen_blocks}
        self._run = {why: np.zeros(taps, np.int64) for why in self._need}
        self._told = {why: np.zeros(taps, bool) for why in self._need}
        self._habit, self._repeated = np.zeros(taps), False
        self._frames = 0
        self.running = False
        """Is a run of bad blocks going on?"""

    def pass_over(self) -> int:
        """Take in a frame in which nothing was flagged.

        Returns
        -------
        int
            How many frames there were before.
        """
        if self._repeated:
            n = min(self._frames, 20)
            self._habit = self._habit * (n / (n + 1))
        self._frames += 1
        return self._frames - 1

    def scan(self, k0: int, flags: dict[str, Bools], alive: Bools) -> list[TapFault]:
        """Take in the next blocks.

        Parameters
        ----------
        k0 : int
            Number of the first.
        flags : dict of str to ndarray of bool, shape (k, taps)
            For each reason, which blocks are bad.
        alive : ndarray of bool, shape (k,)
            Blocks in which the fans run: a resting sensor may well repeat itself.

        Returns
        -------
        list of TapFault
            Faults that were recognised (end None), and faults told before that ended.
        """
        found: list[TapFault] = []
        for why, flag in flags.items():
            if not flag.any() and not self._run[why].any():
                continue
            for tap in range(flag.shape[1]):
                found += self._runs(why, tap, k0, flag, alive)
        self.running = any(bool(run.any()) for run in self._run.values())
        frozen = flags["frozen"]
        self._habit = (self._habit * min(self._frames, 20) + frozen.mean(axis=0)) / (
            min(self._frames, 20) + 1
        )
        self._repeated = bool(self._habit.any())
        self._frames += 1
        return found

    def _runs(self, why: str, tap: int, k0: int, flag: Bools, alive: Bools) -> list[TapFault]:
        found: list[TapFault] = []
        column, n = flag[:, tap], len(flag)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], column, [False]]).astype(np.int8)))
        carried = int(self._run[why][tap])
        if carried and not column[0]:
            found += self._close(why, tap, k0 - carried, k0)
        self._run[why][tap] = 0
        for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            length = b - a + (carried if a == 0 else 0)
            start = k0 + b - length
            if (
                length >= self._need[why]
                and not self._told[why][tap]
                and self._alone(why, tap, a, b, flag, alive)
            ):
                self._told[why][tap] = True
                found.append(TapFault(tap, why, start, None))
            if b < n:
                found += self._close(why, tap, start, k0 + b)
            else:
                self._run[why][tap] = length
        return found

    def _close(self, why: str, tap: int, start: int, end: int) -> list[TapFault]:
        told = bool(self._told[why][tap])
        self._told[why][tap] = False
        return [TapFault(tap, why, start, end)] if told else []

    def _alone(self, why: str, tap: int, a: int, b: int, flag: Bools, alive: Bools) -> bool:
        """Is it this tap's trouble and not everybody's?"""
        others = np.delete(flag[a:b], tap, axis=1)
        if why == "missing":
            return not others.size or bool(others.mean(axis=0).min() < 0.5)
        if why == "frozen" and (self._frames < 1 or self._habit[tap] > _HABIT or not alive[a:b].mean() > 0.5):
            return False
        if not others.size:
            return why == "frozen" and bool(self._habit[tap] < 0.02) and self._frames >= 2
        return bool(np.median(others.mean(axis=0)) < 0.5)

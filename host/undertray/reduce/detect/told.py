"""The events told so far, and what is asked about them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from undertray.reduce.detect.onset import Fall
from undertray.reduce.loss import LOSS_KINDS, Loss

__all__ = ["MOST_OF_IT", "Told"]

_AFTER_FAULT_S = 0.3
_TOLD_WITHIN_S = 70.0  # no more is remembered of what was before
MOST_OF_IT = 0.6
"""A step that makes more than this of a slow leak is no slow leak."""


class Told:
    """Events in the order they were told.

    Parameters
    ----------
    names : sequence of str
        Names of the taps.
    """

    def __init__(self, names: Sequence[str]) -> None:
        self._names = tuple(names)
        self._events: list[Loss] = []
        self._faults: list[int] = []
        self._withdrawn: set[int] = set()

    @property
    def events(self) -> tuple[Loss, ...]:
        """All events, in order of onset."""
        standing = (e for i, e in enumerate(self._events) if i not in self._withdrawn)
        return tuple(sorted(standing, key=lambda e: (e.onset_s, e.kind)))

    def name(self, tap: int) -> str:
        """Name of a tap.

        Parameters
        ----------
        tap : int
            Which.

        Returns
        -------
        str
        """
        return self._names[tap]

    def near(self, onset_s: float, within_s: float) -> bool:
        """Was a leak told that began at about this time?

        Parameters
        ----------
        onset_s, within_s : float
            The time, and how near, s.

        Returns
        -------
        bool
        """
        return any(abs(e.onset_s - onset_s) < within_s for e in self._events[-8:] if e.kind in LOSS_KINDS)

    def losses(self, begin_s: float, end_s: float) -> list[Loss]:
        """Seal losses that began in a stretch.

        Parameters
        ----------
        begin_s, end_s : float
            The stretch, s.

        Returns
        -------
        list of Loss
        """
        found = []
        for i in range(len(self._events) - 1, -1, -1):
            event = self._events[i]
            if event.onset_s < begin_s - _TOLD_WITHIN_S:
                break
            if event.kind == "seal-loss" and begin_s <= event.onset_s < end_s and i not in self._withdrawn:
                found.append(event)
        return found

    def leaks(self, begin_s: float, end_s: float) -> bool:
        """Was any leak open in a stretch, or near it?

        Parameters
        ----------
        begin_s, end_s : float
            The stretch, s.

        Returns
        -------
        bool
        """
        return any(
            e.kind in LOSS_KINDS and e.onset_s < end_s and (e.end_s is None or e.end_s > begin_s)
            for e in self.events
        )

    def faulty(self, begin_s: float, end_s: float) -> set[int]:
        """Taps that had a fault at any time of a stretch.

        Parameters
        ----------
        begin_s, end_s : float
            The stretch, s.

        Returns
        -------
        set of int
        """
        return {
            self._names.index(name)
            for e in map(self._events.__getitem__, self._faults)
            if e.onset_s < end_s and (e.end_s is None or e.end_s + _AFTER_FAULT_S > begin_s)
            for name in e.order
        }

    def belongs(self, fall: Fall, least: float) -> bool:
        """Is a fall part of a leak that was told?

        Parameters
        ----------
        fall : Fall
            The fall.
        least : float
            Smallest drop of a second loss on an open seal.

        Returns
        -------
        bool
        """
        for e in self.events:
            if e.kind not in LOSS_KINDS or not e.drop:
                continue
            creeping = e.kind == "slow-leak" and e.onset_s - 0.5 < fall.onset_s < e.bottom_s + 0.5
            if creeping and fall.drop < MOST_OF_IT * e.drop:
                return True
            if e.onset_s < fall.onset_s < (np.inf if e.end_s is None else e.end_s) and fall.drop < least:
                return True
        return False

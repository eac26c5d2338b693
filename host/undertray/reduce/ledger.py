"""The events told so far, and the watch for their ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.losses import Loss, LossParameters
from undertray.reduce.onset import Fall

__all__ = ["Ledger", "Pending"]

Array = NDArray[np.float64]

_MOST_PENDING = 16
_GOES_ON_S = 5.0  # a leak that rested this long has come to its end
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
        level = np.full(len(reading_pa), self.level_pa)
        if expected_ratio is not None:
            level = level * expected_ratio
        lost = 1.0 - self.low_pa / self.level_pa
        back = (reading_pa >= level * (1 - _LEFT * lost)) & (level > max(0.25 * self.level_pa, floor_pa))
        for i, is_back in enumerate(back.tolist()):
            self.streak = self.streak + 1 if is_back else 0
            if self.streak >= need:
                return i + 1 - need
        return None


class Ledger:
    """Events in the order they were told.

    Parameters
    ----------
    names : sequence of str
        Names of the taps.
    """

    def __init__(self, names: Sequence[str]) -> None:
        self._names = tuple(names)
        self._events: list[Loss] = []
        self.pending: list[Pending] = []

    @property
    def events(self) -> tuple[Loss, ...]:
        """All events, in order of onset."""
        return tuple(sorted(self._events, key=lambda e: (e.onset_s, e.kind)))

    @property
    def leaking(self) -> bool:
        """Is a leak open?"""
        return any(self._events[p.event].kind in ("seal-loss", "slow-leak") for p in self.pending)

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
        leaks = (e for e in self._events[-8:] if e.kind in ("seal-loss", "slow-leak"))
        return any(abs(e.onset_s - onset_s) < within_s for e in leaks)

    def add(self, event: Loss, pending: Pending | None = None) -> int:
        """Put an event down.

        Parameters
        ----------
        event : Loss
            The event.
        pending : Pending or None
            The watch for its end; its place in the ledger is filled in here.

        Returns
        -------
        int
            Its place.
        """
        self._events.append(event)
        place = len(self._events) - 1
        if pending is not None:
            pending.event = place
            self.pending = [*self.pending, pending][-_MOST_PENDING:]
        return place

    def tell(
        self,
        kind: str,
        fall: Fall,
        throttle_us: float,
        confidence: float,
        pending: Pending | None = None,
    ) -> int:
        """Put a measured fall down.

        Parameters
        ----------
        kind : str
            Its kind.
        fall : Fall
            The fall.
        throttle_us : float
            Throttle at its onset, µs; NaN where unknown.
        confidence : float
            0 to 1.
        pending : Pending or None
            The watch for its end.

        Returns
        -------
        int
            Its place.
        """
        names = tuple(self._names[i] for i in fall.order)
        event = Loss(
            kind,
            onset_s=fall.onset_s,
            bottom_s=fall.bottom_s,
            first_tap=names[0] if names else None,
            order=names,
            from_pa=fall.from_pa,
            to_pa=fall.to_pa,
            drop=fall.drop,
            fall_s=fall.fall_s,
            throttle_us=throttle_us if np.isfinite(throttle_us) else None,
            confidence=round(confidence, 3),
        )
        return self.add(event, pending)

    def went_on(self, fall: Fall, p: LossParameters) -> bool:
        """Is a fall the going on of a leak that is still open? Then put it down as that.

        Parameters
        ----------
        fall : Fall
            The fall.
        p : LossParameters
            Thresholds.

        Returns
        -------
        bool
            False where no leak is open, or the fall is as sudden as a second loss.
        """
        for pending in reversed(self.pending):
            event = self._events[pending.event]
            if event.kind not in ("seal-loss", "slow-leak") or fall.fall_s <= p.second_s or not event.drop:
                continue
            if not event.onset_s < fall.onset_s < event.bottom_s + _GOES_ON_S:
                return False
            drop = 1 - (1 - event.drop) * (1 - fall.drop)
            long_s = 0.8 * (fall.bottom_s - event.onset_s)
            slow = event.kind == "slow-leak" or (event.drop < 0.6 * drop and long_s > p.sudden_s)
            pending.low_pa = pending.level_pa * (1 - drop)
            self._events[pending.event] = replace(
                event,
                kind="slow-leak" if slow else "seal-loss",
                bottom_s=fall.bottom_s if slow else event.bottom_s,
                fall_s=long_s if slow else event.fall_s,
                to_pa=pending.low_pa,
                drop=drop,
            )
            return True
        return False

    def end(self, place: int, end_s: float) -> None:
        """Put down when an event was over.

        Parameters
        ----------
        place : int
            Its place.
        end_s : float
            When, s; never before its bottom.
        """
        event = self._events[place]
        self._events[place] = replace(event, end_s=max(end_s, event.bottom_s))

    def also(self, place: int, tap: int) -> None:
        """Add a tap to an event.

        Parameters
        ----------
        place : int
            Its place.
        tap : int
            The tap.
        """
        event = self._events[place]
        self._events[place] = replace(event, order=(*event.order, self._names[tap]))

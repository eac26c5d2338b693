"""Events put down, continued and ended."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.detect.onset import Fall
from undertray.reduce.detect.pending import Pending
from undertray.reduce.detect.told import MOST_OF_IT, Told
from undertray.reduce.loss import LOSS_KINDS, Loss, LossParameters

__all__ = ["Ledger"]

Array = NDArray[np.float64]

_MOST_PENDING = 16
_GOES_ON_S = 5.0  # a leak that rested this long has come to its end


class Ledger(Told):
    """Puts events down, and watches for their ends.

    Parameters
    ----------
    names : sequence of str
        Names of the taps.
    """

    def __init__(self, names: Sequence[str]) -> None:
        super().__init__(names)
        self.pending: list[Pending] = []

    @property
    def leaking(self) -> bool:
        """Is a leak open?"""
        return bool(self.pending) and any(self._events[p.event].kind in LOSS_KINDS for p in self.pending)

    def revise(self, fall: Fall) -> None:
        """Take back slow leaks that were a sudden loss, seen through throttle work.

        Parameters
        ----------
        fall : Fall
            The loss.
        """
        for e in self.events:
            near = e.onset_s - 1.0 < fall.onset_s < e.bottom_s + 0.5
            if e.kind == "slow-leak" and e.drop and near and fall.drop > MOST_OF_IT * e.drop:
                self.withdraw(e)

    def withdraw(self, event: Loss) -> None:
        """Take an event back.

        Parameters
        ----------
        event : Loss
            The event.
        """
        place = next(i for i, e in enumerate(self._events) if e is event)
        self.pending = [p for p in self.pending if p.event != place]
        self._withdrawn.add(place)

    def add(self, event: Loss) -> int:
        """Put an event down.

        Parameters
        ----------
        event : Loss
            The event.

        Returns
        -------
        int
            Its place.
        """
        self._events.append(event)
        place = len(self._events) - 1
        if event.kind == "sensor-fault":
            self._faults.append(place)
        return place

    def tell(
        self,
        kind: str,
        fall: Fall,
        throttle_us: float,
        confidence: float,
        since: int | None,
        speed: Array | None = None,
        tap: int | None = None,
    ) -> int:
        """Put a measured fall down.

        Parameters
        ----------
        kind : str
            Its kind.
        fall : Fall
            The fall.
        throttle_us, confidence : float
            Throttle at its onset, µs, NaN where unknown; and how sure it is, 0 to 1.
        since : int or None
            First block in which its end may lie; None where that is not looked for.
        speed : ndarray, shape (lags,), or None
            Fan speeds before, where the end has to take the throttle into account.
        tap : int or None
            The faulty tap.

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
        place = self.add(event)
        if since is not None:
            slow = kind == "slow-leak" and speed is not None
            pending = Pending(place, since, fall.from_pa, fall.to_pa, speed, tap, opens=slow)
            self.pending = [*self.pending, pending][-_MOST_PENDING:]
        return place

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
            if event.kind not in LOSS_KINDS or fall.fall_s <= p.second_s or not event.drop:
                continue
            if not event.onset_s < fall.onset_s < event.bottom_s + _GOES_ON_S:
                return False
            drop = 1 - (1 - event.drop) * (1 - fall.drop)
            long_s = 0.8 * (fall.bottom_s - event.onset_s)
            slow = event.drop < 0.6 * drop and long_s > p.sudden_s and pending.speed is not None
            slow = slow or event.kind == "slow-leak"  # which needs a throttle that is known
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

    def deepen(self, pending: Pending, low_pa: float, bottom_s: float) -> None:
        """A slow leak that was told goes on opening.

        Parameters
        ----------
        pending : Pending
            The watch for its end.
        low_pa : float
            Suction by now, referred to the throttle before, Pa.
        bottom_s : float
            When that was, s.
        """
        event = self._events[pending.event]
        pending.low_pa, bottom_s = low_pa, max(event.bottom_s, bottom_s)
        self._events[pending.event] = replace(
            event,
            bottom_s=bottom_s,
            fall_s=0.8 * (bottom_s - event.onset_s),
            to_pa=low_pa,
            drop=1 - low_pa / pending.level_pa,
        )

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
        place, tap : int
            Its place, and the tap.
        """
        event = self._events[place]
        self._events[place] = replace(event, order=(*event.order, self._names[tap]))

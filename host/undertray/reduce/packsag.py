"""Falls that go with the pack's voltage: a pack at its end, and no leak."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from undertray.quantiles import middle
from undertray.reduce.loss import Loss, LossParameters

__all__ = ["without_pack_sag"]

Array = NDArray[np.float64]

_LONG_S = 5.0  # a pack does not fall off faster (common practice, no source)
_NEAR_S = 3.0  # how far from a time the voltage may have been measured
_LEAST_NOTES = 3  # that the voltage at a time is the median of: one wrong reading is none
_EMPTY = (
    0.7  # a pack at less of its voltage is a loose wire, or is being destroyed (common practice, no source)
)


def without_pack_sag(
    events: Sequence[Loss], pack_t_s: Array, pack_mv: Array, parameters: LossParameters | None = None
) -> tuple[tuple[Loss, ...], tuple[str, ...]]:
    """Take back slow leaks that the pack's voltage explains.

    Parameters
    ----------
    events : sequence of Loss
        Events of a run.
    pack_t_s, pack_mv : ndarray, shape (m,)
        When the voltage was measured, s, and what it was, mV; empty where it was not.
    parameters : LossParameters or None
        Thresholds of the detector; its defaults if None.

    Returns
    -------
    events : tuple of Loss
        Those that stand.
    notices : tuple of str
        What was taken back, and what could not be looked at.

    Notes
    -----
    At one pulse a fan's speed goes with the voltage, and by the fan laws its suction with the square of
    the speed: ``(V_bottom / V_onset)^2`` of the suction is left on an unchanged seal. A slow leak stands if
    what is missing beyond that is at least the least drop of a leak. The voltage at a time is the median
    of the readings within 3 s, at least three; where there are fewer, or it fell by more than a pack can,
    the leak stands, and that is said.
    """
    least = (parameters or LossParameters()).leak_drop
    kept, said, unseen = [], [], []
    for event in events:
        if event.kind != "slow-leak" or not event.drop:
            kept.append(event)
            continue
        before, after = (_near(at_s, pack_t_s, pack_mv) for at_s in (event.onset_s, event.bottom_s))
        if before is None or after is None or after < _EMPTY * before:
            unseen += [event] if event.bottom_s - event.onset_s > _LONG_S else []
            kept.append(event)
        elif 1 - (1 - event.drop) / min(1.0, (after / before) ** 2) >= least:
            kept.append(event)
        else:
            said.append(
                f"the suction fell by {event.drop:.0%} from {event.onset_s:.1f} s on, with the pack from "
                f"{before / 1e3:.2f} to {after / 1e3:.2f} V, which explains {1 - (after / before) ** 2:.0%}: "
                "not told as a leak"
            )
    if unseen:
        when = ", ".join(f"{event.onset_s:.1f} s" for event in unseen)
        said.append(
            f"slow leak at {when}: the pack's voltage there is not known, and a pack at its end falls off "
            "in the same way"
        )
    return tuple(kept), tuple(said)


def _near(at_s: float, pack_t_s: Array, pack_mv: Array) -> float | None:
    near = pack_mv[np.abs(pack_t_s - at_s) <= _NEAR_S]
    return middle(near) if len(near) >= _LEAST_NOTES else None

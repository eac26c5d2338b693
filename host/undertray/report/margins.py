"""What each axle had beyond what it needs, instant by instant."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from undertray.reduce.loss import Loss
    from undertray.reduce.run import Reduction

__all__ = ["UNTOLD", "Margins", "Moment", "run_margins", "warning_words"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_AHEAD_S = 0.2

UNTOLD = {
    "below before": "the car had less than it needs before the loss already",
    "not below": "the car did not fall below its need",
}
"""Why no warning can be told of a loss, by what stands in its place."""


@dataclass(frozen=True, slots=True)
class Moment:
    """A margin at one instant: whose (``front axle``, ``rear axle``, ``whole car``), N, and when, s."""

    who: str
    margin_n: float
    at_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Margins:
    """Loads beyond two marks. n rows.

    Attributes
    ----------
    names : tuple of str
        ``front axle``, ``rear axle``, and ``whole car`` where sliding asks for more than the axles do.
    t_s : ndarray of float64, shape (n,)
        Board time, s.
    need_n : ndarray of float64, shape (n, names)
        Beyond what each needs, the allowance in, N; NaN where it was not measured.
    stay_n : ndarray of float64, shape (n, names)
        Beyond what it takes to stay on, which is the same without the allowance, N.
    """

    names: tuple[str, ...]
    t_s: Array
    need_n: Array
    stay_n: Array

    @property
    def known(self) -> Mask:
        """Rows in which all were measured, shape (n,)."""
        return np.asarray(np.isfinite(self.need_n).all(axis=1))

    @property
    def allowance(self) -> bool:
        """Whether the two marks differ."""
        return not np.array_equal(self.need_n, self.stay_n, equal_nan=True)

    def least(self, beyond_n: Array, rows: Mask, best: bool = False) -> Moment:
        """Find the least of the margins, or the instant at which the least of them was greatest.

        Parameters
        ----------
        beyond_n : ndarray of float64, shape (n, names)
            :attr:`need_n` or :attr:`stay_n`.
        rows : ndarray of bool, shape (n,)
            Where to look; rows that were not measured are passed over.
        best : bool
            The greatest instead.

        Returns
        -------
        Moment
        """
        worst = beyond_n.min(axis=1)
        looked = rows & self.known
        outside = -np.inf if best else np.inf
        values = np.where(looked, worst, outside)
        at = int(values.argmax() if best else values.argmin())
        place = int(beyond_n[at].argmin())
        return Moment(self.names[place], float(beyond_n[at, place]), float(self.t_s[at]))


def run_margins(reduction: Reduction, rows: slice = slice(None)) -> Margins:
    """Work out the margins of a run.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    rows : slice
        Which rows of it; all if left out.

    Returns
    -------
    Margins

    Notes
    -----
    Where nothing is needed (on the ground the weight itself holds) no margin is below 0.
    """
    series, axles, hold = reduction.series, reduction.axles, reduction.hold
    loads = [series.front_n[rows], series.rear_n[rows]]
    marks = [(axles[name].required_n, axles[name].stay_n) for name in ("front", "rear")]
    names = ["front axle", "rear axle"]
    if hold.required_n > 1.000001 * (marks[0][0] + marks[1][0]):
        names.append("whole car")
        loads.append(series.downforce_n[rows])
        marks.append((hold.required_n, hold.stay_n))
    need_n, stay_n = (
        np.column_stack(
            [
                load - mark[which] if mark[which] > 0 else np.maximum(load, 0.0)
                for load, mark in zip(loads, marks, strict=True)
            ]
        )
        for which in (0, 1)
    )
    return Margins(tuple(names), series.t_s[rows], need_n, stay_n)


def warning_words(reduction: Reduction, event: Loss) -> str:
    """Say what warning there was before a loss of the seal.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    event : Loss
        A seal loss or slow leak of it.

    Returns
    -------
    str
        Its length; ``none``; or a key of :data:`UNTOLD`: a warning is the time until the car has less than
        it needs, and is defined only where it had that before and not after.
    """
    if event.warning_s is not None:
        return f"{event.warning_s:.2f} s"
    t_s = reduction.series.t_s
    # fans that are cut take the suction with them: that is no loss of the seal going on
    cuts_s = (e.onset_s for e in reduction.events if e.kind == "throttle-cut" and e.onset_s > event.onset_s)
    end_s = min((t_s[-1] if event.end_s is None else event.end_s, *cuts_s))
    first, onset = np.searchsorted(t_s, [event.onset_s - _AHEAD_S, event.onset_s]).tolist()
    margins = run_margins(reduction, slice(first, int(np.searchsorted(t_s, end_s))))
    below = margins.known & (margins.need_n.min(axis=1) < 0)
    ahead, after = below[: onset - first], below[onset - first :]
    if 2 * np.count_nonzero(ahead) > len(ahead):
        return "below before"
    return "none" if after.any() else "not below"

"""What each axle had beyond what it needs, instant by instant."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.quantiles import quantiles

if TYPE_CHECKING:
    from undertray.reduce.hold import HoldNeed
    from undertray.reduce.series import Series

__all__ = ["Margins", "Moment", "Part", "load_margins"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Moment:
    """A margin at one instant: whose (``front axle``, ``rear axle``, ``whole car``), N, and when, s."""

    who: str
    margin_n: float
    at_s: float


@dataclass(frozen=True, slots=True)
class Part:
    """Margins of an axle, or the whole car, while it should hold: median, least, N, and time below 0, s."""

    who: str
    median_n: float
    least_n: float
    below_s: float


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

    def parts(self, rows: Mask, below: Mask, row_s: Array) -> tuple[Part, ...]:
        """Tell each axle by itself.

        Parameters
        ----------
        rows : ndarray of bool, shape (n,)
            Where to look; all of them measured, one at least.
        below : ndarray of bool, shape (n,)
            Where to count what is below the need.
        row_s : ndarray of float64, shape (n,)
            How long each row stands for, s.

        Returns
        -------
        tuple of Part
            In the order of the names.
        """
        found = []
        for name, beyond_n in zip(self.names, self.need_n.T, strict=True):
            looked = beyond_n[rows]
            below_s = float(row_s[below][beyond_n[below] < 0].sum())
            found.append(Part(name, quantiles(looked, (0.5,))[0], float(looked.min()), below_s))
        return tuple(found)

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


def load_margins(series: Series, need: HoldNeed, stay: HoldNeed, rows: slice = slice(None)) -> Margins:
    """Work out the margins of a run.

    Parameters
    ----------
    series : Series
        The run over time.
    need, stay : HoldNeed
        What is needed, with the allowance of the car file and without.
    rows : slice
        Which rows of it; all if left out.

    Returns
    -------
    Margins

    Notes
    -----
    Where nothing is needed (on the ground the weight itself holds) no margin is below 0.
    """
    loads = [series.front_n[rows], series.rear_n[rows]]
    marks = [(need.front_n, stay.front_n), (need.rear_n, stay.rear_n)]
    names = ["front axle", "rear axle"]
    if need.whole_n > 1.000001 * (need.front_n + need.rear_n):
        names.append("whole car")
        loads.append(series.downforce_n[rows])
        marks.append((need.whole_n, stay.whole_n))
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

"""What each axle had beyond what it needs, instant by instant."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from undertray.quantiles import quantiles
from undertray.reduce.products import Column, pieces

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
    """Loads beyond two marks. n rows. Nothing is kept that can be worked out again.

    Attributes
    ----------
    names : tuple of str
        ``front axle``, ``rear axle``, and ``whole car`` where sliding asks for more than the axles do.
    t_s : ndarray of float64, shape (n,)
        Board time, s.
    loads_n : tuple of ndarray of float64, shape (n,)
        What each carries, N; NaN where it was not measured.
    need_n, stay_n : tuple of float
        What each needs, the allowance in, and what it takes to stay on, which is the same without, N.
    """

    names: tuple[str, ...]
    t_s: Array
    loads_n: tuple[Array | Column, ...]
    need_n: tuple[float, ...]
    stay_n: tuple[float, ...]

    @property
    def known(self) -> Mask:
        """Rows in which all were measured, shape (n,)."""
        return np.asarray(np.isfinite(self.loads_n[0]) & np.isfinite(self.loads_n[1]))

    @property
    def allowance(self) -> bool:
        """Whether the two marks differ."""
        return any(max(a, 0.0) != max(b, 0.0) for a, b in zip(self.need_n, self.stay_n, strict=True))

    def beyond_n(self, mark_n: tuple[float, ...], rows: Any = slice(None)) -> Iterator[Array]:
        """Work out what each has beyond a mark.

        Parameters
        ----------
        mark_n : tuple of float
            :attr:`need_n` or :attr:`stay_n`.
        rows : slice, mask or numbers
            Which rows; all if left out.

        Yields
        ------
        ndarray of float64
            N; where nothing is needed (on the ground the weight itself holds) never below 0.
        """
        for load, needed in zip(self.loads_n, mark_n, strict=True):
            yield load[rows] - needed if needed > 0 else np.maximum(load[rows], 0.0)

    def met(self, mark_n: tuple[float, ...]) -> Mask:
        """Find the rows in which all had what a mark asks for.

        Parameters
        ----------
        mark_n : tuple of float
            :attr:`need_n` or :attr:`stay_n`.

        Returns
        -------
        ndarray of bool, shape (n,)
            False where one of them was not measured.
        """
        out = np.empty(len(self.t_s), bool)
        for a, b in pieces(0, len(out)):
            out[a:b] = np.all([part >= 0 for part in self.beyond_n(mark_n, slice(a, b))], axis=0)
        return out

    def parts(self, rows: Mask, below: Mask, row_s: Column) -> tuple[Part, ...]:
        """Tell each axle by itself.

        Parameters
        ----------
        rows : ndarray of bool, shape (n,)
            Where to look; all of them measured, one at least.
        below : ndarray of bool, shape (n,)
            Where to count what is below the need.
        row_s : Column, shape (n,)
            How long each row stands for, s.

        Returns
        -------
        tuple of Part
            In the order of the names.
        """
        lacks = [float(row_s[below][part < 0].sum()) for part in self.beyond_n(self.need_n, below)]
        found = []
        for i, name in enumerate(self.names):
            looked = self.loads_n[i][rows]
            looked -= self.need_n[i] if self.need_n[i] > 0 else 0.0
            if not self.need_n[i] > 0:
                np.maximum(looked, 0.0, out=looked)
            least_n = float(looked.min())
            found.append(Part(name, quantiles(looked, (0.5,), spoil=True)[0], least_n, lacks[i]))
            del looked
        return tuple(found)

    def least(self, mark_n: tuple[float, ...], rows: Mask, best: bool = False) -> Moment:
        """Find the least of the margins, or the instant at which the least of them was greatest.

        Parameters
        ----------
        mark_n : tuple of float
            :attr:`need_n` or :attr:`stay_n`.
        rows : ndarray of bool, shape (n,)
            Where to look; rows that were not measured are passed over.
        best : bool
            The greatest instead.

        Returns
        -------
        Moment
        """
        found: tuple[float, int] | None = None
        for a, b in pieces(0, len(rows)):
            at = np.flatnonzero(rows[a:b])
            worst = np.min([part[at] for part in self.beyond_n(mark_n, slice(a, b))], axis=0)
            worst[np.isnan(worst)] = -np.inf if best else np.inf
            if len(at):
                k = int(worst.argmax() if best else worst.argmin())
                value = float(worst[k])
                if found is None or (value > found[0] if best else value < found[0]):
                    found = value, a + int(at[k])
        return self.at(mark_n, 0 if found is None else found[1])

    def at(self, mark_n: tuple[float, ...], row: int) -> Moment:
        """Tell the least margin of one row.

        Parameters
        ----------
        mark_n : tuple of float
            :attr:`need_n` or :attr:`stay_n`.
        row : int
            Which.

        Returns
        -------
        Moment
        """
        beyond_n = [float(part[0]) for part in self.beyond_n(mark_n, slice(row, row + 1))]
        place = int(np.argmin(beyond_n))
        return Moment(self.names[place], beyond_n[place], float(self.t_s[row]))


def load_margins(series: Series, need: HoldNeed, stay: HoldNeed) -> Margins:
    """Work out the margins of a run.

    Parameters
    ----------
    series : Series
        The run over time.
    need, stay : HoldNeed
        What is needed, with the allowance of the car file and without.

    Returns
    -------
    Margins
    """
    loads: tuple[Array | Column, ...] = (series.front_n, series.rear_n)
    marks = [(need.front_n, stay.front_n), (need.rear_n, stay.rear_n)]
    names = ["front axle", "rear axle"]
    if need.whole_n > 1.000001 * (need.front_n + need.rear_n):
        names.append("whole car")
        loads = (*loads, series.downforce_n)
        marks.append((need.whole_n, stay.whole_n))
    need_n, stay_n = zip(*marks, strict=True)
    return Margins(tuple(names), series.t_s, loads, need_n, stay_n)

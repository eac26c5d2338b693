"""Numbers that were measured together, and any number that follows from them."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.distributions import student_quantile
from undertray.reduce.summary import Estimate
from undertray.reduce.uncertainty import NORMAL

__all__ = ["Measured", "Scatter"]

_MANY = 200
Array = NDArray[np.float64]
Of = Callable[[Mapping[str, float]], float]
Rows = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Scatter:
    """Errors that every pull has for itself."""

    covariance: Rows
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class Measured:
    """Numbers that were measured together."""

    names: tuple[str, ...] = ()
    values: tuple[float, ...] = ()
    scatter: tuple[Scatter, ...] = ()
    shared: Mapping[str, tuple[float, ...]] = field(default_factory=dict)

    def __contains__(self, name: str) -> bool:
        """Whether a number was measured."""
        return name in self.names

    def __getitem__(self, name: str) -> float:
        """The value of a number."""
        return self.values[self.names.index(name)]

    def covariance(self) -> Array:
        """Covariance of the numbers."""
        total = np.zeros((len(self.names), len(self.names)))
        for one in self.scatter:
            total += np.array(one.covariance)
        for moved in self.shared.values():
            total += np.outer(moved, moved)
        return total

    def gradient(self, of: Of) -> Array:
        """How a number changes with each of these.

        Parameters
        ----------
        of : callable
            Takes the numbers by name, gives the one that follows from them.

        Returns
        -------
        ndarray, shape (n,)
            By differences over one standard uncertainty to both sides; 0 for what is known exactly.

        References
        ----------
        JCGM 100:2008 (GUM), 5.1.3, note 2.
        """
        found = np.zeros(len(self.names))
        for i, step in enumerate(np.sqrt(np.diag(self.covariance())).tolist()):
            if step > 0:
                up, down = list(self.values), list(self.values)
                up[i] += step
                down[i] -= step
                ends = (of(dict(zip(self.names, side, strict=True))) for side in (up, down))
                found[i] = (next(ends) - next(ends)) / (2 * step)
        return found

    def estimate(self, of: Of) -> Estimate:
        """A number that follows from these, and the half width of its 95 % interval.

        Parameters
        ----------
        of : callable
            As for :meth:`gradient`.

        Returns
        -------
        Estimate
            The half width is None where it is no finite number.

        References
        ----------
        JCGM 100:2008 (GUM), equations 13 and G.2b; degrees of freedom cut to whole ones as in G.4.1.
        """
        value, slope = of(dict(zip(self.names, self.values, strict=True))), self.gradient(of)
        own = [(float(slope @ np.array(one.covariance) @ slope), one.dof) for one in self.scatter]
        variance = float(slope @ self.covariance() @ slope)
        weak = math.fsum(part * part / dof for part, dof in own if dof < math.inf)
        dof = max(1.0, math.floor(variance * variance / weak)) if weak > 0 else math.inf
        u95 = _factor(dof) * math.sqrt(max(0.0, variance))
        return Estimate(value, u95 if math.isfinite(u95) else None)

    def course(self, of: Callable[[Mapping[str, float]], Array]) -> tuple[Array, Array]:
        """Many numbers that follow from these in one go, as over a range of suctions."""
        mean = of(dict(zip(self.names, self.values, strict=True)))
        slope = np.zeros((len(self.names), len(mean)))
        for i, step in enumerate(np.sqrt(np.diag(self.covariance())).tolist()):
            if step > 0:
                up, down = list(self.values), list(self.values)
                up[i] += step
                down[i] -= step
                ends = (of(dict(zip(self.names, side, strict=True))) for side in (up, down))
                slope[i] = (next(ends) - next(ends)) / (2 * step)

        def variance(covariance: Array) -> Array:
            return np.asarray(np.einsum("ik,ij,jk->k", slope, covariance, slope))

        total, weak = variance(self.covariance()), np.zeros(len(mean))
        for one in self.scatter:
            if one.dof < math.inf:
                weak += np.square(variance(np.array(one.covariance))) / one.dof
        with np.errstate(divide="ignore", invalid="ignore"):
            dof = np.where(weak > 0, np.maximum(1.0, np.floor(total * total / weak)), np.inf)
        factor = np.array([_factor(nu) for nu in dof.tolist()])
        return mean, np.nan_to_num(factor * np.sqrt(np.maximum(total, 0.0)), nan=np.inf)

    def joined(self, source: str, numbers: Mapping[str, Estimate]) -> Measured:
        """These numbers and others that are independent of them and of one another."""
        n, more = len(self.names), len(numbers)
        shared = {name: (*moved, *[0.0] * more) for name, moved in self.shared.items()}
        for place, (name, one) in enumerate(numbers.items()):
            moved = [0.0] * (n + more)
            moved[n + place] = (one.u95 or 0.0) / NORMAL
            shared[f"{source} {name}"] = tuple(moved)
        return Measured(
            (*self.names, *numbers),
            (*self.values, *(one.mean for one in numbers.values())),
            tuple(Scatter(_widened(one.covariance, more), one.dof) for one in self.scatter),
            shared,
        )


@cache
def _factor(dof: float) -> float:
    """Coverage factor for 95 %; beyond many degrees of freedom the first term of its expansion, to 2e-5."""
    return student_quantile(dof) if dof <= _MANY else NORMAL + (NORMAL**3 + NORMAL) / (4 * dof)


def _widened(rows: Rows, more: int) -> Rows:
    whole = len(rows) + more
    return (*((*row, *[0.0] * more) for row in rows), *[(0.0,) * whole] * more)

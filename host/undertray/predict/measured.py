"""Numbers that were measured together, and any number that follows from them."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.distributions import student_quantile
from undertray.reduce.estimates import Estimate

__all__ = ["Measured", "Scatter"]

Array = NDArray[np.float64]
Of = Callable[[Mapping[str, float]], float]


@dataclass(frozen=True, slots=True)
class Scatter:
    """Errors that every pull has for itself.

    Attributes
    ----------
    covariance : tuple of tuple of float
        Of all numbers of the set, in their units; 0 for those that it does not touch.
    dof : float
        Degrees of freedom that it was found with; infinite where it was stated.
    """

    covariance: tuple[tuple[float, ...], ...]
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class Measured:
    """Numbers that were measured together.

    Attributes
    ----------
    names : tuple of str
        What they are, the unit in each name.
    values : tuple of float
        Their values.
    scatter : tuple of Scatter
        Independent errors.
    shared : mapping of str to tuple of float
        For each source that moves many of them, how far one standard uncertainty of it moves each.
    """

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

    def covariance(self, without: Collection[str] = ()) -> Array:
        """Covariance of the numbers.

        Parameters
        ----------
        without : collection of str
            Shared sources that are left out.

        Returns
        -------
        ndarray, shape (n, n)
        """
        total = np.zeros((len(self.names), len(self.names)))
        for one in self.scatter:
            total += np.array(one.covariance)
        for source, moved in self.shared.items():
            if source not in without:
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

    def estimate(self, of: Of, without: Collection[str] = ()) -> Estimate:
        """A number that follows from these, and the half width of its 95 % interval.

        Parameters
        ----------
        of : callable
            As for :meth:`gradient`.
        without : collection of str
            Shared sources that do not count, as they act on the number in the same way where it is used.

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
        variance = float(slope @ self.covariance(without) @ slope)
        weak = math.fsum(part * part / dof for part, dof in own if dof < math.inf)
        dof = max(1.0, math.floor(variance * variance / weak)) if weak > 0 else math.inf
        u95 = student_quantile(dof) * math.sqrt(max(0.0, variance))
        return Estimate(value, u95 if math.isfinite(u95) else None)

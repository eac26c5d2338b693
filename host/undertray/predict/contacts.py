"""Two kinds of contact on the ground, tyres and skirt: what pulls say of their friction and of the share."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.distributions import chi_squared_tail
from undertray.predict.measured import Measured
from undertray.predict.pullfit import ALONG
from undertray.reduce.summary import Estimate

__all__ = ["Contacts", "Numbers", "Of", "is_clear", "share_number", "share_of"]

Array = NDArray[np.float64]
Numbers = Mapping[str, float]
Of = Callable[[Numbers], float]
_DISAGREE = 0.01


@dataclass(frozen=True, slots=True)
class Contacts:
    """Friction and shares by one kind of pull, as functions of the numbers that were measured.

    Attributes
    ----------
    kind : str
        ``breakaway`` or ``moving``.
    weight_n : float
        Weight, N.

    Notes
    -----
    :func:`undertray.predict.drag.conclude` has the statics.
    """

    kind: str
    weight_n: float

    def tyres(self, m: Numbers) -> float:
        """Friction number of the tyres."""
        return m[f"{self.kind}.locked.level_n"] / self.weight_n

    def level(self, m: Numbers) -> float:
        """Pull of the free wheels without suction over the weight."""
        return m[f"{self.kind}.free.level_n"] / self.weight_n

    def rolling(self, m: Numbers) -> float:
        """Rolling resistance of the wheels: some part of that level."""
        return m["rolling_share"] * self.level(m)

    def free(self, m: Numbers) -> float:
        """What each newton of suction adds with the wheels free."""
        return m[f"{self.kind}.free.per_n"]

    def locked(self, m: Numbers) -> float:
        """What each newton of suction adds with the wheels locked."""
        return m[f"{self.kind}.locked.per_n"]

    def skirt(self, m: Numbers) -> float:
        """Friction number of the skirt alone."""
        return m[f"{self.kind}.none.mu"]

    def tyres_over_rolling(self, m: Numbers) -> float:
        """Friction of the tyres above that of rolling."""
        return self.tyres(m) - self.rolling(m)

    def tyres_over_skirt(self, m: Numbers) -> float:
        """Friction of the tyres above that of the skirt."""
        return self.tyres(m) - self.skirt(m)

    def skirt_over_rolling(self, m: Numbers) -> float:
        """Friction of the skirt above that of rolling wheels."""
        return self.skirt(m) - self.rolling(m)

    def share(self, m: Numbers) -> float:
        """Share of the skirt, by free and locked pulls."""
        return 1 - _ratio(self.locked(m) - self.free(m), self.tyres_over_rolling(m))

    def share_by_free(self, m: Numbers) -> float:
        """Share of the skirt, by free pulls and the skirt alone."""
        return _ratio(self.free(m) - self.rolling(m), self.skirt_over_rolling(m))

    def share_by_locked(self, m: Numbers) -> float:
        """Share of the skirt, by locked pulls and the skirt alone."""
        return _ratio(self.tyres(m) - self.locked(m), self.tyres_over_skirt(m))

    def skirt_at_work(self, m: Numbers) -> float:
        """Friction number of the skirt, by free and locked pulls."""
        share = self.share(m)
        return _ratio(self.free(m) - self.rolling(m) * (1 - share), share)

    def least_share(self, m: Numbers) -> float:
        """Least share of the skirt that locked pulls leave."""
        return 1 - _ratio(self.locked(m), self.tyres(m))


def _ratio(above: float, below: float) -> float:
    return above / below if below else math.nan


def is_clear(measured: Measured, of: Of) -> bool:
    """Say whether a number is not 0 for sure, so that another can be divided by it."""
    found = measured.estimate(of)
    return found.u95 is not None and abs(found.mean) > found.u95  # never, for what is no number


def share_of(measured: Measured, weight_n: float) -> tuple[Estimate | None, tuple[str, ...]]:
    """Share of the suction force that the skirt carries, by all the ways that pulls tell it.

    Parameters
    ----------
    measured : Measured
        The lines.
    weight_n : float
        Weight, N.

    Returns
    -------
    share : Estimate or None
        None where no pull tells it.
    notices : tuple of str
        Where the ways disagree.

    Notes
    -----
    :func:`undertray.predict.drag.conclude` has the ways.
    """
    number = share_number(measured, weight_n)
    if number is None:
        return None, ()
    found = measured.estimate(number)
    ways, _, inverse = _weighed(measured, weight_n)
    numbers = dict(zip(measured.names, measured.values, strict=True))
    off = np.array([way(numbers) for way in ways]) - found.mean
    chi_squared = float(off @ inverse @ off)
    said: tuple[str, ...] = ()
    if len(ways) > 1 and chi_squared_tail(chi_squared, len(ways) - 1) < _DISAGREE:
        told = ", ".join(f"{way(numbers):.2f}" for way in ways)
        said = (
            f"the ways to tell what the skirt carries do not agree ({told}): friction may change with load,"
            " or the skirt carry weight with the fans off",
        )
    return found, said


def share_number(measured: Measured, weight_n: float) -> Of | None:
    """The share as a function of what was measured."""
    ways, weights, _ = _weighed(measured, weight_n)
    if not ways:
        return None
    return lambda m: sum(w * way(m) for w, way in zip(weights, ways, strict=True))


def _weighed(measured: Measured, weight_n: float) -> tuple[list[Of], list[float], Array]:
    """The ways, the weight of each by least squares, and the inverse of their covariance."""
    ways = _ways(measured, weight_n)
    if not ways:
        return [], [], np.empty((0, 0))
    slopes = np.array([measured.gradient(way) for way in ways]).reshape(len(ways), len(measured.names))
    inverse = np.linalg.pinv(slopes @ measured.covariance() @ slopes.T, rcond=1e-9, hermitian=True)
    weights = inverse.sum(axis=1)
    whole = weights.sum()
    even = np.full(len(ways), 1 / len(ways))
    return ways, (weights / whole if whole > 0 else even).tolist(), inverse


def _ways(measured: Measured, weight_n: float) -> list[Of]:
    ways: list[Of] = []
    for kind in ALONG:
        named = Contacts(kind, weight_n)
        free, locked = f"{kind}.free.per_n" in measured, f"{kind}.locked.per_n" in measured
        if f"{kind}.none.mu" in measured:
            if free and is_clear(measured, named.skirt_over_rolling):
                ways.append(named.share_by_free)
            if locked and is_clear(measured, named.tyres_over_skirt):
                ways.append(named.share_by_locked)
        elif free and locked and is_clear(measured, named.tyres_over_rolling):
            ways.append(named.share)
    return ways

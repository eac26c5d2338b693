"""Pulls along the surface against suction force: a line for each kind of pull."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.distributions import NORMAL, chi_squared_tail
from undertray.calibrate.fit import fit_polynomial
from undertray.errors import CalibrationError, ReductionError
from undertray.reduce.pulls import KINDS, Pull, Suction
from undertray.reduce.summary import Estimate
from undertray.reduce.uncertainty import coverage_factor

__all__ = ["ALONG", "Balance", "Measured", "Scatter", "Span", "fit_pulls"]


# Numbers that were measured together, and any number that follows from them.


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
        return self._slopes(of, ())

    def _slopes(self, of: Callable[[Mapping[str, float]], Any], shape: tuple[int, ...]) -> Array:
        found = np.zeros((len(self.names), *shape))
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
            The half width is None where it is not a finite number.

        References
        ----------
        JCGM 100:2008 (GUM), equations 13 and G.2b; degrees of freedom cut to whole ones as in G.4.1.
        """
        value, slope = of(dict(zip(self.names, self.values, strict=True))), self.gradient(of)
        own = [(float(slope @ np.array(one.covariance) @ slope), one.dof) for one in self.scatter]
        variance = float(slope @ self.covariance() @ slope)
        weak = math.fsum(part * part / dof for part, dof in own if dof < math.inf)
        dof = max(1.0, math.floor(variance * variance / weak)) if weak > 0 else math.inf
        u95 = coverage_factor(dof) * math.sqrt(max(0.0, variance))
        return Estimate(value, u95 if math.isfinite(u95) else None)

    def course(self, of: Callable[[Mapping[str, float]], Array]) -> tuple[Array, Array]:
        """Many numbers that follow from these in one go, as over a range of suctions."""
        mean = of(dict(zip(self.names, self.values, strict=True)))
        slope = self._slopes(of, mean.shape)

        def variance(covariance: Array) -> Array:
            return np.asarray(np.einsum("ik,ij,jk->k", slope, covariance, slope))

        total, weak = variance(self.covariance()), np.zeros(len(mean))
        for one in self.scatter:
            if one.dof < math.inf:
                weak += np.square(variance(np.array(one.covariance))) / one.dof
        with np.errstate(divide="ignore", invalid="ignore"):
            dof = np.where(weak > 0, np.maximum(1.0, np.floor(total * total / weak)), np.inf)
        factor = np.array([coverage_factor(nu) for nu in dof.tolist()])
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


def _widened(rows: Rows, more: int) -> Rows:
    whole = len(rows) + more
    return (*((*row, *[0.0] * more) for row in rows), *[(0.0,) * whole] * more)


ALONG = KINDS[1:]
"""Kinds of pulls along the surface; of each all that are of it have their errors in common."""
_APART = 0.1  # of the weight: suctions that differ by less tell no slope
_ENOUGH = 4  # degrees of freedom from which on the pulls tell their own scatter
_ROLLING = (0.5, 1 / math.sqrt(12))  # mean and standard deviation of what lies anywhere from 0 to 1
# mean and standard deviation of what a newton more on rubber adds less than its share: 0 to 0.14 is a
# friction number that falls with the power 0 to 0.1 of the load, at two to three times the weight (common
# practice, no source)
_TYRES_FALL = (0.07, 0.06)
_UNLIKELY = 0.01


@dataclass(frozen=True, slots=True)
class Balance:
    """How well a balance reads."""

    percent: float = 2.0
    step_n: float = 0.05
    repeat_percent: float = 4.0


@dataclass(frozen=True, slots=True)
class Span:
    """What pulls of one kind were made with."""

    kind: str
    wheels: str
    pulls: int
    low_n: float
    high_n: float

    @property
    def name(self) -> str:
        """Before the names of its numbers."""
        return f"{self.kind}.{self.wheels}"


@dataclass(slots=True)
class _Part:
    """Numbers of one group of pulls, before they are put together."""

    names: list[str]
    values: list[float]
    covariance: Array
    shared: Mapping[str, Array]
    chi_squared: float
    dof: int


def fit_pulls(
    pulls: Sequence[tuple[Pull, Suction | None]],
    weight_n: float,
    balance: Balance,
    suction_share: float | None,
) -> tuple[Measured, tuple[Span, ...], tuple[str, ...]]:
    """Fit what pulls say of drag against suction.

    Parameters
    ----------
    pulls : sequence of (Pull, Suction or None)
        Pulls along the surface, each with the suction of its moment; None for the skirt alone.
    weight_n : float
        Weight of the car, N.
    balance : Balance
        How well it reads.
    suction_share : float or None
        Standard uncertainty of the suction force as a share of it, common to all; None if not known.

    Returns
    -------
    measured : Measured
        ``KIND.WHEELS.level_n``, the pull without suction, N, ``KIND.WHEELS.per_n``, what each N of suction
        adds, and ``KIND.none.mu``, friction of the skirt alone, as far as the pulls tell them; also what
        they do not: ``rolling_share``, the part of the rolling pull that goes with the load,
        ``tyres_fall``, what each newton more on the tyres adds less than its share of friction, and
        ``suction_scale``, 1: suction force by the taps over the true one, by whose error the slopes are off.
    spans : tuple of Span
        What was pulled.
    notices : tuple of str
        What a reader has to know.

    Raises
    ------
    ReductionError
        When the pulls lie on no line.

    Notes
    -----
    A line ``F = a + k S`` for each kind of pull and state of the wheels, by
    :func:`undertray.calibrate.fit.fit_polynomial`: S has the scatter of its mean and the common error of
    calibration and floor, F scatters by itself and has the common error of the balance. The scatter of F is
    in proportion to the line, with the step of the balance. Where the lines of one kind have four degrees of
    freedom and more together, its size is taken from them all. Suctions that differ by less than a tenth of
    the weight tell no slope. What is pulled at no suction alone is a level, the mean.

    References
    ----------
    JCGM 100:2008 (GUM), H.3, for a line; ISO/TS 28037:2010, clause 10, for the fit.
    """
    notices: list[str] = []
    spans: list[Span] = []
    found: list[tuple[str, list[_Part]]] = []
    for kind in ALONG:
        parts = []
        for wheels in ("free", "locked", "none"):
            of_it = [(p, s) for p, s in pulls if (p.kind, p.wheels) == (kind, wheels)]
            if not of_it:
                continue
            y = np.array([p.pull_n for p, _ in of_it])
            x = np.array([p.load_n or 0.0 if s is None else s.mean_n for p, s in of_it])
            span = Span(kind, wheels, len(of_it), float(x.min()), float(x.max()))
            spans.append(span)
            apart = span.high_n - span.low_n > _APART * weight_n
            if wheels == "none":
                parts.append(_friction(span, x, y, balance))
            elif apart:
                u_x = np.array([0.0 if s is None else s.u_n for _, s in of_it])
                parts.append(_line(span, x, u_x, y, balance, suction_share or 0.0))
            elif abs(span.high_n) < _APART / 2 * weight_n:
                parts.append(_mean(f"{span.name}.level_n", y, np.ones(len(y)), balance))
            else:
                at = f"{span.low_n:.1f} to {span.high_n:.1f} N"
                notices.append(
                    f"{kind} pulls with wheels {wheels} at one suction alone ({at}) give no line: add others"
                )
        found.append((kind, parts))
    return _together(found, notices, suction_share or 0.0), tuple(spans), tuple(notices)


def _own(expected: Array, balance: Balance) -> Array:
    return np.hypot(balance.repeat_percent / 100 * expected, balance.step_n / math.sqrt(12))


def _line(span: Span, x: Array, u_x: Array, y: Array, balance: Balance, share: float) -> _Part:
    expected = y
    zero = np.zeros(len(x))
    try:
        for _ in range(3):  # the scatter goes with the line, not with what one reading happened to be
            shared = {
                "balance": (zero, y * balance.percent / 100 / math.sqrt(3)),
                "suction": (x * share, zero),
            }
            fit = fit_polynomial(x, y, u_x=u_x, u_y=_own(expected, balance), shared=shared)
            expected = np.maximum(fit.value(x), 0.1 * y)
    except CalibrationError as error:
        raise ReductionError(
            f"{span.kind} pulls with wheels {span.wheels} lie on no line",
            seen=f"{span.pulls} pulls",
            expected="a pull that changes with suction along a line",
            do="look for a reading that is far off",
        ) from error
    names = [f"{span.name}.level_n", f"{span.name}.per_n"]
    return _Part(
        names, fit.coefficients.tolist(), fit.independent_covariance, fit.shared, fit.chi_squared, fit.dof
    )


def _friction(span: Span, load: Array, y: Array, balance: Balance) -> _Part:
    return _mean(f"{span.name}.mu", y, load, balance)


def _mean(name: str, y: Array, per: Array, balance: Balance) -> _Part:
    """The b of ``y = b per``, by weighted least squares."""
    own = _own(y, balance)
    for _ in range(3):
        weights = (per / own) ** 2
        value = float((weights * y / per).sum() / weights.sum())
        own = _own(np.maximum(value * per, 0.1 * y), balance)
    chi_squared = float(np.square((y - value * per) / own).sum())
    return _Part(
        [name],
        [value],
        np.array([[1 / float(((per / own) ** 2).sum())]]),
        {"balance": np.array([value * balance.percent / 100 / math.sqrt(3)])},
        chi_squared,
        len(y) - 1,
    )


def _together(
    found: Sequence[tuple[str, Sequence[_Part]]], notices: list[str], suction_share: float
) -> Measured:
    names = [name for _, parts in found for part in parts for name in part.names]
    values = [value for _, parts in found for part in parts for value in part.values]
    n = len(names)
    names, values = [*names, "suction_scale"], [*values, 1.0]
    unknown = [
        (name, source, prior)
        for name, source, ends, prior in (
            ("rolling_share", "rolling", ".free.level_n", _ROLLING),
            ("tyres_fall", "tyres", ".locked.per_n", _TYRES_FALL),
        )
        if any(one.endswith(ends) for one in names)
    ]
    names = [*names, *(name for name, _, _ in unknown)]
    values = [*values, *(mean for _, _, (mean, _) in unknown)]
    shared = {source: np.zeros(len(names)) for source in ("balance", "suction")}
    scatter, place = [], 0
    for kind, parts in found:
        covariance = np.zeros((len(names), len(names)))
        for part in parts:
            here = slice(place, place + len(part.names))
            covariance[here, here] = part.covariance
            for source, moved in part.shared.items():
                shared[source][here] = moved
            place = here.stop
        dof, chi_squared = sum(part.dof for part in parts), math.fsum(part.chi_squared for part in parts)
        known = dof >= _ENOUGH
        if 0 < dof < _ENOUGH and chi_squared_tail(chi_squared, dof) < _UNLIKELY:
            notices.append(f"{kind} pulls scatter more than --repeat says: make more of them")
        if parts:
            size = max(chi_squared, 1e-12 * dof) / dof if known else 1.0
            scatter.append(Scatter(_rows(size * covariance), float(dof) if known else math.inf))
    # as it stretches the suction, it makes the slopes less: what they give at a suction read stays
    shared["suction"][n] = -suction_share
    for place, (_, source, (_, sd)) in enumerate(unknown, n + 1):
        shared[source] = np.eye(len(names))[place] * sd
    return Measured(
        tuple(names),
        tuple(values),
        tuple(scatter),
        {source: tuple(moved.tolist()) for source, moved in shared.items() if moved.any()},
    )


def _rows(matrix: Array) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in matrix.tolist())

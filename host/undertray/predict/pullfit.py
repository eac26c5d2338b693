"""Pulls along the surface against suction force: a line for each kind of pull."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.distributions import chi_squared_tail
from undertray.calibrate.fit import fit_polynomial
from undertray.errors import CalibrationError, ReductionError
from undertray.predict.measured import Measured, Scatter
from undertray.reduce.pulls import KINDS, Pull, Suction

__all__ = ["ALONG", "Balance", "Span", "fit_pulls"]

Array = NDArray[np.float64]

ALONG = KINDS[1:]
"""Kinds of pulls along the surface; of each all that are of it have their errors in common."""
_APART = 0.1  # of the weight: suctions that differ by less tell no slope
_ENOUGH = 4  # degrees of freedom from which on the pulls tell their own scatter
_ROLLING = (0.5, 1 / math.sqrt(12))  # mean and standard deviation of what lies anywhere from 0 to 1
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
        they do not: ``rolling_share``, the part of the rolling pull that goes with the load, and
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
                    f"{kind} pulls with wheels {wheels} at one suction alone ({at}) tell no line: add others"
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
    if any(name.endswith(".free.level_n") for name in names):
        names, values = [*names, "rolling_share"], [*values, _ROLLING[0]]
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
    if len(names) > n + 1:
        shared["rolling"] = np.eye(len(names))[n + 1] * _ROLLING[1]
    return Measured(
        tuple(names),
        tuple(values),
        tuple(scatter),
        {source: tuple(moved.tolist()) for source, moved in shared.items() if moved.any()},
    )


def _rows(matrix: Array) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in matrix.tolist())

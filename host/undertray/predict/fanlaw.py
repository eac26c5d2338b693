"""Suction against throttle, pack voltage and gap, fitted to a builder's own runs.

The law::

    p = P s^2 Y(a s^(2 k - 1))/Y(a0)     s = x^(m/2) (V/V0)^(e/2)     x = (u - idle)/(top - idle)
    Y = 1 - (a Y^k)^n                    a = a0 (1 - r + r h/h0)

P is the suction at the highest throttle measured, at the voltage V0 and the gap h0. s is the fan's speed over
that: it goes with what the controller gives the motor, so m takes up the controller, and with the voltage: e
is ``2/((1 + f)(1 - g))``. Where the windings take the share f of the voltage, ``V = K w + R I`` and a torque,
so a current, that goes with w^2 give ``d ln w/d ln V = 1/(1 + f)``; and where more suction pulls the car down
and closes its gap, the suction rises by its share g of itself once more. f is some 0 to 0.2 and g 0 to 0.25
(common practice, no source), so e is 2.1 +- 0.4 until voltages measured say better.

Y is the suction over that of the shut-off fan, by the fan laws a fan curve ``p = p0 s^2 (1 - (Q/(Q0 s))^n)``
against a leak ``Q = C p^k``: k is 0.5 for sharp edges, ``Q = Cd A sqrt(2 p/rho)``, and up to 1 for narrow
gaps; ``a`` is the leak in the measure of the fan. On a sharp edge the suction goes with the square of the
speed whatever the leak. Of the leak area the share r goes with the gap h as it is set, the rest (brushes,
joints, ducts) does not. r may be above 1: suction that pulls the car down leaves less of a small gap than of
a wide one.

What the runs do not decide stays as wide as it was before them: a0 by Y(a0) between 0.2 and 0.9, r between
0.5 and 1.5, n between 1.1 and 3.6 (common practice, no source); with a fan curve in the car file Y(a0) is
what the curve gives. Each run may be off by 1 %, from one mounting of the skirt to the next (common practice,
no source), and each gap, h0 too, by what it is known within.

References: fan laws, AMCA Publication 201 (from memory); orifice, ISO 5167-1 with expansibility 1; exponents
of leaks, ISO 9972 and ASTM E779 (from memory); the least squares with knowledge from before, as in any text
on Bayesian linear models. How far suction closes the gap on its springs is not in ``h``, which is the gap as
it is set, fans off: as long as springs and weight stay as they are that goes along with the fit.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from undertray.errors import NeverSteady, UndertrayError
from undertray.predict.draws import Draws
from undertray.reduce.car import Car
from undertray.reduce.fan import FanReference, steady_dwells
from undertray.reduce.leakage import fan_speed, leak_area_m2
from undertray.reduce.steady import REST_US, Blocks
from undertray.reduce.summary import Reduction
from undertray.reduce.uncertainty import NORMAL
from undertray.units import quantity

__all__ = [
    "FanLaw",
    "LawPoint",
    "LawRange",
    "RunPoints",
    "VoltPoint",
    "beyond",
    "fit_law",
    "from_curve",
    "run_points",
    "shut_off_share",
]


Array = NDArray[np.float64]

_MOUNTING = 0.01
_LEAST_SCATTER = 0.004
_NAMES = ("level", "idle", "throttle", "voltage", "share", "of_gap", "bend", "leak")
_MOST_ROUNDS = 60
_WORST_MV = 1.0
_VOLTAGE = (2.1, 0.2)
_FARTHEST, _MOST_LEAK = 30.0, 1e12
_LEAST_US = 25.0  # between the fans' idle and the lowest throttle at which they sucked
_BEYOND_95 = 0.1
GAP_WITHIN_MM = 0.05
"""Half of the width that a gap is known within, mm: feeler gauges (common practice, no source)."""
_LEAST_GAP, _LEAST_LEAK, _MOST_OF_GAP = 0.2, 0.02, 2.0
_CURVE_LOGIT, _LENGTH_LOGIT = 0.35, 0.8


@dataclass(frozen=True, slots=True)
class LawPoint:
    """A steady stretch of a run: the run's number, µs, mV, mm and Pa; None where it was not measured."""

    run: int
    throttle_us: float
    pack_mv: float | None
    gap_mm: float | None
    suction_pa: float
    weight: float = 1.0


@dataclass(frozen=True, slots=True)
class VoltPoint:
    """A steady stretch: voltage at rest (None where there was no rest) and under load, mV, and Pa."""

    rest_mv: float | None
    loaded_mv: float
    suction_pa: float


@dataclass(frozen=True, slots=True)
class LawRange:
    """From where to where something was measured; None where it never was."""

    low: float
    high: float


def shut_off_share(leak: ArrayLike, bend: ArrayLike, exponent: ArrayLike = 0.5) -> Array:
    """Suction as a share of that of the shut-off fan.

    Parameters
    ----------
    leak : array
        ``a``, the leak in the measure of the fan, 0 and up.
    bend : array
        ``n``, the exponent of the fan curve, 1 and up.
    exponent : array
        ``k``, that of the leak, 0.5 to 1.

    Returns
    -------
    ndarray
        Y of ``Y = 1 - (a Y^k)^n``, 0 to 1.

    Notes
    -----
    With t = sqrt(Y) the left side of ``t^2 + (a t^(2 k))^n = 1`` is convex and rises, so Newton's steps from
    where one of its terms alone is 1 come down to its root without passing it. For n = 2 and k = 0.5 it is
    ``1/(1 + a^2)``.
    """
    a, n, k = np.broadcast_arrays(*(np.asarray(given, float) for given in (leak, bend, exponent)))
    a = np.minimum(a, _MOST_LEAK)
    t = np.maximum(np.minimum(1.0, np.maximum(a, 1e-12) ** (-0.5 / k)), 1e-6)
    for _ in range(40):
        flow = (a * t ** (2 * k)) ** n
        step = (t * t + flow - 1) / (2 * t + 2 * k * n * flow / t)
        t = np.maximum(t - step, 1e-6)
        if float(np.max(np.abs(step), initial=0.0)) < 1e-12:
            break
    return np.asarray(t * t)


def beyond(value: float, known: LawRange | None) -> float:
    """How far a value lies outside of what was measured."""
    if known is None:
        return 0.0
    return min(0.0, value - known.low) + max(0.0, value - known.high)


@dataclass(frozen=True, slots=True, eq=False)
class FanLaw:
    """The law with draws of its parameters; arrays have the shape (COUNT,), the best fit first."""

    top_us: float
    pack_mv: float | None
    gap_mm: float | None
    level_pa: Array
    idle_us: Array
    throttle: Array
    voltage: Array
    share: Array
    of_gap: Array
    bend: Array
    leak: Array
    gap_off_mm: Array
    set_off_mm: Array
    uneven: Array
    own: Array
    mounting: Array
    beyond: Array
    throttles_us: LawRange
    packs_mv: LawRange | None
    gaps_mm: LawRange | None
    gaps: int
    scatter: float
    points: int
    runs: int
    curve_known: bool

    @property
    def knows_gap(self) -> bool:
        """Whether another gap can be asked about: two gaps were measured, or one and the fan curve."""
        return self.gaps >= 2 or (self.gaps == 1 and self.curve_known)

    def suction_pa(
        self, throttle_us: ArrayLike, pack_mv: ArrayLike | None = None, gap_mm: ArrayLike | None = None
    ) -> Array:
        """Suction, with all that is uncertain in it.

        Parameters
        ----------
        throttle_us, pack_mv, gap_mm : array or None
            Pulse width, pack voltage under load, and gap as set; those of the law where left out.

        Returns
        -------
        ndarray, shape (COUNT,)
            Pa.

        Notes
        -----
        Beyond what was measured, in each of the three, that part of the change of ln p which lies beyond
        is uncertain by a tenth of itself (95 %), on top of what the parameters are uncertain by.
        """
        asked = {"throttle": throttle_us, "voltage": pack_mv, "gap": gap_mm}
        here = self._plain(throttle_us, pack_mv, gap_mm)
        out = here * (self.own if self._as_driven(gap_mm) else self.mounting)
        ranges = self.throttles_us, self.packs_mv, self.gaps_mm
        for row, (name, known) in enumerate(zip(asked, ranges, strict=True)):
            value = asked[name]
            if value is None or known is None:
                continue
            at = np.asarray(value, float)
            edge = np.clip(at, known.low, known.high)
            if np.array_equal(at, edge):
                continue
            nearest = dict(asked) | {name: edge}
            there = self._plain(*(nearest[key] for key in asked))
            change = np.log(np.maximum(here, 1e-9) / np.maximum(there, 1e-9))
            change = np.clip(change, -2.0, 2.0)  # below idle the logarithm has no end
            out = out * np.exp(_BEYOND_95 / NORMAL * change * self.beyond[row])
        return np.asarray(out)

    def _as_driven(self, gap_mm: ArrayLike | None) -> bool:
        """Whether nothing was set anew: the gap, and with it the mounting, is that of h0."""
        return gap_mm is None or self.gap_mm is None or np.array_equal(gap_mm, self.gap_mm)

    def _plain(self, throttle_us: ArrayLike, pack_mv: ArrayLike | None, gap_mm: ArrayLike | None) -> Array:
        x = np.maximum(np.asarray(throttle_us, float) - self.idle_us, 0.0) / (self.top_us - self.idle_us)
        square = x**self.throttle
        if pack_mv is not None and self.pack_mv is not None:
            volts = np.maximum(np.asarray(pack_mv, float), _WORST_MV)
            square = square * (volts / self.pack_mv) ** self.voltage
        ratio = np.ones(1)
        if gap_mm is not None and self.gap_mm is not None and not self._as_driven(gap_mm):
            # a gap that is set anew is as little known as those that were noted
            set_mm = np.asarray(gap_mm, float)
            if self.gaps_mm is not None:
                under_mm = np.maximum(self.gaps_mm.low - set_mm, 0.0)
                set_mm = set_mm + self.uneven * under_mm
            true = np.maximum(set_mm + self.set_off_mm, 0.0)
            ratio = true / np.maximum(self.gap_mm + self.gap_off_mm, _LEAST_GAP * self.gap_mm)
        curve = self.share, self.of_gap, self.bend, self.leak
        return np.asarray(self.level_pa * square * _share_of_level(square, ratio, *curve))


def _share_of_level(
    square: Array, of_gap_ref: Array, share: Array, of_gap: Array, bend: Array, leak: Array
) -> Array:
    """``Y/Y(a0)`` at a square of the speed, and a gap that is a multiple of the reference's."""
    a0 = (1 - share) ** (1 / bend) / share**leak
    a = (
        a0
        * np.maximum(1 - of_gap + of_gap * of_gap_ref, _LEAST_LEAK)
        * np.maximum(square, 1e-12) ** (leak - 0.5)
    )
    return np.asarray(shut_off_share(a, bend, leak) / share)


def fit_law(
    points: Sequence[LawPoint],
    reference: FanReference | None = None,
    share: tuple[float, float] | None = None,
    of_gap: tuple[float, float] | None = None,
    gap_within_mm: float = GAP_WITHIN_MM,
    draws: Draws | None = None,
) -> FanLaw:
    """Fit the law.

    Parameters
    ----------
    points : sequence of LawPoint
        Steady stretches of runs; may be empty where there is a reference.
    reference : FanReference or None
        The fans' reference. Where its own runs are not among the points it counts as one more run: its level
        only where no other has a gap, its shape always.
    share, of_gap : (float, float) or None
        What is known of Y(a0) and r before, and its standard deviation in the logit of Y and of r/2: from a
        fan curve, and from the skirt's length; wide where left out.
    gap_within_mm : float
        Half of the width that gaps, those noted and those set anew, are known within, mm.
    draws : Draws or None
        Where the draws come from.

    Returns
    -------
    FanLaw

    Raises
    ------
    NeverSteady
        When there is neither a point nor a reference.

    Notes
    -----
    Marquardt's damped least squares of ln p, with one row for each thing known before; the covariance is that
    of the linearised problem with all rows in, times the scatter of the points where that is larger than
    0.4 %. Every run has an offset of its own, of 1 %.
    """
    chosen = Draws(61) if draws is None else draws
    used = [p for p in points if p.suction_pa > 0]
    runs = len({p.run for p in used})
    free_run = None
    if reference is not None:
        extra = _reference_points(reference, max((p.run for p in used), default=-1) + 1)
        free_run = extra[0].run if used else None
        used = [*used, *extra]
    if not used:
        raise NeverSteady(
            "nothing to take a fan law from",
            expected="a reference, or runs with a throttle that stands still, with suction",
            do="run 'undertray sweep', or hold a few throttles for three seconds each",
        )
    problem = _Problem(used, reference, share, of_gap, free_run, gap_within_mm)
    best, covariance, scatter = problem.solve()
    own = problem.own
    noise = np.stack([chosen.standard() for _ in own])
    drawn = best[own, None] + _root(covariance[np.ix_(own, own)]) @ noise
    values = problem.values(drawn)
    gaps = {round(p.gap_mm, 3) for p in used if p.gap_mm is not None}
    volts = [p.pack_mv for p in used if p.pack_mv is not None]
    measured = [p.throttle_us for p in used]
    return FanLaw(
        top_us=problem.top_us,
        pack_mv=problem.pack_mv,
        gap_mm=problem.gap_mm,
        level_pa=values[0],
        idle_us=values[1],
        throttle=values[2],
        voltage=values[3],
        share=values[4],
        of_gap=values[5],
        bend=values[6],
        leak=values[7],
        own=np.exp(drawn[len(_NAMES)]),
        gap_off_mm=drawn[-1] if problem.gap_mm is not None else np.zeros(len(noise[0])),
        set_off_mm=chosen.rectangle(0.0, gap_within_mm),
        uneven=chosen.rectangle(0.5, 0.5),
        mounting=np.exp(_MOUNTING * chosen.standard()),
        beyond=np.stack([chosen.standard() for _ in range(3)]),
        throttles_us=LawRange(min(measured), max(measured)),
        packs_mv=LawRange(min(volts), max(volts)) if volts else None,
        gaps_mm=LawRange(min(gaps), max(gaps)) if gaps else None,
        gaps=len(gaps),
        scatter=scatter,
        points=len(points),
        runs=runs,
        curve_known=share is not None,
    )


def from_curve(
    car: Car, points: Sequence[LawPoint], reference: FanReference | None
) -> tuple[tuple[float, float], tuple[float, float] | None] | None:
    """What the fan curve of a car file says before any run at another gap.

    Parameters
    ----------
    car : Car
        With the curve, and the outline of its floor.
    points : sequence of LawPoint
        Stretches of runs.
    reference : FanReference or None
        How the fans follow the throttle.

    Returns
    -------
    share, of_gap : (float, float), and that or None
        Y(a0) and r with standard deviations in the logits of Y and r/2, as :func:`fit_law` takes them; r
        where a gap is known. None without a curve that reaches shut-off, or where it does not reach what was
        measured.

    Notes
    -----
    Y(a0) is the suction over ``p0 r^2`` (:func:`undertray.reduce.leakage.fan_speed`), known to a tenth or so
    as a maker's curve is; r is the skirt's length, that of the floor's outline, times the gap, over the leak
    area that the curve gives, known to some 15 % (the gap is not the same all round). Common practice, no
    source.
    """
    used = [p for p in points if p.suction_pa > 0]
    if len(car.fan_curve) < 2 or car.fan_curve[-1][1] > 0 or not used:
        return None
    top = max(used, key=lambda p: p.suction_pa)
    pack_mv = np.nan if top.pack_mv is None else top.pack_mv
    speed = fan_speed(car, [top.throttle_us], [pack_mv], reference)
    area_m2 = float(leak_area_m2(car, [top.suction_pa], speed)[0])
    share = top.suction_pa / (car.fan_curve[-1][0] * float(speed[0]) ** 2) if speed[0] > 0 else math.nan
    if not 0.01 < share < 0.99 or not area_m2 > 0:
        return None
    if top.gap_mm is None:
        return (share, _CURVE_LOGIT), None
    length_mm = math.fsum(
        math.dist(a, b) for a, b in zip(car.floor_mm, (*car.floor_mm[1:], car.floor_mm[0]), strict=True)
    )
    of_gap = min(0.97, max(0.1, 1e-6 * length_mm * top.gap_mm / area_m2))
    return (share, _CURVE_LOGIT), (of_gap, _LENGTH_LOGIT)


def _reference_points(reference: FanReference, run: int) -> list[LawPoint]:
    """As many points on a reference's curve as it had levels: it keeps no others."""
    levels = min(max(reference.levels, 1), 20)
    share = np.linspace(0.45, 1.0, levels) if levels > 1 else np.ones(1)
    at_us = reference.idle_us + share * (reference.top_us - reference.idle_us)
    return [
        LawPoint(run, us, reference.pack_mv, None, pa)
        for us, pa in zip(at_us.tolist(), reference.suction_pa(at_us).tolist(), strict=True)
    ]


def _logit(share: ArrayLike) -> Array:
    s = np.asarray(share, float)
    return np.asarray(np.log(s / (1 - s)))


def _root(covariance: Array) -> Array:
    """A square root of a covariance by its eigenvectors; never fails on one that is singular."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)) @ vectors.T)


class _Problem:
    """Rows of the least squares: the points, and what is known before."""

    def __init__(
        self,
        points: Sequence[LawPoint],
        reference: FanReference | None,
        share: tuple[float, float] | None,
        of_gap: tuple[float, float] | None,
        free_run: int | None,
        gap_within_mm: float,
    ) -> None:
        self.u = np.array([p.throttle_us for p in points])
        self.y = np.log([p.suction_pa for p in points])
        self.root_weight = np.sqrt([p.weight for p in points])
        top = int(np.argmax(self.y))
        self.top_us = float(self.u.max())
        volts = np.array([np.nan if p.pack_mv is None else p.pack_mv for p in points])
        self.pack_mv = float(np.nanmedian(volts)) if np.isfinite(volts).any() else None
        # where it was not measured the voltage is taken as that of the others
        self.v = np.zeros(len(points)) if self.pack_mv is None else np.log(volts / self.pack_mv)
        self.v = np.nan_to_num(self.v, nan=0.0)
        gaps = np.array([np.nan if p.gap_mm is None else p.gap_mm for p in points])
        own = gaps[top] if np.isfinite(gaps[top]) else np.nan
        known = gaps[np.isfinite(gaps)]
        self.gap_mm = None if not len(known) else float(own if np.isfinite(own) else np.median(known))
        noted = np.nan_to_num(gaps, nan=self.gap_mm or 1.0)
        self.gaps, self.gap_of = np.unique(noted, return_inverse=True)
        self.first_gap = int(np.argmin(np.abs(self.gaps - (self.gap_mm or 1.0))))
        numbers = sorted({p.run for p in points})
        self.run = np.array([numbers.index(p.run) for p in points])
        self.offset_sd = np.array([2.0 if number == free_run else _MOUNTING for number in numbers])
        lowest = float(self.u.min())
        idle = min(1000.0, lowest - 2 * _LEAST_US)
        if reference is not None:
            idle = min(reference.idle_us, lowest - _LEAST_US)
        self.most_idle = lowest - _LEAST_US / 2
        exponent = 2.0 if reference is None else reference.exponent
        scaled = self.y[top] - exponent * math.log((self.u[top] - idle) / (self.top_us - idle))
        share = (0.6, 1.0) if share is None else share
        of_gap = (1.0, 0.6) if of_gap is None else of_gap
        bend = math.log(2.0)
        self.before = np.array(
            [
                *(
                    scaled,
                    idle,
                    exponent,
                    _VOLTAGE[0],
                    float(_logit(share[0])),
                    float(_logit(of_gap[0] / _MOST_OF_GAP)),
                    bend,
                    -2.0,
                ),
                *np.zeros(len(numbers) + len(self.gaps)),
            ]
        )
        few = len(np.unique(np.round(self.u / 20))) < 3
        sd = [10.0, 40.0 if few else 150.0, 0.2 if few else 1.0, _VOLTAGE[1], share[1], of_gap[1], 0.3, 1.0]
        # a gap that is all there is, or a width of nothing, leaves nothing to fit
        gap_sd = np.full(len(self.gaps), max(gap_within_mm, 1e-4) / 3**0.5)
        self.before_sd = np.array([*sd, *self.offset_sd, *gap_sd])
        first = len(_NAMES) + len(numbers)
        self.of_gaps = slice(first, first + len(self.gaps))
        self.own = [*range(len(_NAMES)), len(_NAMES) + int(self.run[top])]
        self.own += [] if self.gap_mm is None else [first + self.first_gap]

    def values(self, theta: Array) -> Array:
        """The law's own parameters from those that are fitted, shape (8, ...)."""
        # a step that goes astray is kept from overflowing; what is known before brings it back
        out: Array = np.clip(np.array(theta[: len(_NAMES)], float), -_FARTHEST, _FARTHEST)
        out[0] = np.exp(out[0])
        out[1] = np.minimum(theta[1], self.most_idle)
        out[2] = np.clip(out[2], 0.2, 20.0)
        out[3] = np.clip(out[3], 0.0, 6.0)
        out[4:6] = np.clip(1 / (1 + np.exp(-out[4:6])), 1e-3, 1 - 1e-3)
        out[5] *= _MOST_OF_GAP
        out[6] = np.clip(np.exp(out[6]), 1.0, 12.0)
        out[7] = 0.5 + 0.5 / (1 + np.exp(-out[7]))
        return out

    def model(self, theta: Array) -> Array:
        """ln p of every point."""
        p, idle, m, e, *curve = self.values(theta)
        x = (self.u - idle) / (self.top_us - idle)
        square = x**m * np.exp(e * self.v)
        true = np.maximum(self.gaps + theta[self.of_gaps], _LEAST_GAP * self.gaps)
        ratio = (true / true[self.first_gap])[self.gap_of]
        offset = theta[len(_NAMES) : self.of_gaps.start][self.run]
        return np.asarray(np.log(p * square * _share_of_level(square, ratio, *curve)) + offset)

    def rows(self, theta: Array, scatter: float) -> Array:
        """Everything that is to be small."""
        off = (self.y - self.model(theta)) * self.root_weight / scatter
        return np.concatenate([off, (self.before - theta) / self.before_sd])

    def solve(self) -> tuple[Array, Array, float]:
        """Best parameters, their covariance, and the scatter of the points."""
        scatter = 0.01
        theta = self.before.copy()
        for _ in range(4):
            theta, jacobian = self._descend(theta, scatter)
            off = (self.y - self.model(theta)) * self.root_weight
            covariance = np.linalg.inv(jacobian.T @ jacobian)
            # how many of the parameters the points decided: the trace of the hat matrix of their rows
            points = jacobian[: len(off)]
            spent = float(np.einsum("ij,jk,ik->", points, covariance, points))
            left = max(len(off) - spent, 0.2 * len(off), 1.0)
            found = max(_LEAST_SCATTER, math.sqrt(float(off @ off) / left))
            done = abs(found - scatter) < 0.02 * scatter
            scatter = found
            if done:
                break
        theta, jacobian = self._descend(theta, scatter)
        return theta, np.asarray(np.linalg.inv(jacobian.T @ jacobian), float), scatter

    def _descend(self, theta: Array, scatter: float) -> tuple[Array, Array]:
        rows, damping = self.rows(theta, scatter), 1e-3
        jacobian = self._jacobian(theta, scatter, rows)
        for _ in range(_MOST_ROUNDS):
            normal = jacobian.T @ jacobian
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -jacobian.T @ rows)
            trial = self.rows(theta + step, scatter)
            if trial @ trial <= rows @ rows:
                small = float(rows @ rows - trial @ trial) < 1e-9 * (1 + float(rows @ rows))
                theta, rows, damping = theta + step, trial, max(damping / 5, 1e-9)
                jacobian = self._jacobian(theta, scatter, rows)
                if small:
                    break
            elif damping > 1e9:
                break
            else:
                damping *= 5
        return theta, jacobian

    def _jacobian(self, theta: Array, scatter: float, rows: Array) -> Array:
        out = np.empty((len(rows), len(theta)))
        for k in range(len(theta)):
            step = 1e-5 * self.before_sd[k]
            moved = theta.copy()
            moved[k] += step
            out[:, k] = (self.rows(moved, scatter) - rows) / step
        return out


# What reduced runs give to a fan law: their steady stretches, with gap and pack as noted in the log.


_CELLS = re.compile(r"(?<![0-9.])([1-9]\d?)\s?[sS](?![A-Za-z])")
_NUMBER = re.compile(r"[-+]?\d+\.?\d*")
_LONGEST_S = 5.0
_MOST_MM = 50.0


@dataclass(frozen=True, slots=True)
class RunPoints:
    """Points of some runs."""

    law: tuple[LawPoint, ...]
    volts: tuple[VoltPoint, ...]
    cells: int | None
    notices: tuple[str, ...]


def run_points(
    runs: Sequence[tuple[Reduction, Mapping[str, Any]]],
    gap_mm: float | None = None,
    cells: int | None = None,
) -> RunPoints:
    """Take points from runs.

    Parameters
    ----------
    runs : sequence of (Reduction, mapping)
        Runs and their facts; of the facts ``gap`` (``"0.8 mm"``) and ``pack`` (``"3S 1300 mAh"``) count.
    gap_mm : float or None
        Gap of those that do not note one.
    cells : int or None
        Cells of the pack of those that do not note it.

    Returns
    -------
    RunPoints

    Notes
    -----
    A stretch counts by the root of its length, up to 5 s.
    """
    law: list[LawPoint] = []
    volts: list[VoltPoint] = []
    noted: set[int] = set()
    said: list[str] = []
    for number, (one, facts) in enumerate(runs):
        own_mm, own_cells = _gap_mm(facts, one.run, said), _cells(facts)
        noted |= {own_cells} if own_cells is not None else set()
        dwells = [dwell for dwell in steady_dwells(one.blocks) if dwell.suction_pa > 0]
        if not dwells:
            said.append(f"{one.run}: no throttle stood still with suction, so it says nothing of the fans")
        rest_mv = _rest_mv(one.blocks)
        for dwell in dwells:
            weight = math.sqrt(min(dwell.seconds, _LONGEST_S) / _LONGEST_S)
            gap = gap_mm if own_mm is None else own_mm
            law.append(LawPoint(number, dwell.throttle_us, dwell.pack_mv, gap, dwell.suction_pa, weight))
            if dwell.pack_mv is not None:
                volts.append(VoltPoint(rest_mv, dwell.pack_mv, dwell.suction_pa))
    if len(noted) > 1:
        said.append(
            "the runs note packs of "
            + " and ".join(f"{n}S" for n in sorted(noted))
            + ": their voltages count, but other cells can only be asked for by voltage"
        )
    found = next(iter(noted)) if len(noted) == 1 else None if noted else cells
    return RunPoints(tuple(law), tuple(volts), found, tuple(said))


def _fact(facts: Mapping[str, Any], key: str) -> object:
    notes = facts.get("notes")
    value = facts.get(key)
    return notes.get(key) if value is None and isinstance(notes, Mapping) else value


def _gap_mm(facts: Mapping[str, Any], run: str, said: list[str]) -> float | None:
    value = _fact(facts, "gap")
    if value is None:
        return None
    try:
        text = str(value)[:60].strip()
        gap = quantity(float(text) if _NUMBER.fullmatch(text) else text, "mm", f"{run}, gap")
    except UndertrayError as error:
        said.append(f"the gap noted is not a gap: {error}")
        return None
    if not 0 < gap <= _MOST_MM:
        said.append(f"{run}: a gap of {gap:g} mm is not a gap, and does not count")
        return None
    return gap


def _cells(facts: Mapping[str, Any]) -> int | None:
    value = _fact(facts, "pack")
    found = _CELLS.search(str(value)[:200]) if value is not None else None
    return int(found[1]) if found and int(found[1]) <= 14 else None


def _rest_mv(blocks: Blocks) -> float | None:
    """Voltage while the fans stood, before the run or after it."""
    with np.errstate(invalid="ignore"):
        rest = blocks.pack_mv[(blocks.throttle_us <= REST_US) & np.isfinite(blocks.pack_mv)]
    return float(np.median(rest)) if len(rest) >= 5 else None

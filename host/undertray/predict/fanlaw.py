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

Two fans with throttles of their own are like fans side by side (:mod:`undertray.reduce.parallelfans`): each
has its own x and V in s, and both the other parameters. What the first moves of all is a half within a fifth
of that, the squares of their speeds are alike within 12 % (95 %; two of one make, common practice, no
source), b anything from 0 to 1.5, until stretches in which they part say better.

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

from undertray.calibrate.distributions import NORMAL
from undertray.errors import NeverSteady, UndertrayError
from undertray.predict.draws import Draws
from undertray.reduce.car import Car
from undertray.reduce.fan import FanAt, FanReference, steady_dwells
from undertray.reduce.leakage import fan_speed, leak_area_m2
from undertray.reduce.parallelfans import APART_US, parallel_suction
from undertray.reduce.steady import REST_US
from undertray.reduce.summary import Reduction
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
_MOST_ROUNDS, _MOST_STEPS = 60, 8
_WORST_MV = 1.0
_VOLTAGE = (2.1, 0.2)
_FARTHEST, _MOST_LEAK = 30.0, 1e12
_LEAST_US = 25.0  # between the fans' idle and the lowest throttle at which they sucked
_BEYOND_95 = 0.1
GAP_WITHIN_MM = 0.05
"""Half of the width that a gap is known within, mm: feeler gauges (common practice, no source)."""
_LEAST_GAP, _LEAST_LEAK, _MOST_OF_GAP = 0.2, 0.02, 2.0
_CURVE_LOGIT, _LENGTH_LOGIT = 0.35, 0.8
_UNLIKE = ("part", "stronger", "back")  # of two fans
# of the logit of the first's part of the flow, the ln of what its square is stronger by, the logit of b/1.5
_UNLIKE_SD, _MOST_BACK = (0.2, 0.03, 1.6), 1.5


@dataclass(frozen=True, slots=True)
class LawPoint:
    """A steady stretch of a run: the run's number, µs, mV, mm and Pa; None where it was not measured."""

    run: int
    throttle_us: float
    pack_mv: float | None
    gap_mm: float | None
    suction_pa: float
    weight: float = 1.0
    second: FanAt | None = None  # the other of two fans, where it does not do the same

    def fans(self) -> tuple[FanAt, ...]:
        """What each of two fans did that did not do the same, or all of them."""
        first = FanAt(self.throttle_us, self.pack_mv)
        return (first,) if self.second is None else (first, self.second)


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

    def nearest(self, value: ArrayLike) -> Array:
        """The value, or the end that it lies beyond."""
        return np.asarray(np.clip(np.asarray(value, float), self.low, self.high))


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
    part: Array
    stronger: Array
    back: Array
    parted: int  # stretches in which two fans had not one throttle

    @property
    def knows_gap(self) -> bool:
        """Whether another gap can be asked about: two gaps were measured, or one and the fan curve."""
        return self.gaps >= 2 or (self.gaps == 1 and self.curve_known)

    def suction_pa(
        self,
        throttle_us: ArrayLike,
        pack_mv: ArrayLike | None = None,
        gap_mm: ArrayLike | None = None,
        second: tuple[ArrayLike, ArrayLike | None] | None = None,
    ) -> Array:
        """Suction, with all that is uncertain in it.

        Parameters
        ----------
        throttle_us, pack_mv, gap_mm : array or None
            Pulse width, pack voltage under load, and gap as set; those of the law where left out.
        second : (array, array or None) or None
            Pulse width and pack voltage of the other of two fans; those of the first where left out.

        Returns
        -------
        ndarray, shape (COUNT,)
            Pa.

        Notes
        -----
        Beyond what was measured, in each of the three (for both fans), that part of the change of ln p which
        lies beyond is uncertain by a tenth of itself (95 %), on top of what the parameters are uncertain by.
        """
        other_us, other_mv = (None, None) if second is None else second
        # of each fan, then what both have
        asked = ([throttle_us, other_us], [pack_mv, other_mv], [gap_mm])
        here = self._plain(*asked)
        out = here * (self.own if self._as_driven(gap_mm) else self.mounting)
        ranges = self.throttles_us, self.packs_mv, self.gaps_mm
        for row, known in enumerate(ranges):
            if known is None:
                continue
            nearest = [*asked]
            nearest[row] = [None if at is None else known.nearest(at) for at in asked[row]]
            if all(
                at is None or np.array_equal(np.asarray(at, float), known.nearest(at)) for at in asked[row]
            ):
                continue
            there = self._plain(*nearest)
            change = np.log(np.maximum(here, 1e-9) / np.maximum(there, 1e-9))
            change = np.clip(change, -2.0, 2.0)  # below idle the logarithm has no end
            out = out * np.exp(_BEYOND_95 / NORMAL * change * self.beyond[row])
        return np.asarray(out)

    def _as_driven(self, gap_mm: ArrayLike | None) -> bool:
        """Whether nothing was set anew: the gap, and with it the mounting, is that of h0."""
        return gap_mm is None or self.gap_mm is None or np.array_equal(gap_mm, self.gap_mm)

    def _square(self, throttle_us: ArrayLike, pack_mv: ArrayLike | None) -> Array:
        """Square of a fan's speed over that of the level."""
        x = np.maximum(np.asarray(throttle_us, float) - self.idle_us, 0.0) / (self.top_us - self.idle_us)
        square = x**self.throttle
        if pack_mv is not None and self.pack_mv is not None:
            volts = np.maximum(np.asarray(pack_mv, float), _WORST_MV)
            square = square * (volts / self.pack_mv) ** self.voltage
        return np.asarray(square)

    def _plain(
        self,
        throttles_us: Sequence[ArrayLike | None],
        packs_mv: Sequence[ArrayLike | None],
        gap: Sequence[ArrayLike | None],
    ) -> Array:
        (first_us, other_us), (first_mv, other_mv), (gap_mm,) = throttles_us, packs_mv, gap
        assert first_us is not None
        squares = [self._square(first_us, first_mv)]
        if other_us is not None:
            squares.append(self._square(other_us, first_mv if other_mv is None else other_mv))
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
        if len(squares) > 1:
            of_level = _parallel_of_level(
                *(squares[0], squares[1], ratio, *curve),
                part=self.part,
                stronger=self.stronger,
                back=self.back,
            )
            return np.asarray(self.level_pa * of_level)
        return np.asarray(self.level_pa * squares[0] * _share_of_level(squares[0], ratio, *curve))


def _leak(of_gap_ref: Array, share: Array, of_gap: Array, bend: Array, leak: Array) -> Array:
    """``a`` at a gap that is a multiple of the reference's."""
    a0 = (1 - share) ** (1 / bend) / share**leak
    return np.asarray(a0 * np.maximum(1 - of_gap + of_gap * of_gap_ref, _LEAST_LEAK))


def _share_of_level(
    square: Array, of_gap_ref: Array, share: Array, of_gap: Array, bend: Array, leak: Array
) -> Array:
    """``Y/Y(a0)`` at a square of the speed, and a gap that is a multiple of the reference's."""
    a = _leak(of_gap_ref, share, of_gap, bend, leak) * np.maximum(square, 1e-12) ** (leak - 0.5)
    return np.asarray(shut_off_share(a, bend, leak) / share)


def _parallel_of_level(
    square1: Array,
    square2: Array,
    of_gap_ref: Array,
    share: Array,
    of_gap: Array,
    bend: Array,
    leak: Array,
    *,
    part: Array,
    stronger: Array,
    back: Array,
) -> Array:
    """``y/Y(a0)`` of two fans."""
    a = _leak(of_gap_ref, share, of_gap, bend, leak)
    found = parallel_suction(square1 * stronger, square2 / stronger, a, bend, leak, part, back)
    return np.asarray(found / share)


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
    if len(problem.apart):
        noise = np.stack([chosen.standard() for _ in best])
        drawn = problem.drawn(best, noise, scatter)[own]
    else:
        noise = np.stack([chosen.standard() for _ in own])
        drawn = best[own, None] + _root(covariance[np.ix_(own, own)]) @ noise
    values = problem.values(drawn)
    gaps = {round(p.gap_mm, 3) for p in used if p.gap_mm is not None}
    volts = [one.pack_mv for p in used for one in p.fans() if one.pack_mv is not None]
    measured = [one.throttle_us for p in used for one in p.fans()]
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
        gap_off_mm=drawn[problem.gap_row] if problem.gap_mm is not None else np.zeros(len(noise[0])),
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
        parted=sum(p.second is not None and _part(p, p.second.throttle_us) for p in used),
        **problem.both(drawn, chosen),
    )


def _part(point: LawPoint, second_us: float) -> bool:
    return abs(second_us - point.throttle_us) > APART_US


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
    speeds = [
        fan_speed(car, one.throttle_us, np.nan if one.pack_mv is None else one.pack_mv, reference)
        for one in top.fans()
    ]
    area_m2 = float(leak_area_m2(car, top.suction_pa, *speeds))
    # of two that part, the one that is held back the most: beyond its shut-off there is no area
    share = top.suction_pa / (car.fan_curve[-1][0] * float(max(speeds)) ** 2) if max(speeds) > 0 else math.nan
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


def _answers(jacobian: Array, covariance: Array, short: Array) -> Array:
    """How far draws are from answering what they should: squares, in standard deviations."""
    pull = jacobian.T @ short
    return np.asarray(np.einsum("ik,ij,jk->k", pull, covariance, pull))


def _unlike(theta: Array) -> tuple[Array, Array, Array]:
    """The first fan's part of the flow, what it is stronger by, and b, from what is fitted."""
    part, back = (1 / (1 + np.exp(-np.clip(one, -_FARTHEST, _FARTHEST))) for one in (theta[0], theta[2]))
    return part, np.exp(np.clip(theta[1], -1.0, 1.0)), _MOST_BACK * back


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
        fans = [p.fans() for p in points]
        self.apart = np.flatnonzero([len(each) > 1 for each in fans])
        self.u = np.array([each[0].throttle_us for each in fans])
        self.u2 = np.array([each[-1].throttle_us for each in fans])
        self.y = np.log([p.suction_pa for p in points])
        self.root_weight = np.sqrt([p.weight for p in points])
        top = int(np.argmax(self.y))
        self.top_us = float(max(self.u.max(), self.u2.max()))
        volts, others = (
            np.array([np.nan if each[k].pack_mv is None else each[k].pack_mv for each in fans], float)
            for k in (0, -1)
        )
        self.pack_mv = float(np.nanmedian(volts)) if np.isfinite(volts).any() else None
        # where it was not measured the voltage is taken as that of the others
        self.v, self.v2 = (
            np.zeros(len(points))
            if self.pack_mv is None
            else np.nan_to_num(np.log(of / self.pack_mv), nan=0.0)
            for of in (volts, others)
        )
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
        # one of two that stands tells nothing of where they begin to turn
        turning = [
            one.throttle_us for each in fans for one in each if len(each) == 1 or one.throttle_us > REST_US
        ]
        lowest = min(turning, default=float(self.u.min()))
        idle = min(1000.0, lowest - 2 * _LEAST_US)
        if reference is not None:
            idle = min(reference.idle_us, lowest - _LEAST_US)
        self.most_idle = lowest - _LEAST_US / 2
        exponent = 2.0 if reference is None else reference.exponent
        highest_us = max(self.u[top], self.u2[top])
        scaled = self.y[top] - exponent * math.log((highest_us - idle) / (self.top_us - idle))
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
                *np.zeros(len(_UNLIKE) * (len(self.apart) > 0)),
            ]
        )
        few = len(np.unique(np.round(np.concatenate([self.u, self.u2]) / 20))) < 3
        sd = [10.0, 40.0 if few else 150.0, 0.2 if few else 1.0, _VOLTAGE[1], share[1], of_gap[1], 0.3, 1.0]
        # a gap that is all there is, or a width of nothing, leaves nothing to fit
        gap_sd = np.full(len(self.gaps), max(gap_within_mm, 1e-4) / 3**0.5)
        unlike_sd = _UNLIKE_SD if len(self.apart) else ()
        self.before_sd = np.array([*sd, *self.offset_sd, *gap_sd, *unlike_sd])
        first = len(_NAMES) + len(numbers)
        self.of_gaps = slice(first, first + len(self.gaps))
        self.own = [*range(len(_NAMES)), len(_NAMES) + int(self.run[top])]
        self.gap_row = len(self.own)
        self.own += [] if self.gap_mm is None else [first + self.first_gap]
        self.own += [self.of_gaps.stop + k for k in range(len(unlike_sd))]

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

    def both(self, drawn: Array, draws: Draws) -> dict[str, Array]:
        """What only two fans that part need: as fitted, or as known before."""
        if len(self.apart):
            return dict(zip(_UNLIKE, _unlike(drawn[-len(_UNLIKE) :]), strict=True))
        found = np.stack([sd * draws.standard() for sd in _UNLIKE_SD])
        return dict(zip(_UNLIKE, _unlike(found), strict=True))

    def model(self, theta: Array) -> Array:
        """ln p of every point; ``theta`` may hold many draws, one a column."""
        p, idle, m, e, *curve = self.values(theta)
        u, u2, v, v2 = (
            of.reshape(-1, *np.ones(theta.ndim - 1, int)) for of in (self.u, self.u2, self.v, self.v2)
        )
        x = np.maximum(u - idle, 0.0) / (self.top_us - idle)
        square = x**m * np.exp(e * v)
        gaps = self.gaps.reshape(-1, *np.ones(theta.ndim - 1, int))
        true = np.maximum(gaps + theta[self.of_gaps], _LEAST_GAP * gaps)
        ratio = (true / true[self.first_gap])[self.gap_of]
        offset = theta[len(_NAMES) : self.of_gaps.start][self.run]
        of_level = square * _share_of_level(square, ratio, *curve)
        if len(k := self.apart):
            x2 = np.maximum(u2[k] - idle, 0.0) / (self.top_us - idle)
            square2 = x2**m * np.exp(e * v2[k])
            unlike = dict(zip(_UNLIKE, _unlike(theta[-len(_UNLIKE) :]), strict=True))
            of_level[k] = _parallel_of_level(square[k], square2, ratio[k], *curve, **unlike)
        return np.asarray(np.log(p * of_level) + offset)

    def rows(self, theta: Array, scatter: float) -> Array:
        """Everything that is to be small."""
        y, root_weight, before, before_sd = (
            of.reshape(-1, *np.ones(theta.ndim - 1, int))
            for of in (self.y, self.root_weight, self.before, self.before_sd)
        )
        off = (y - self.model(theta)) * root_weight / scatter
        return np.concatenate([off, (before - theta) / before_sd])

    def drawn(self, best: Array, noise: Array, scatter: float) -> Array:
        """Draws of all parameters, shape (parameters, COUNT).

        Each is the best answer to readings and knowledge that are off as ``noise`` has it: the linearised
        one, then steps with the same derivatives until it answers them. Far from the best the law of two fans
        bends so much that a linearised draw denies what was measured.
        """
        rows = self.rows(best, scatter)
        jacobian = self._jacobian(best, scatter, rows)
        covariance = np.asarray(np.linalg.inv(jacobian.T @ jacobian), float)
        away = _root(covariance) @ noise
        wanted = rows[:, None] + jacobian @ away
        theta, step = best[:, None] + away, np.ones(noise.shape[1])
        short = self.rows(theta, scatter) - wanted
        for _ in range(_MOST_STEPS):
            trial = theta - step * (covariance @ (jacobian.T @ short))
            left = self.rows(trial, scatter) - wanted
            nearer = _answers(jacobian, covariance, left) < _answers(jacobian, covariance, short)
            theta, short = np.where(nearer, trial, theta), np.where(nearer, left, short)
            step = np.where(nearer, np.minimum(1.0, 2 * step), step / 2)
        return theta

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
    volts2: tuple[VoltPoint, ...]  # of the second fan's own pack
    cells: int | None
    two_fans: bool
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
    A stretch counts by the root of its length, up to 5 s. What a pack gives is taken from stretches in which
    two fans have one throttle: in others the suction tells nothing of the load on either.
    """
    law: list[LawPoint] = []
    volts: tuple[list[VoltPoint], list[VoltPoint]] = ([], [])
    noted: set[int] = set()
    said: list[str] = []
    for number, (one, facts) in enumerate(runs):
        own_mm, own_cells = _gap_mm(facts, one.run, said), _cells(facts)
        noted |= {own_cells} if own_cells is not None else set()
        dwells = [dwell for dwell in steady_dwells(one.blocks) if dwell.suction_pa > 0]
        if not dwells:
            said.append(f"{one.run}: no throttle stood still with suction, so it says nothing of the fans")
        drives = one.blocks.drives()
        rests_mv = [_rest_mv(one.blocks.throttle_us, drive.pack_mv) for drive in (drives[0], drives[-1])]
        for dwell in dwells:
            weight = math.sqrt(min(dwell.seconds, _LONGEST_S) / _LONGEST_S)
            gap = gap_mm if own_mm is None else own_mm
            first, *other = dwell.fans or (FanAt(dwell.throttle_us, dwell.pack_mv),)
            second = other[0] if other else None
            point = LawPoint(number, first.throttle_us, first.pack_mv, gap, dwell.suction_pa, weight, second)
            law.append(point)
            if second is not None and _part(point, second.throttle_us):
                continue
            for of, rest_mv, fan in zip(volts, rests_mv, (first, second or first), strict=True):
                if fan.pack_mv is not None:
                    of.append(VoltPoint(rest_mv, fan.pack_mv, dwell.suction_pa))
    if len(noted) > 1:
        said.append(
            "the runs note packs of "
            + " and ".join(f"{n}S" for n in sorted(noted))
            + ": their voltages count, but other cells can only be asked for by voltage"
        )
    found = next(iter(noted)) if len(noted) == 1 else None if noted else cells
    own_pack = any(one.series.pack2_mv is not None for one, _ in runs)
    return RunPoints(
        tuple(law),
        tuple(volts[0]),
        tuple(volts[1]) if own_pack else (),
        found,
        any(one.series.throttles_us is not None for one, _ in runs),
        tuple(said),
    )


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


def _rest_mv(throttle_us: Array, pack_mv: Array) -> float | None:
    """Voltage while the fans stood, before the run or after it."""
    with np.errstate(invalid="ignore"):
        rest = pack_mv[(throttle_us <= REST_US) & np.isfinite(pack_mv)]
    return float(np.median(rest)) if len(rest) >= 5 else None

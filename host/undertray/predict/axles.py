"""Which axle is the weaker, by how much, and what a duct between front and rear of the floor moves."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.errors import NeverSteady
from undertray.reduce.car import Car
from undertray.reduce.leakage import orifice_flow_m3_s
from undertray.reduce.loads import load_matrix
from undertray.reduce.summary import Estimate, Steady
from undertray.reduce.tapcover import entering_air, unevenness, unspanned

if TYPE_CHECKING:
    from undertray.reduce.run import Reduction

__all__ = ["AxleBalance", "Axles", "Duct", "Region", "axles_of", "leak_shares"]


# Where a floor leaks: what the differences between its taps say of it.


Array = NDArray[np.float64]

_MODEL = 0.25  # of a difference between taps: how near cases of a coarse floor come to a real one
_SAME = 0.004  # of the mean suction: closer than that no case is meant
_FEWEST = 40.0  # cases that have to go with the readings, as many as their weights are worth
_WIDER = 1.15
_ENDS = (0.025, 0.5, 0.975)
_COARSE = 1.5  # cells of the outline: an end of a part may lie anywhere in one
_TELLS = 0.8  # of the width that is open before any reading


@dataclass(frozen=True, slots=True)
class Region:
    """A part of the floor, and how much of the leaking air comes in there."""

    name: str
    skirt: float
    share: float | None
    low: float | None
    high: float | None
    told: bool


def leak_shares(car: Car, taps_pa: Mapping[str, Estimate]) -> tuple[Region, ...]:
    """Find out where a floor leaks.

    Parameters
    ----------
    car : Car
        Floor and taps.
    taps_pa : mapping of str to Estimate
        Steady suction of the taps that were good, Pa, by name.

    Returns
    -------
    tuple of Region
        Halves of the floor, then the part nearest to each tap; empty where no tap reads suction.

    Notes
    -----
    Suction at some points is no flow. But where much air comes in, it flows from there to the fans, and
    friction and speed make the suction differ: a thousand ways in which a skirt can leak and fans can stand
    are worked out for the outline (:func:`undertray.reduce.tapcover.unevenness`), and in each is known what
    the taps would read and where the air enters. The cases are weighed by how well their taps differ as
    those of the run do: a normal misfit of every tap's reading over the mean of all, with the uncertainty of
    the tap, a quarter of the largest difference for what a coarse model leaves out, and 0.4 % of the mean. It
    is widened until the cases that count are worth 40. Their 2.5 and 97.5 % points, and one and a half cells
    of the outline to both sides, are the interval.

    Slot, gap, fans and their places are not asked for, and are as open as the leak: often the readings tell
    hardly more than the outline did, and then that is said. Taps under a fan, or in the jet of a hole, read
    what no even part of the floor has.

    References
    ----------
    Cases weighed by how well they go with what was read: importance sampling, any textbook of statistics.
    """
    names = [tap.name for tap in car.taps if tap.name in taps_pa]
    read = np.array([taps_pa[name].mean for name in names])
    if not len(read) or read.mean() <= 0:
        return ()
    floor = unevenness(car.floor_mm)
    places = {tap.name: (tap.x_mm, tap.y_mm) for tap in car.taps}
    cases = 1 + floor.at([places[name] for name in names])
    cases = cases / cases.mean(axis=1, keepdims=True)
    seen = read / read.mean()
    own = np.array([(taps_pa[name].u95 or 0.0) / 2 for name in names]) / read.mean()
    weights = _weights(cases - seen, np.sqrt(own**2 + _SAME**2 + (_MODEL * np.ptp(seen)) ** 2))
    enters = entering_air(car.floor_mm)
    even = np.full(len(weights), 1 / len(weights))
    missing = unspanned(car, set(names))
    rim: NDArray[np.bool_] = np.asarray((enters > 0).any(axis=0))
    found = []
    for name, where, spanned in _parts(car, floor.places_mm, names, missing):
        share = enters[:, where].sum(axis=1)
        low, middle, high = _points(share, weights)
        before, _, after = _points(share, even)
        told = high - low < _TELLS * (after - before)
        skirt, coarse = float(rim[where].sum() / rim.sum()), _COARSE / float(rim.sum())
        if spanned:
            found.append(Region(name, skirt, middle, max(0.0, low - coarse), min(1.0, high + coarse), told))
        else:
            found.append(Region(name, skirt, None, None, None, told=False))
    return tuple(found)


def _parts(
    car: Car, places_mm: Array, names: list[str], missing: frozenset[str]
) -> Iterator[tuple[str, NDArray[np.bool_], bool]]:
    """Name, cells, and whether two taps span it."""
    corners = np.array(car.floor_mm)
    middle_mm = (corners[:, 0].min() + corners[:, 0].max()) / 2
    x, y = places_mm.T
    yield "front half", x < middle_mm, "x_mm" not in missing
    yield "rear half", x >= middle_mm, "x_mm" not in missing
    yield "left half", y < 0, "y_mm" not in missing
    yield "right half", y >= 0, "y_mm" not in missing
    taps = np.array([(tap.x_mm, tap.y_mm) for tap in car.taps if tap.name in names])
    nearest = np.square(places_mm[:, None] - taps[None]).sum(axis=2).argmin(axis=1)
    for place, name in enumerate(names):
        yield name, nearest == place, len(names) > 1


def _weights(off: Array, within: Array) -> Array:
    """Weights of the cases by their misfit, widened until enough of them count; of sum 1."""
    misfit = np.square(off / within).sum(axis=1)
    width = 1.0
    while True:
        weights = np.exp(-(misfit - misfit.min()) / (2 * width**2))
        weights /= weights.sum()
        if 1 / np.square(weights).sum() >= _FEWEST or width > 1e6:
            return np.asarray(weights)
        width *= _WIDER


def _points(values: Array, weights: Array) -> tuple[float, float, float]:
    order = np.argsort(values, kind="stable")
    up_to = np.cumsum(weights[order]) - weights[order] / 2
    low, middle, high = np.interp(_ENDS, up_to, values[order]).tolist()
    return low, middle, high


_DISCHARGE = (0.61, 0.82)
"""Of a hole with sharp edges; and of a short duct: losses of 0.5 where air enters and 1 where it leaves."""


@dataclass(frozen=True, slots=True)
class AxleBalance:
    """One axle in the steady part of a run."""

    name: str
    load_n: Estimate
    margin_n: Estimate
    margin_pa: float | None
    spare: float | None


@dataclass(frozen=True, slots=True)
class Duct:
    """A duct between the part of the floor over the weaker axle and the part over the other."""

    area_mm2: float
    weak: tuple[str, ...]
    strong: tuple[str, ...]
    apart_pa: Estimate
    least_m3_s: float
    most_m3_s: float
    of_leak: tuple[float, float] | None
    gain_low_pa: float | None
    gain_high_pa: float | None
    axle_low_n: float | None
    axle_high_n: float | None


@dataclass(frozen=True, slots=True)
class Axles:
    """The axles of a run beside one another, at the weakest of the throttles at which it was steady."""

    run: str
    throttle_us: float | None
    throttles: int
    suction_pa: Estimate
    front: AxleBalance
    rear: AxleBalance
    weaker: str
    apart_n: Estimate
    sure: bool | None
    taps_pa: Mapping[str, Estimate]
    leaks: tuple[Region, ...]
    duct: Duct | None


def axles_of(reduction: Reduction, car: Car, duct_mm2: float | None = None) -> Axles:
    """Put the axles of a run beside one another.

    Parameters
    ----------
    reduction : Reduction
        The run.
    car : Car
        Its car.
    duct_mm2 : float or None
        Area of a duct to reckon with, mm2.

    Returns
    -------
    Axles

    Raises
    ------
    NeverSteady
        When the run never was steady.

    Notes
    -----
    With loads L of the axles at the mean suction p, the suction may fall by ``p M/L`` until the margin M of
    an axle is gone. The difference of the margins has the uncertainty of the force and of its centre x:
    ``rear - front = D (2 x/l - 1)`` with the wheelbase l; where no two taps span x, the sum of both loads'.

    A duct of the area A between two parts whose suctions differ by d moves ``Q = Cd A sqrt(2 d/rho)`` at
    first, Cd from 0.61, a hole with sharp edges, to ``1/sqrt(0.5 + 1) = 0.82``, a short duct that loses half
    a velocity head where air enters and one where it leaves. As it moves air, d falls to d'. What flows from
    the weaker part to the fans beside the duct is at most what leaks there, q; through the floor it goes
    with a power of d between a half (friction of rough walls) and one (viscosity). With ``r = sqrt(d'/d)``

    ``q r^2 + Q r = q`` for the one, ``q r + Q r = q`` for the half,

    so the weaker part gains ``d (1 - r^2)`` of the first, which is the less, at least; and d at most: fans
    that stand in the weaker part leave less to flow under the floor. q is known from the leak area of the fan
    curve and the greatest share that the taps leave to that part; without a fan curve the least gain is 0.
    What the stronger part loses is left out.

    References
    ----------
    Statics of two supports; orifice and losses of a pipe's ends: any handbook of hydraulics (entrance 0.5,
    exit 1; sharp-edged orifice 0.61, from memory).
    """
    steady = reduction.steady
    if steady is None:
        raise NeverSteady(
            "the run never was steady",
            where=reduction.run,
            expected="a throttle that stands still for a second with nothing happening",
            do="hold the throttle for three seconds",
        )
    pa = steady.suction_pa.mean
    sides = {
        name: _axle(name, load, margin, pa)
        for name, load, margin in (
            ("front", steady.front_n, steady.front_margin_n),
            ("rear", steady.rear_n, steady.rear_margin_n),
        )
    }
    weaker = min(sides, key=lambda name: sides[name].margin_n.mean)
    other = "rear" if weaker == "front" else "front"
    apart = sides[other].margin_n.mean - sides[weaker].margin_n.mean
    u95 = _apart_u95(steady, car)
    leaks = leak_shares(car, steady.taps_pa)
    return Axles(
        run=reduction.run,
        throttle_us=steady.throttle_us,
        throttles=steady.throttles,
        suction_pa=steady.suction_pa,
        front=sides["front"],
        rear=sides["rear"],
        weaker=weaker,
        apart_n=Estimate(apart, u95),
        sure=None if u95 is None else apart > u95,
        taps_pa=steady.taps_pa,
        leaks=leaks,
        duct=None
        if duct_mm2 is None
        else _duct(steady, reduction.fan.leak_mm2, car, weaker, duct_mm2, leaks),
    )


def _axle(name: str, load: Estimate, margin: Estimate, pa: float) -> AxleBalance:
    need_n = load.mean - margin.mean
    return AxleBalance(
        name=name,
        load_n=load,
        margin_n=margin,
        margin_pa=pa * margin.mean / load.mean if load.mean > 0 else None,
        spare=load.mean / need_n if need_n > 0 else None,
    )


def _apart_u95(steady: Steady, car: Car) -> float | None:
    """Of rear less front load."""
    if steady.front_n.u95 is None or steady.rear_n.u95 is None:
        return None
    centre, force = steady.centre_x_mm, steady.downforce_n
    if centre is None or centre.u95 is None or force.u95 is None:
        return steady.front_n.u95 + steady.rear_n.u95
    per_mm, off = 2 * force.mean / car.wheelbase_mm, 2 * centre.mean / car.wheelbase_mm - 1
    return math.hypot(per_mm * centre.u95, off * force.u95)


def _duct(
    steady: Steady,
    leak_mm2: float | None,
    car: Car,
    weaker: str,
    area_mm2: float,
    leaks: tuple[Region, ...],
) -> Duct | None:
    """A duct between the taps nearer to the one axle and those nearer to the other."""
    matrix = load_matrix(car, set(steady.taps_pa))
    area_m2 = dict(zip(matrix.taps, matrix.area_m2.tolist(), strict=True))
    middle_mm = car.wheelbase_mm / 2
    front = tuple(t.name for t in car.taps if t.name in area_m2 and t.x_mm < middle_mm)
    rear = tuple(t.name for t in car.taps if t.name in area_m2 and t.x_mm >= middle_mm)
    weak, strong = (front, rear) if weaker == "front" else (rear, front)
    if not weak or not strong:
        return None

    def mean(names: tuple[str, ...]) -> Estimate:
        whole = math.fsum(area_m2[n] for n in names)
        taps = [(area_m2[n] / whole, steady.taps_pa[n]) for n in names]
        known = all(one.u95 is not None for _, one in taps)
        u95 = math.sqrt(math.fsum((part * (one.u95 or 0.0)) ** 2 for part, one in taps))
        return Estimate(math.fsum(part * one.mean for part, one in taps), u95 if known else None)

    one, other = mean(weak), mean(strong)
    known = one.u95 is not None and other.u95 is not None
    apart = Estimate(other.mean - one.mean, math.hypot(one.u95 or 0.0, other.u95 or 0.0) if known else None)
    lows = max(0.0, apart.mean - (apart.u95 or 0.0)), max(0.0, apart.mean + (apart.u95 or 0.0))
    least, most = (
        float(orifice_flow_m3_s(area_mm2 * 1e-6, d, cd)) for d, cd in zip(lows, _DISCHARGE, strict=True)
    )
    pa = steady.suction_pa.mean
    whole_m3_s = None
    if leak_mm2 is not None and pa > 0:
        whole_m3_s = float(orifice_flow_m3_s(leak_mm2 * 1e-6, pa, car.discharge))
    low_pa = high_pa = None
    if lows[1] > 0:
        share = next((r.high for r in leaks if r.name == f"{weaker} half"), None)
        low_pa, high_pa = 0.0, lows[1]
        if whole_m3_s is not None:
            low_pa = _least_gain_pa(lows[0], (1.0 if share is None else share) * whole_m3_s, least)
    row = {"front": 1, "rear": 2}[weaker]
    per_pa = math.fsum(float(matrix.matrix[row, k]) for k, name in enumerate(matrix.taps) if name in weak)
    return Duct(
        area_mm2=area_mm2,
        weak=weak,
        strong=strong,
        apart_pa=apart,
        least_m3_s=least,
        most_m3_s=most,
        of_leak=None if not whole_m3_s else (least / whole_m3_s, most / whole_m3_s),
        gain_low_pa=low_pa,
        gain_high_pa=high_pa,
        axle_low_n=None if low_pa is None else per_pa * low_pa,
        axle_high_n=None if high_pa is None else per_pa * high_pa,
    )


def _least_gain_pa(apart_pa: float, own_m3_s: float, duct_m3_s: float) -> float:
    if own_m3_s <= 0 or duct_m3_s <= 0:
        return 0.0
    part = duct_m3_s / own_m3_s
    left = (math.sqrt(part * part + 4) - part) / 2  # the root of r^2 + part r = 1
    return apart_pa * (1 - left * left)

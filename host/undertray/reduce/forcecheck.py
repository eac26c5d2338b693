"""Pull-off forces of a balance beside the force computed from the taps."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from undertray.calibrate.distributions import NORMAL
from undertray.errors import ReductionError
from undertray.reduce.pulls import Pull, Suction, stated_share, suction_of
from undertray.reduce.uncertainty import coverage_factor
from undertray.units import G_N_M_S2

if TYPE_CHECKING:
    from undertray.reduce.car import Car
    from undertray.reduce.run import Reduction

__all__ = ["ForceCheck", "Pulled", "force_check"]

_REPEAT = 0.04  # of a pull, where too few pulls show it (common practice, no source; as for pull-test)
_ENOUGH = 4  # degrees of freedom from which on the pulls tell their own scatter
_NEAR_G = 1.3  # times or through it: kilograms and newtons mixed up


@dataclass(frozen=True, slots=True)
class Pulled:
    """One pull beside the force that it takes.

    Attributes
    ----------
    at_s, throttle_us : float or None
        What was noted.
    pulled_n, pulled_half_n : float
        What was read, and the half width of the balance's error, N.
    computed_n, u95_n : float, float or None
        At what it comes off, and the half width of the 95 % interval of that, N.
    within : bool or None
        Whether they agree within what both are uncertain by; None where that is not known.
    hook_mm : float or None
        Where it hooked, behind the front axle; None for over the centre of the load.
    lifts : str or None
        The axle that comes off first there; None for the whole car.
    fell_s : float or None
        When the suction fell before the time that was noted, s.
    """

    at_s: float | None
    throttle_us: float | None
    pulled_n: float
    pulled_half_n: float
    computed_n: float
    u95_n: float | None
    within: bool | None
    hook_mm: float | None = None
    lifts: str | None = None
    fell_s: float | None = None

    @property
    def allowed_n(self) -> float:
        """What both are uncertain by together (95 %, the balance's width as a rectangle), N."""
        return math.hypot(self.u95_n or 0.0, 2 * self.pulled_half_n / 3**0.5)


@dataclass(frozen=True, slots=True)
class ForceCheck:
    """All pulls of a run.

    Attributes
    ----------
    hanging : bool
        Whether the car hung and was pulled down.
    weight_n : float
        Its weight, N.
    pulls : tuple of Pulled
        Each pull.
    ratio, ratio_half : float, float or None
        Pulled over computed suction force, and the half width of the 95 % interval of that.
    largest_n : float
        The greatest difference, pulled less computed, N.
    agree : bool or None
        Whether each pull agrees; None where that is not known.
    centre_mm : (float, float)
        Least and greatest distance of the centre of the load behind the front axle.
    at_middle : str or None
        What comes off first over the middle of the wheelbase, where the pulls agree only if they hooked there
        and nobody noted where they did.
    notices : tuple of str
        What a reader has to know.
    """

    hanging: bool
    weight_n: float
    pulls: tuple[Pulled, ...]
    ratio: float
    ratio_half: float | None
    largest_n: float
    agree: bool | None
    centre_mm: tuple[float, float]
    at_middle: str | None = None
    notices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Lift:
    """What a pull lifts: the part of weight and suction that are on it, and its lever on that part."""

    axle: str | None
    lever: float
    weight_n: float
    suction_n: float
    u_n: float
    share: float | None

    @property
    def comes_off_n(self) -> float:
        return (self.suction_n + self.weight_n) / self.lever


def force_check(
    reduction: Reduction, car: Car, pulls: Sequence[Pull], hanging: bool = False, balance_percent: float = 2.0
) -> ForceCheck:
    """Put pulls beside the force that the taps say it takes.

    Parameters
    ----------
    reduction : Reduction
        The run in which they were made.
    car : Car
        The car, for its weight, weight share and wheelbase.
    pulls : sequence of Pull
        Readings of the balance; those of kind ``off`` count, one at least.
    hanging : bool
        Whether the car hung and was pulled down; else it stood and was pulled up.
    balance_percent : float
        Half width of the balance's error, % of its reading.

    Returns
    -------
    ForceCheck

    Raises
    ------
    ReductionError
        When there is no pull-off, the run has no suction at a moment or throttle that was noted, or a pull
        is less than what a car that stands weighs.

    Notes
    -----
    A car that stands comes off at ``D + W``, one that hangs at ``D - W``, if it is pulled square to the
    surface and over the centre of that load. D is that of :func:`undertray.reduce.pulls.suction_of`. With
    the wheelbase L a hook at x behind the front axle lifts the front axle at ``(D_f + W_f) L/(L - x)`` or
    the rear one at ``(D_r + W_r) L/x``, whichever is less, and the seal is gone with the first: over the
    middle of the wheelbase that is twice the lesser axle's load.

    The uncertainty of D, or of its part on an axle, is the share that the run states for it while steady, and
    ``sqrt(u95^2 + (half width 2/sqrt 3)^2)`` is what the two may differ by.

    The ratio is the mean of pulled over computed suction force, each weighted by how well it is known: by
    the scatter of the pulls, which goes with the reading, and the balance's error. As the weight is taken
    off a reading first, an error of the balance counts more where there is little suction. In the interval
    of the mean are the scatter, the one error of the balance that all pulls share, and the one of D that they
    share. The scatter is that of the pulls about their mean, or 4 % of a reading where they are fewer than
    five. Nothing is corrected by the result.

    References
    ----------
    JCGM 100:2008 (GUM), 5.2 and G.4, for what inputs have in common.
    """
    pulls = [pull for pull in pulls if pull.kind == "off"]
    if not pulls:
        raise ReductionError(
            "no pull-off among the pulls",
            where=reduction.run,
            expected="a line of kind 'off'",
            do="'undertray pull-test' reads pulls along the surface",
        )
    suctions = [_computed(reduction, pull) for pull in pulls]
    way = -1.0 if hanging else 1.0
    lifts = [_lift(reduction, car, s, pull.hook_mm, way) for pull, s in zip(pulls, suctions, strict=True)]
    found = [
        _beside(pull, lift, s, balance_percent) for pull, lift, s in zip(pulls, lifts, suctions, strict=True)
    ]
    if not hanging:
        for one, lift in zip(found, lifts, strict=True):
            _refuse_less_than_weight(reduction, one, lift)
    ratio, half = _ratio(found, lifts, balance_percent / 100 / 3**0.5)
    agree = None if any(one.within is None for one in found) else all(one.within for one in found)
    centres = [_centre_mm(car, s, way) for s in suctions]
    checked = ForceCheck(
        hanging=hanging,
        weight_n=car.weight_n,
        pulls=tuple(found),
        ratio=ratio,
        ratio_half=half,
        largest_n=max((p.pulled_n - p.computed_n for p in found), key=abs),
        agree=agree,
        centre_mm=(min(centres), max(centres)),
    )
    if agree:
        return checked
    notices = tuple(_units_said(found))
    if agree is None or any(pull.hook_mm is not None for pull in pulls):
        return replace(checked, notices=notices)
    there = [_lift(reduction, car, s, car.wheelbase_mm / 2, way) for s in suctions]
    beside = (_beside(p, i, s, balance_percent) for p, i, s in zip(pulls, there, suctions, strict=True))
    axles = " or ".join(sorted({str(one.axle) for one in there}))
    return replace(checked, at_middle=axles if all(one.within for one in beside) else None, notices=notices)


def _lift(reduction: Reduction, car: Car, s: Suction, hook_mm: float | None, way: float) -> _Lift:
    """What comes off first where it hooks; ``way`` is 1 for pulled up off the weight, -1 for down with it."""
    if hook_mm is None or s.front_n is None:
        return _Lift(None, 1.0, way * car.weight_n, s.mean_n, s.u_n, stated_share(reduction))
    behind = hook_mm / car.wheelbase_mm
    front_n = way * car.front_weight * car.weight_n
    both = (
        ("front", 1 - behind, front_n, s.front_n),
        ("rear", behind, way * car.weight_n - front_n, s.mean_n - s.front_n),
    )
    lifts = [
        _Lift(
            axle,
            lever,
            weight_n,
            suction_n,
            s.u_n * abs(suction_n) / s.mean_n,
            stated_share(reduction, axle),
        )
        for axle, lever, weight_n, suction_n in both
        if lever > 0
    ]
    return min(lifts, key=lambda lift: lift.comes_off_n)


def _centre_mm(car: Car, s: Suction, way: float) -> float:
    """Where a pull lifts both axles at once, behind the front axle."""
    rear_n = s.mean_n - (s.front_n or 0.0) + way * (1 - car.front_weight) * car.weight_n
    whole_n = s.mean_n + way * car.weight_n
    return rear_n / whole_n * car.wheelbase_mm if whole_n else math.nan


def _beside(pull: Pull, lift: _Lift, s: Suction, balance_percent: float) -> Pulled:
    one = Pulled(
        pull.at_s,
        pull.throttle_us,
        pull.pull_n,
        balance_percent / 100 * pull.pull_n,
        lift.comes_off_n,
        None if lift.share is None else lift.share * lift.suction_n / lift.lever,
        None,
        pull.hook_mm,
        lift.axle,
        s.fell_s,
    )
    if one.u95_n is None:
        return one
    return replace(one, within=abs(one.pulled_n - one.computed_n) <= one.allowed_n)


def _ratio(found: Sequence[Pulled], lifts: Sequence[_Lift], balance: float) -> tuple[float, float | None]:
    """Pulled over computed suction force, and the half width of its 95 % interval."""
    lever, weight_n, suction_n, u_n = np.array(
        [(one.lever, one.weight_n, one.suction_n, one.u_n) for one in lifts]
    ).T
    lifted_n = np.array([one.pulled_n for one in found]) * lever
    ratio, per = (lifted_n - weight_n) / suction_n, lifted_n / suction_n
    dof = len(found) - 1
    repeat, many = _REPEAT, math.inf
    for _ in range(3):  # the weights go with the scatter, and the scatter with the weights
        own2 = np.square(repeat * per) + np.square(u_n / suction_n)
        weight = 1 / (own2 + np.square(balance * per))
        weight /= weight.sum()
        mean = float(weight @ ratio)
        if dof >= _ENOUGH:
            many = dof
            repeat = max(1e-6, math.sqrt(float(np.square((ratio - mean) / per).sum()) / dof))
    shares = np.array([math.nan if one.share is None else one.share / NORMAL for one in lifts])
    alone2 = float(np.square(weight) @ own2)
    variance = alone2 + float(weight @ per * balance) ** 2 + float(weight @ (ratio * shares)) ** 2
    if not math.isfinite(variance):
        return mean, None
    return mean, coverage_factor(many * (variance / alone2) ** 2) * math.sqrt(variance)


def _refuse_less_than_weight(reduction: Reduction, one: Pulled, lift: _Lift) -> None:
    """A car that stands is lifted by its weight at least, or what an axle has of it."""
    least_n = lift.weight_n / lift.lever
    if one.pulled_n + one.pulled_half_n >= least_n:
        return
    at = f"{one.at_s:g} s" if one.at_s is not None else f"{one.throttle_us:g} µs"
    what = "the car" if lift.axle is None else f"its {lift.axle} axle"
    do = ["pulled down while it hung: --hanging"]
    if one.pulled_n * G_N_M_S2 > least_n:
        do.insert(0, "if these are kilograms: pull_kg in the header")
    if lift.axle is None:
        do.append("hooked off the centre of the load: note where in a column hook_mm")
    raise ReductionError(
        f"a pull that cannot have lifted {what}",
        where=reduction.run,
        seen=f"{one.pulled_n:.4g} N at {at}",
        expected=f"its weight there, {least_n:.1f} N, and what the suction adds",
        do="; ".join(do),
    )


def _units_said(found: Sequence[Pulled]) -> Iterator[str]:
    times = float(np.median([one.pulled_n / one.computed_n for one in found if one.computed_n > 0] or [1.0]))
    for factor, said in (
        (G_N_M_S2, "about 9.8 times what is computed: newtons written as kilograms?"),
        (1 / G_N_M_S2, "about a tenth of what is computed: kilograms written as newtons?"),
    ):
        if factor / _NEAR_G < times < factor * _NEAR_G:
            yield f"the pulls are {said}"


def _computed(reduction: Reduction, pull: Pull) -> Suction:
    """Computed suction force of the moment or the throttle that was noted."""
    found = suction_of(reduction, pull)
    if found.mean_n <= 0:
        at = f"{pull.at_s:g} s" if pull.at_s is not None else f"{pull.throttle_us:g} µs"
        raise ReductionError(
            "no suction in the run where a pull was noted",
            where=reduction.run,
            seen=at,
            expected="a moment with the fans up, or a throttle at which it was steady for half a second",
            do="note the time of the log at which it came off",
        )
    return found

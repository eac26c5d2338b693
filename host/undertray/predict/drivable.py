"""The drivable window: suction from where a car falls to where its skirt holds it fast, at any angle."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.distributions import RECTANGLE_95
from undertray.errors import ReductionError, quoted
from undertray.predict.drag import Contacts, Numbers, Of, share_number
from undertray.predict.pullfit import ALONG, Measured
from undertray.reduce.fanreference import take_reference
from undertray.reduce.hold import hold_need
from undertray.reduce.loads import load_matrix
from undertray.reduce.steady import BLOCK_S, REST_US
from undertray.reduce.summary import Estimate
from undertray.reduce.tapcover import force_bounds

if TYPE_CHECKING:
    from undertray.predict.drag import Drag
    from undertray.reduce.car import Car
    from undertray.reduce.fan import FanReference
    from undertray.reduce.run import Reduction

__all__ = [
    "LOCKED_S",
    "Edge",
    "Forces",
    "Whereabouts",
    "Window",
    "Windows",
    "drivable_window",
    "forces_of",
    "range_pa",
    "whereabouts",
]


_STEPS = 601  # of suction: each end lies straight between two of them
Array = NDArray[np.float64]

_LEVEL = 1e-9
_WEIGHT_SHARED = (0.5, 0.0, 1.0)  # how the skirt shares the weight: between, not at all, as springs do
_Left = Callable[[Array], tuple[Array, ...]]
_Force = Callable[[Numbers, Array], Array]


@dataclass(frozen=True, slots=True)
class Forces:
    """What a pascal of mean suction does, each with the half width of its 95 % interval."""

    whole_n_per_pa: Estimate
    front_n_per_pa: Estimate
    rear_n_per_pa: Estimate


@dataclass(frozen=True, slots=True)
class Edge:
    """An end of the window."""

    at_pa: float | None
    low_pa: float | None
    high_pa: float | None
    limited_by: str


@dataclass(frozen=True, slots=True)
class Window:
    """The suctions at which a car holds and drives."""

    angle_deg: float
    most_pa: float
    falls: Edge
    needs: Edge
    grips: Edge | None
    locks: Edge | None
    pulled_pa: float | None
    drives: bool | None
    missing: tuple[str, ...]


def forces_of(car: Car, reduction: Reduction | None = None) -> Forces:
    """What a pascal of mean suction does to a car."""
    steady = None if reduction is None else reduction.steady
    whole, front, rear = (float(value) for value in load_matrix(car).matrix.sum(axis=1)[:3])
    if steady is None or steady.suction_pa.mean <= 0:
        known = force_bounds(car)
        u95 = (known.downforce_n, known.front_n, known.rear_n)
        return Forces(*(Estimate(n, half) for n, half in zip((whole, front, rear), u95, strict=True)))
    pa = steady.suction_pa.mean
    return Forces(
        *(
            Estimate(load.mean / pa, None if load.u95 is None else load.u95 / pa)
            for load in (steady.downforce_n, steady.front_n, steady.rear_n)
        )
    )


def range_pa(car: Car, drag: Drag | None = None, top_pa: float = 0.0) -> float:
    """Suction up to which it is worth looking for the ends of a window."""
    area_m2 = float(load_matrix(car).matrix[0].sum())
    pulled_n = 0.0 if drag is None else _pulled_n(drag)
    return max(1.5 * top_pa, 1.5 * pulled_n / area_m2, 3 * car.weight_n / area_m2)


def _pulled_n(drag: Drag) -> float:
    return max((line.span.high_n for line in drag.lines if line.span.wheels != "none"), default=0.0)


def drivable_window(
    car: Car,
    drag: Drag | None = None,
    angle_deg: float | None = None,
    forces: Forces | None = None,
    most_pa: float = 5000.0,
) -> Window:
    """Find the suctions at which a car holds and drives.

    Parameters
    ----------
    car : Car
        Weight, axles, allowance, driven wheels, what the motor can do.
    drag : Drag or None
        What pulls told of it; without, there is no upper end.
    angle_deg : float or None
        Angle of the surface; the car's own if left out.
    forces : Forces or None
        What a pascal does; that of an even suction if left out.
    most_pa : float
        Suction up to which is looked, Pa.

    Returns
    -------
    Window

    Notes
    -----
    At the mean suction p the floor makes S = G p. It falls where an axle, or the whole car, has less than
    :func:`undertray.reduce.hold.hold_need` says, without the allowance. On a slope it also must not slide:
    ``m_t (N - a W) + m_s N_s >= W sin A`` with the friction of the pulls, else with ``tyre_mu`` on all of
    the suction. The driven axle, with the share f of the weight and g of the suction force, has the load

    ``N_d = f W cos A + (1 - s) g S + s f B``, ``B = min(e W (1 - cos A), S)``

    and drives level along the surface as long as ``m_t N_d >= hypot(f W sin A, F)``, with less for what N_d
    is above f W (:func:`undertray.predict.drag.conclude`), F the pull of the free wheels at this S and angle:
    that of the pulls on the ground, with the rolling resistance and the skirt's friction of the load that is
    now another. e lies between 0 and 1: whether the weight is on the tyres
    alone, as where suction itself presses the skirt on, or is shared with the skirt as by springs, no pull on
    the ground tells; the skirt hands back no more than it carries. The end is told for a half of
    it, and its interval holds for all of them. The motor has to give
    ``drive_force >= F``. Climbing takes W sin A more, and is not in it.

    Every condition is a force that is left over, with its interval. The end is where the force left over is
    zero; the interval reaches from where its upper bound is zero to where its lower bound is, and is open
    where that never happens. The scale of the taps drops out of what pulls gave with the same taps.

    References
    ----------
    Statics and Coulomb friction: any textbook. Interval of a root: E. C. Fieller, J. R. Stat. Soc. B 16
    (1954) 175-185.
    """
    angle = car.surface_angle_deg if angle_deg is None else angle_deg
    case = _Case(replace(car, surface_angle_deg=angle), drag, forces or forces_of(car))
    drives = case.driving()
    falls = _end(case.holding(0.0), case.known, most_pa, upper=False)
    grips = _end(drives, case.known, most_pa, upper=False) if drives else None
    locks = _end([*drives, *case.pushing()], case.known, most_pa, upper=True) if drives else None
    held = None
    if grips is not None and locks is not None:
        held = falls.at_pa is not None and grips.at_pa is not None
        held = held and max(falls.at_pa or 0.0, grips.at_pa or 0.0) < (
            math.inf if locks.at_pa is None else locks.at_pa
        )
    return Window(
        angle_deg=angle,
        most_pa=most_pa,
        falls=falls,
        needs=_end(case.holding(car.allowance), case.known, most_pa, upper=False),
        grips=grips,
        locks=locks,
        pulled_pa=None if drag is None else _pulled_n(drag) / case.per_pa,
        drives=held,
        missing=case.missing(),
    )


@dataclass(frozen=True, slots=True)
class _Condition:
    """A force that has to be left over, over suctions in Pa, with the ends of its interval."""

    name: str
    left_n: _Left


class _Case:
    """A car on a surface: its conditions, as functions of one set of numbers."""

    def __init__(self, car: Car, drag: Drag | None, forces: Forces) -> None:
        self.car, self.drag, self.forces = car, drag, forces
        angle = math.radians(car.surface_angle_deg)
        self.cosine, self.sine = math.cos(angle), math.sin(angle)
        if abs(self.sine) < _LEVEL:
            self.sine = 0.0
        self.per_pa = forces.whole_n_per_pa.mean
        driven = {"all": forces.whole_n_per_pa, "front": forces.front_n_per_pa, "rear": forces.rear_n_per_pa}[
            car.driven
        ]
        part_u95 = 0.0 if car.driven == "all" or driven.u95 is None else driven.u95 / self.per_pa
        self.weight_share = {"all": 1.0, "front": car.front_weight, "rear": 1 - car.front_weight}[car.driven]
        numbers = {
            "whole_n_per_pa": forces.whole_n_per_pa,
            "driven_part": Estimate(driven.mean / self.per_pa, part_u95),
        }
        if car.tyre_mu is not None:
            numbers["tyre_mu"] = Estimate(car.tyre_mu, car.mu_within * RECTANGLE_95)
        self.known = forces.whole_n_per_pa.u95 is not None and (drag is None or drag.calibrated)
        pulled = Measured() if drag is None else drag.measured
        self.measured, *self.ends = (
            pulled.joined("car's", numbers | {"weight_shared": Estimate(shared, 0.0)})
            for shared in _WEIGHT_SHARED
        )
        self.share = None if drag is None else share_number(drag.measured, drag.weight_n)
        self.contacts = None if drag is None else self._contacts(drag)

    def _contacts(self, drag: Drag) -> Contacts | None:
        """Of the first kind of pull that tells all that driving takes."""
        for kind in ALONG:
            if {f"{kind}.free.per_n", f"{kind}.locked.level_n"} <= set(drag.measured.names):
                return Contacts(kind, drag.weight_n)
        return None

    def left(self, of: _Force, pa: Array) -> tuple[Array, Array, Array]:
        """A force and the ends of its interval, however the weight is shared."""
        mean, half = self.measured.course(lambda m: of(m, pa))
        low, high = mean - half, mean + half
        for measured in self.ends if self.cosine < 1 and self.share is not None else ():
            other, half = measured.course(lambda m: of(m, pa))
            low, high = np.minimum(low, other - half), np.maximum(high, other + half)
        return mean, low, high

    def suction_n(self, m: Numbers, pa: Array) -> Array:
        """Suction force; by the taps' own scale where pulls were made with it."""
        return np.asarray(self.per_pa * pa / m["suction_scale"])

    def back_n(self, m: Numbers, pa: Array) -> Array:
        """Suction force whose share the skirt hands back to the tyres, as the weight does not press it on."""
        most_n = m["weight_shared"] * self.car.weight_n * (1 - self.cosine)
        return np.minimum(most_n, self.suction_n(m, pa))

    def skirt_per_n(self, m: Numbers) -> float:
        """Friction of the skirt for each newton of suction: of what else it carries the same part is its."""
        contacts, share = self._pulled()
        return contacts.free(m) - contacts.rolling(m) * (1 - share(m))

    def _pulled(self) -> tuple[Contacts, Of]:
        if self.contacts is None or self.share is None:
            raise AssertionError("pulls that show what the skirt carries")
        return self.contacts, self.share

    def holding(self, allowance: float) -> list[_Condition]:
        """Each axle stays on, and the whole car does not slide."""
        car = replace(self.car, allowance=allowance)
        need, weight_n = hold_need(car), car.weight_n

        def load(per_pa: Estimate, need_n: float) -> _Left:
            u95 = per_pa.u95 or 0.0
            return lambda pa: tuple((per_pa.mean + sign * u95) * pa - need_n for sign in (0, -1, 1))

        conditions = [
            _Condition("the front axle", load(self.forces.front_n_per_pa, need.front_n)),
            _Condition("the rear axle", load(self.forces.rear_n_per_pa, need.rear_n)),
        ]
        press_n = weight_n * (self.cosine - allowance)
        if self.sine == 0:
            conditions.append(
                _Condition("the weight of the whole car", load(self.forces.whole_n_per_pa, need.whole_n))
            )
        elif self._slides_by_pulls():
            conditions.append(_Condition("sliding", self._sliding(press_n)))
        elif "tyre_mu" in self.measured:

            def slides(m: Numbers, pa: Array) -> Array:
                return m["tyre_mu"] * (m["whole_n_per_pa"] * pa + press_n) - weight_n * self.sine

            conditions.append(_Condition("sliding", lambda pa: self.left(slides, pa)))
        return conditions

    def _slides_by_pulls(self) -> bool:
        contacts = self.contacts
        return (
            contacts is not None
            and self.share is not None
            and f"{contacts.kind}.locked.per_n" in self.measured
        )

    def _sliding(self, press_n: float) -> _Left:
        """By the pulls with locked wheels, which are what keeps a car from sliding."""
        contacts, share = self._pulled()

        def left_n(m: Numbers, pa: Array) -> Array:
            back_n = self.back_n(m, pa) * (contacts.tyres_more(m) * share(m) - self.skirt_per_n(m))
            ground_n = contacts.tyres(m) * press_n + contacts.locked(m) * self.suction_n(m, pa)
            return ground_n + back_n - self.car.weight_n * self.sine

        return lambda pa: self.left(left_n, pa)

    def drag_n(self, m: Numbers, pa: Array) -> Array:
        """Pull of the free wheels: that on the ground, with the load that tyres and skirt have here."""
        contacts, share = self._pulled()
        ground_n = contacts.level(m) * contacts.weight_n + contacts.free(m) * self.suction_n(m, pa)
        tyres_n = self.car.weight_n * self.cosine - contacts.weight_n + share(m) * self.back_n(m, pa)
        return ground_n + contacts.rolling(m) * tyres_n - self.skirt_per_n(m) * self.back_n(m, pa)

    def driving(self) -> list[_Condition]:
        """The driven wheels overcome the skirt; none where the pulls do not tell."""
        if self.contacts is None or self.share is None:
            return []
        contacts, share = self._pulled()
        weight_n = self.weight_share * self.car.weight_n

        def left_n(m: Numbers, pa: Array) -> Array:
            standing_n = weight_n * self.cosine + self.weight_share * share(m) * self.back_n(m, pa)
            load_n = standing_n + (1 - share(m)) * m["driven_part"] * self.suction_n(m, pa)
            grip_n = contacts.grip_n(m, load_n, self.weight_share * contacts.weight_n)
            return grip_n - np.hypot(weight_n * self.sine, self.drag_n(m, pa))

        name = "the driven wheels" if self.car.driven == "all" else f"the driven {self.car.driven} wheels"
        return [_Condition(name, lambda pa: self.left(left_n, pa))]

    def pushing(self) -> list[_Condition]:
        """The motor overcomes the skirt; none where the car file does not tell its force."""
        force_n = self.car.drive_force_n
        if force_n is None or self.contacts is None or self.share is None:
            return []

        def left_n(m: Numbers, pa: Array) -> Array:
            return force_n - self.drag_n(m, pa)

        return [_Condition("the motor", lambda pa: self.left(left_n, pa))]

    def missing(self) -> tuple[str, ...]:
        missing = []
        if self.drag is None:
            missing.append("the upper end: 'undertray pull-test' finds it from pulls along the ground")
        elif self.contacts is None or self.share is None:
            missing.append(
                "the upper end: pull with the wheels free and with them locked, with the fans off and at two"
                " throttles"
            )
        if self.sine and not ("tyre_mu" in self.measured or self.contacts):
            missing.append(
                "whether it slides: the car file has no tyre_mu, and no pull was made with locked wheels"
            )
        if self.sine and self.car.cg_height_mm is None:
            missing.append("the load that moves from axle to axle on a slope: the car file has no cg_height")
        return tuple(missing)


def _end(conditions: Sequence[_Condition], known: bool, most_pa: float, upper: bool) -> Edge:
    """Where the last of the conditions begins to be met, or the first ends to be."""
    pa = np.linspace(0.0, most_pa, _STEPS)
    find, choose = (_last, min) if upper else (_first, max)
    ends = {}
    for one in conditions:
        left_n, low_n, high_n = one.left_n(pa)
        bounds = (low_n, high_n) if upper else (high_n, low_n)
        ends[one.name] = tuple(find(pa, bound) for bound in (left_n, *bounds))
    by = choose(ends, key=lambda name: ends[name][0])
    at, first, second = (choose(end[k] for end in ends.values()) for k in range(3))
    return Edge(
        at_pa=at if math.isfinite(at) else None,
        low_pa=first if known and math.isfinite(first) else None,
        high_pa=second if known and math.isfinite(second) else None,
        limited_by=by,
    )


def _first(pa: Array, left_n: Array) -> float:
    """Least suction at which a force is left over; infinite where there is none."""
    met = np.flatnonzero(left_n >= 0)
    if not len(met):
        return math.inf
    return float(pa[0]) if met[0] == 0 else _between(pa, left_n, int(met[0]) - 1)


def _last(pa: Array, left_n: Array) -> float:
    """Greatest suction at which a force is left over; infinite where that goes on, 0 where there is none."""
    met = np.flatnonzero(left_n >= 0)
    if not len(met):
        return 0.0
    return math.inf if met[-1] == len(pa) - 1 else _between(pa, left_n, int(met[-1]))


def _between(pa: Array, left_n: Array, k: int) -> float:
    """Where a force passes through 0 between two steps."""
    a, b = float(left_n[k]), float(left_n[k + 1])
    part = a / (a - b) if math.isfinite(a) and math.isfinite(b) and a != b else 0.5
    return float(pa[k] + part * (pa[k + 1] - pa[k]))


# Where a car was in its drivable window while it drove.


LOCKED_S = 0.5
"""How long it has to be above the window with certainty before it is called locked, s."""
_UP = 0.3  # of the greatest suction: fans up, where no throttle was logged


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """Times of a run with the fans up, s."""

    run: str
    below_s: float
    inside_s: float
    unsure_s: float
    above_s: float
    highest_pa: float | None
    locked: bool | None


def whereabouts(reduction: Reduction, window: Window) -> Whereabouts:
    """Find out where a run was in the window of its surface.

    Parameters
    ----------
    reduction : Reduction
        The run.
    window : Window
        At the angle it was driven at.

    Returns
    -------
    Whereabouts

    Notes
    -----
    By blocks of a tenth of a second with the throttle above 1100 µs; where none was logged, with at least 30
    % of the greatest suction. A log does not tell when the car was asked to drive: "locked" says where it
    could not have.
    """
    blocks = reduction.blocks
    known = np.isfinite(blocks.suction_pa)
    pa = np.where(known, blocks.suction_pa, 0.0)
    if np.isfinite(blocks.throttle_us).any():
        up = known & (np.nan_to_num(blocks.throttle_us) > REST_US)
    else:
        up = known & (pa >= _UP * pa.max(initial=0.0)) & (pa > 0)
    ends = [end for end in (window.falls, window.grips) if end is not None]
    lower = max((_given(end.low_pa, end.at_pa) for end in ends), default=0.0)
    surely = max((_given(end.high_pa, end.at_pa) for end in ends), default=0.0)
    locks = window.locks
    if locks is None:
        sure, maybe = np.zeros(len(pa), bool), np.zeros(len(pa), bool)
    else:
        first = locks.low_pa if locks.low_pa is not None else locks.at_pa
        maybe = pa > (np.inf if first is None else first)
        sure = pa > (np.inf if locks.high_pa is None else locks.high_pa)
    above_s = BLOCK_S * float((up & sure).sum())
    ends_known = locks is not None and (locks.at_pa is None or locks.low_pa is not None)
    return Whereabouts(
        run=reduction.run,
        below_s=BLOCK_S * float((up & (pa < lower)).sum()),
        inside_s=BLOCK_S * float((up & (pa >= surely) & ~maybe).sum()),
        unsure_s=BLOCK_S * float((up & (pa >= lower) & ~sure & ((pa < surely) | maybe)).sum()),
        above_s=above_s,
        highest_pa=float(pa[up].max()) if up.any() else None,
        locked=above_s >= LOCKED_S if ends_known else None,
    )


def _given(end_pa: float | None, at_pa: float | None) -> float:
    """The end of an interval, or where it is not known its middle; 0 where there is neither."""
    return (at_pa or 0.0) if end_pa is None else end_pa


# The windows of one car over all angles, with the throttles that give their suctions.


_STEP_DEG = 5


@dataclass(frozen=True, slots=True)
class Windows:
    """What the windows of a car are worked out from."""

    car: Car
    drag: Drag | None
    forces: Forces
    reference: FanReference | None
    most_pa: float
    places: tuple[tuple[float, float], ...]
    notices: tuple[str, ...]

    @classmethod
    def of(
        cls,
        car: Car,
        drag: Drag | None = None,
        reduction: Reduction | None = None,
        reference: FanReference | None = None,
    ) -> Windows:
        """Gather what is known."""
        notices = []
        if drag is not None and drag.car != car.name:
            notices.append(f"the pulls are of {quoted(drag.car)}, the car is {quoted(car.name)}")
        if reference is None and reduction is not None:
            try:
                reference = take_reference([reduction], car).reference
            except ReductionError:
                notices.append("no throttle is given: the run was never steady for long enough")
        steady = None if reduction is None else reduction.steady
        levels = (
            [] if steady is None else [steady.suction_pa.mean, *(one.suction_pa for one in steady.others)]
        )
        top_pa = max([*levels, 0.0 if reference is None else reference.top_pa])
        return cls(
            car=car,
            drag=drag,
            forces=forces_of(car, reduction),
            reference=reference,
            most_pa=range_pa(car, drag, top_pa),
            places=tuple((car.surface_angle_deg, pa) for pa in levels),
            notices=tuple(notices),
        )

    def at(self, angle_deg: float) -> Window:
        """The window at one angle."""
        return drivable_window(self.car, self.drag, angle_deg, self.forces, self.most_pa)

    def all_angles(self) -> list[Window]:
        """The windows from the ground to upside down."""
        return [self.at(float(angle)) for angle in range(0, 181, _STEP_DEG)]

"""How far suction pulls a car down on its springs, what gap remains, and what its skirt's springs bear.

Statics of a rigid body on two springs, one an axle. The clearance of an axle is measured with the car level
on its wheels, so its weight is in it; at the surface angle A (0 ground, 180 upside down) the spring of an
axle with the share f of the weight W carries ``F + f W (cos A - 1)`` more than then, F being its suction
load, and sinks by ``z = (F + f W (cos A - 1))/k``. Between the axles, and over the overhangs, sink and
clearance are straight lines: the floor is stiff. On a wall the moment of the weight about the wheels is left
out.

A sprung skirt of the area a that suction acts on, its middle at the lever l of the way from the hinge to the
edge, presses with ``S = S0 + s z - l a p`` at its edge, z being the sink at the middle of the car: moments
about the hinge. It comes off the surface where that is 0.

References: statics, any textbook (equilibrium of a rigid body on two supports; Hooke's law; moments about a
hinge). Nothing here was measured on a car.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from undertray.errors import NeverSteady, ReductionError, UndertrayError, quoted
from undertray.predict.axleloads import AxleLoads, LoadLevel
from undertray.predict.draws import Draws, Interval, interval
from undertray.reduce.car import Car, Springs
from undertray.reduce.givenfiles import noted_fields, noted_lines
from undertray.units import FACTORS, quantity

__all__ = [
    "AXLES",
    "FEELER_WITHIN_MM",
    "AxleRide",
    "Feeler",
    "FeelerCheck",
    "Ride",
    "RideLevel",
    "feeler_of",
    "read_feelers",
    "ride",
]


# Gaps that a person read with feeler gauges: a small file, or options.


FEELER_WITHIN_MM = 0.05
"""Half of the width that a gap read with feeler gauges is known within, mm (common practice, no source)."""
_MOST_ROWS = 200
_MOST_MM, _MOST_US, _MOST_READ_PA = 200.0, 5000.0, 1e5
_PLACES = ("throttle_us", *(f"suction_{unit.lower()}" for unit in FACTORS["pressure"]))
_GAPS = {"gap_mm": "mm", "gap_in": "in"}


@dataclass(frozen=True, slots=True)
class Feeler:
    """A gap read at an axle, mm, at a throttle, µs, or a suction, Pa."""

    throttle_us: float | None
    suction_pa: float | None
    axle: str
    gap_mm: float


def read_feelers(path: str | Path) -> tuple[Feeler, ...]:
    """Read a file of gaps."""
    where = Path(path).name
    lines = noted_lines(path, "gaps", _MOST_ROWS)
    head = [field.strip().lower() for field in lines[0][1].split(",")]
    if len(head) != 3 or head[0] not in _PLACES or head[1] != "axle" or head[2] not in _GAPS:
        raise ReductionError(
            "unknown header",
            where=f"{where}, line {lines[0][0]}",
            seen=lines[0][1],
            expected="throttle_us,axle,gap_mm",
        )
    return tuple(_line(line, head, f"{where}, line {number}") for number, line in lines[1:])


def _line(line: str, head: Sequence[str], where: str) -> Feeler:
    fields = noted_fields(line, where)
    if len(fields) != 3:
        raise ReductionError("no gap", where=where, seen=quoted(line), expected=",".join(head))
    try:
        place, gap = float(fields[0]), float(fields[2])
    except ValueError:
        raise ReductionError("no gap", where=where, seen=quoted(line), expected=",".join(head)) from None
    if head[0] == "throttle_us":
        return _feeler(place, None, fields[1], gap * FACTORS["length"][_GAPS[head[2]]] * 1e3, where)
    factor = next(f for unit, f in FACTORS["pressure"].items() if head[0] == f"suction_{unit.lower()}")
    return _feeler(None, place * factor, fields[1], gap * FACTORS["length"][_GAPS[head[2]]] * 1e3, where)


def feeler_of(given: str, where: str) -> Feeler:
    """Read a gap as an option gives it."""
    fields = [field.strip() for field in given.split(",")] if len(given) <= 120 else []
    if len(fields) != 3:
        raise ReductionError("no gap", where=where, seen=given, expected="1600,front,1.2 mm")
    try:
        gap_mm = _number(fields[2], "mm", where)
        bare = fields[0].replace(".", "", 1).isdigit() or fields[0].endswith("us")
        place = _number(fields[0], "us" if bare else "Pa", where)
    except UndertrayError as error:
        raise ReductionError(str(error), do="write 1600,front,1.2 mm") from error
    return _feeler(place if bare else None, None if bare else place, fields[1], gap_mm, where)


def _number(text: str, unit: str, where: str) -> float:
    try:
        return quantity(float(text), unit, where)
    except ValueError:
        return quantity(text, unit, where)


def _feeler(
    throttle_us: float | None, suction_pa: float | None, axle: str, gap_mm: float, where: str
) -> Feeler:
    place = throttle_us if suction_pa is None else suction_pa
    most = _MOST_US if suction_pa is None else _MOST_READ_PA
    if axle not in ("front", "rear") or not 0 <= gap_mm <= _MOST_MM or not 0 < (place or 0.0) <= most:
        raise ReductionError(
            "no gap",
            where=where,
            seen=f"{place},{axle},{gap_mm:g} mm",
            expected=f"a throttle or suction above 0, front or rear, and 0 to {_MOST_MM:g} mm",
        )
    return Feeler(throttle_us, suction_pa, axle, gap_mm)


Array = NDArray[np.float64]

AXLES = ("front", "rear")
_NEAR_US, _NEAR_SHARE = 20.0, 0.05
_MOST_PA = 1e5


@dataclass(frozen=True, slots=True)
class AxleRide:
    """One axle at one suction."""

    load_n: Interval
    sink_mm: Interval
    gap_mm: Interval


@dataclass(frozen=True, slots=True)
class RideLevel:
    """A car at one suction."""

    throttle_us: float | None
    suction_pa: Interval
    axles: dict[str, AxleRide]
    least_gap_mm: Interval
    bottoms: bool
    reach_mm: Interval | None
    skirt_n: Interval | None


@dataclass(frozen=True, slots=True)
class FeelerCheck:
    """A feeler gauge's reading beside what is predicted."""

    reading: Feeler
    gap_mm: Interval
    apart_mm: Interval
    within: bool


@dataclass(frozen=True, slots=True)
class Ride:
    """How a car rides under suction."""

    source: str
    loads_known: bool
    surface_angle: float
    levels: tuple[RideLevel, ...]
    bottoms_pa: Interval
    bottoms_at: str
    keep_mm: float
    rate_needed_n_mm: dict[str, Interval]
    skirt_up_pa: Interval | None
    preload_needed_n: Interval | None
    rate_n_mm: dict[str, Interval]
    corrected: bool = False
    checks: tuple[FeelerCheck, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class RideSprings:
    """Draws of what the springs of a car may be, front before rear."""

    rate_n_mm: tuple[Array, Array]
    clearance_mm: tuple[Array, Array]
    turned_n: tuple[float, float]

    def sink_mm(self, axle: int, load_n: Array) -> Array:
        """Sink of an axle."""
        return np.asarray((load_n + self.turned_n[axle]) / self.rate_n_mm[axle])

    def gap_mm(self, axle: int, load_n: Array) -> Array:
        """What remains of the clearance of an axle."""
        return np.asarray(self.clearance_mm[axle] - self.sink_mm(axle, load_n))


def ride_springs(car: Car, springs: Springs, draws: Draws) -> RideSprings:
    """Draw the springs of a car."""
    turned = car.weight_n * (math.cos(math.radians(car.surface_angle_deg)) - 1)
    shares = car.front_weight, 1 - car.front_weight
    front, rear = (
        draws.rectangle(rate, springs.rate_within * rate) for rate in (springs.front_n_mm, springs.rear_n_mm)
    )
    heights = [
        draws.rectangle(height, springs.clearance_within_mm)
        for height in (springs.front_clearance_mm, springs.rear_clearance_mm)
    ]
    return RideSprings((front, rear), (heights[0], heights[1]), (shares[0] * turned, shares[1] * turned))


def ride(
    car: Car,
    loads: AxleLoads,
    keep_mm: float = 0.0,
    readings: Sequence[Feeler] = (),
    feeler_within_mm: float = FEELER_WITHIN_MM,
    correct: bool = False,
) -> Ride:
    """Work out how a car rides under suction.

    Parameters
    ----------
    car : Car
        With ``ride``.
    loads : AxleLoads
        Loads of its axles.
    keep_mm : float
        Gap that is to remain at each axle at the highest suction, mm.
    readings : sequence of Feeler
        Gaps that a person read.
    feeler_within_mm : float
        Half of the width that they are known within, mm.
    correct : bool
        Whether to go on with the rates that the readings ask for, instead of the car file's.

    Returns
    -------
    Ride

    Raises
    ------
    NeverSteady
        When the run was not steady where a gap was read.
    ReductionError
        When the car has no springs, or ``correct`` finds no reading to go by.

    Notes
    -----
    A suction that scales all loads moves each gap by a straight line, so the suction that closes one is where
    that line meets 0. The rate that keeps a gap is ``(F + f W (cos A - 1))/(clearance - gap)``. With
    ``correct`` the rate of an axle is that of a straight line through its rest, ``k = sum L^2/sum L z`` over
    its readings, L being the spring's load and z the sink read.
    """
    if car.ride is None:
        raise ReductionError(
            "the car has no springs",
            where=car.name,
            expected="a table [ride] in its car.toml",
            do="measure rates and clearances: wiring/car.md, Springs",
        )
    draws = Draws()
    springs = ride_springs(car, car.ride, draws)
    suction, *axle_factors = loads.factors(draws)
    factors = axle_factors[0], axle_factors[1]
    checks = tuple(_check(springs, loads, factors, one, feeler_within_mm, draws) for one in readings)
    if correct:
        springs = _corrected(springs, loads, factors, readings, feeler_within_mm, draws)
    skirt = _skirt(car.ride, draws)
    levels = tuple(_level(car, springs, factors, suction, skirt, one) for one in loads.levels)
    top = loads.levels[-1]
    ends = _ends_pa(car, springs, factors, suction, top)
    first = min(ends, key=lambda end: float(ends[end][0]))
    needed = {}
    for axle, name in enumerate(AXLES):
        load = factors[axle] * (top.front_n, top.rear_n)[axle] + springs.turned_n[axle]
        room = springs.clearance_mm[axle] - keep_mm
        rate = np.where(load <= 0, 0.0, np.where(room > 0, load / np.where(room > 0, room, 1.0), np.inf))
        needed[name] = interval(rate)
    return Ride(
        source=loads.source,
        loads_known=loads.known,
        surface_angle=car.surface_angle_deg,
        levels=levels,
        bottoms_pa=interval(np.minimum(*ends.values())),
        bottoms_at=first,
        keep_mm=keep_mm,
        rate_needed_n_mm=needed,
        skirt_up_pa=None if skirt is None else interval(skirt.up_pa(springs, factors, suction, top)),
        preload_needed_n=None
        if skirt is None
        else interval(skirt.preload_n - skirt.press_n(springs, factors, suction, top)),
        rate_n_mm={name: interval(springs.rate_n_mm[axle]) for axle, name in enumerate(AXLES)},
        corrected=correct,
        checks=checks,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Skirt:
    """A sprung skirt: draws of its forces at its edge, and the area that suction lifts it by, m2."""

    preload_n: Array
    rate_n_mm: Array
    lift_m2: float

    def press_n(
        self, springs: RideSprings, factors: tuple[Array, Array], suction: Array, level: LoadLevel
    ) -> Array:
        """Force on the surface at one suction: ``S0 + s z - l a p``."""
        sink = [springs.sink_mm(axle, factors[axle] * (level.front_n, level.rear_n)[axle]) for axle in (0, 1)]
        pressed = self.preload_n + self.rate_n_mm * (sink[0] + sink[1]) / 2
        return np.asarray(pressed - self.lift_m2 * level.suction_pa * suction)

    def up_pa(
        self, springs: RideSprings, factors: tuple[Array, Array], suction: Array, top: LoadLevel
    ) -> Array:
        """Suction at which that force is 0: it falls along a straight line from its value without suction."""
        rest = self.press_n(springs, factors, suction, LoadLevel(None, 0.0, 0.0, 0.0))
        fall = rest - self.press_n(springs, factors, suction, top)
        return _meets_pa(rest, fall, top.suction_pa * suction)


def _skirt(springs: Springs, draws: Draws) -> _Skirt | None:
    if springs.skirt_area_mm2 is None or springs.skirt_preload_n is None:
        return None
    within = springs.rate_within
    return _Skirt(
        draws.rectangle(springs.skirt_preload_n, within * springs.skirt_preload_n),
        draws.rectangle(springs.skirt_n_mm, within * springs.skirt_n_mm),
        1e-6 * springs.skirt_area_mm2 * springs.skirt_lever,
    )


def _level(
    car: Car,
    springs: RideSprings,
    factors: tuple[Array, Array],
    suction: Array,
    skirt: _Skirt | None,
    level: LoadLevel,
) -> RideLevel:
    load = [factors[axle] * (level.front_n, level.rear_n)[axle] for axle in (0, 1)]
    gap = [springs.gap_mm(axle, load[axle]) for axle in (0, 1)]
    least = interval(np.minimum(*(_at(car, gap, x_mm) for x_mm in _ends_mm(car))))
    axles = {
        name: AxleRide(interval(load[axle]), interval(springs.sink_mm(axle, load[axle])), interval(gap[axle]))
        for axle, name in enumerate(AXLES)
    }
    return RideLevel(
        throttle_us=level.throttle_us,
        suction_pa=interval(level.suction_pa * suction),
        axles=axles,
        least_gap_mm=least,
        bottoms=least.value <= 0,
        reach_mm=None
        if car.skirt_travel_mm is None
        else interval(car.skirt_travel_mm - np.maximum((gap[0] + gap[1]) / 2, 0.0)),
        skirt_n=interval(skirt.press_n(springs, factors, suction, level)) if skirt is not None else None,
    )


def _ends_mm(car: Car) -> tuple[float, float]:
    """Front and rear end of the floor."""
    along = [x for x, _ in car.floor_mm]
    return min(along), max(along)


def _at(car: Car, of_axles: Sequence[Array], x_mm: float) -> Array:
    """A straight line through its values at the axles."""
    share = x_mm / car.wheelbase_mm
    return np.asarray((1 - share) * of_axles[0] + share * of_axles[1])


def _ends_pa(
    car: Car, springs: RideSprings, factors: tuple[Array, Array], suction: Array, top: LoadLevel
) -> dict[str, Array]:
    """Suction at which each end of the floor meets the surface."""
    none = np.zeros(len(suction))
    rest = [springs.gap_mm(axle, none) for axle in (0, 1)]
    loaded = [springs.gap_mm(axle, factors[axle] * (top.front_n, top.rear_n)[axle]) for axle in (0, 1)]
    found = {}
    for name, x_mm in zip(AXLES, _ends_mm(car), strict=True):
        free = _at(car, rest, x_mm)
        found[name] = _meets_pa(free, free - _at(car, loaded, x_mm), top.suction_pa * suction)
    return found


def _meets_pa(rest: Array, fall: Array, suction_pa: Array) -> Array:
    """Where what falls by ``fall`` from ``rest`` on the way to a suction is 0; infinite where it is not."""
    falls = fall > 0
    meets = np.where(falls, np.maximum(rest, 0.0) / np.where(falls, fall, 1.0) * suction_pa, np.inf)
    return np.where(meets <= _MOST_PA, meets, np.inf)


def _level_of(loads: AxleLoads, reading: Feeler) -> LoadLevel:
    """The loads of the moment a gap was read in."""
    if reading.suction_pa is not None:
        front, rear = loads.per_pa(reading.suction_pa)
        return LoadLevel(None, reading.suction_pa, front * reading.suction_pa, rear * reading.suction_pa)
    known = [one for one in loads.levels if one.throttle_us is not None]
    near = min(known, key=lambda one: abs((one.throttle_us or 0) - (reading.throttle_us or 0)), default=None)
    if near is None or abs((near.throttle_us or 0) - (reading.throttle_us or 0)) > _NEAR_US:
        raise NeverSteady(
            "the run was not steady at the throttle at which a gap was read",
            where=loads.source,
            seen=f"{reading.throttle_us:g} µs",
            expected=", ".join(f"{one.throttle_us:.0f}" for one in known[:8]) or "a throttle in the log",
            do="hold that throttle for two seconds in the run, or give the suction: suction_pa",
        )
    return near


def _check(
    springs: RideSprings,
    loads: AxleLoads,
    factors: tuple[Array, Array],
    reading: Feeler,
    within_mm: float,
    draws: Draws,
) -> FeelerCheck:
    axle, level = AXLES.index(reading.axle), _level_of(loads, reading)
    gap = springs.gap_mm(axle, factors[axle] * (level.front_n, level.rear_n)[axle])
    apart = interval(draws.rectangle(reading.gap_mm, within_mm) - gap)
    return FeelerCheck(reading, interval(gap), apart, apart.low <= 0 <= apart.high)


def _corrected(
    springs: RideSprings,
    loads: AxleLoads,
    factors: tuple[Array, Array],
    readings: Sequence[Feeler],
    within_mm: float,
    draws: Draws,
) -> RideSprings:
    """The springs with the rates that the readings ask for, axle by axle."""
    rates = list(springs.rate_n_mm)
    for axle, name in enumerate(AXLES):
        square, product = np.zeros(len(rates[axle])), np.zeros(len(rates[axle]))
        own = [one for one in readings if one.axle == name]
        for one in own:
            level = _level_of(loads, one)
            load = factors[axle] * (level.front_n, level.rear_n)[axle] + springs.turned_n[axle]
            sink = springs.clearance_mm[axle] - draws.rectangle(one.gap_mm, within_mm)
            square, product = square + load * load, product + load * sink
        if not own:
            continue
        rate = square / np.where(product > 0, product, np.nan)
        if not np.isfinite(rate[0]) or np.isnan(rate).mean() > 0.01:
            raise ReductionError(
                f"the gaps read at the {name} axle give no wheel rate",
                where=loads.source,
                expected="gaps smaller than the clearance, by more than the uncertainty of either",
                do="read them at a higher throttle, or go on with the car file's rate",
            )
        rates[axle] = np.where(np.isnan(rate), np.inf, rate)
    if not readings:
        raise ReductionError("no gap was read that rates could be corrected by", expected="feeler readings")
    return RideSprings((rates[0], rates[1]), springs.clearance_mm, springs.turned_n)

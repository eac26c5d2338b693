"""What another mass, pack, gap, angle or tyre would come to, from the builder's own runs.

The suction comes from the fan law (:mod:`undertray.predict.fanlaw`), the loads of the axles from that by what
the run measured per pascal, and what they have to bear from :func:`undertray.reduce.hold.hold_need`. Each
number is worked out for thousands of draws of all that is uncertain, so it has an interval of its own, and
what two cases share (sensors, floor, law) is the same draw in both.

Suction and springs pull at one another: suction sinks the car, which closes the gap, which lets suction rise.
On the springs, mass and angle of the runs that is in the fan law, whose gap is the one as set. On others the
gap is taken as if it were set closer by ``g (z - z0)``: z is the sink of the axles, on average, under their
loads, ``(F + f W (cos A - 1))/k`` (:mod:`undertray.predict.rideheight`), z0 that of the car as it was driven
under the same suction, and g the share of the sink that the gap sees. Suction and gap are found together.

Not in it: the added mass sits where the centre of gravity is; suction is spread over the floor as in the run;
grip and times leave out what :func:`undertray.reduce.grip.grip` does, and the drag.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.distributions import NORMAL
from undertray.errors import ReductionError
from undertray.predict.axleloads import AxleLoads
from undertray.predict.draws import COUNT, Draws, Interval, interval
from undertray.predict.drivable import Forces, Window, drivable_window, range_pa
from undertray.predict.fanlaw import FanLaw, beyond
from undertray.predict.packvolts import Pack, PackVolts
from undertray.reduce.car import Car
from undertray.reduce.grip import driven_n, friction_left_n
from undertray.reduce.hold import hold_need, whole_need_n
from undertray.reduce.parallelfans import APART_US
from undertray.reduce.summary import Estimate

if TYPE_CHECKING:
    from undertray.predict.drag import Drag

__all__ = ["Case", "Curve", "Outcome", "SecondFan", "SpeedAnswer", "WhatIf", "margin_curves", "what_if"]

Array = NDArray[np.float64]

_MOST_US = 2000.0
_WIDEST = 6.0  # times the largest gap measured
_HALVINGS = 17
_ROUNDS, _SETTLED = 60, 1e-4


@dataclass(frozen=True, slots=True)
class SecondFan:
    """The second fan where it has a throttle of its own, and its pack (None: that of the runs)."""

    throttle_us: float
    pack: Pack | None = None


@dataclass(frozen=True, slots=True)
class Case:
    """What is asked: the car as it would be, its pack (None: that of the runs), gap and throttle."""

    name: str
    car: Car
    pack: Pack | None
    gap_mm: float | None
    throttle_us: float
    second: SecondFan | None = None  # None: it does what the first does

    @property
    def heavier_kg(self) -> float:
        """What the packs asked about weigh more than those of the runs."""
        packs = (self.pack, None if self.second is None else self.second.pack)
        return sum(pack.heavier_kg for pack in packs if pack is not None)


@dataclass(frozen=True, slots=True)
class SpeedAnswer:
    """Time from rest to a speed on the case's own surface, s; infinite where the tyres do not hold."""

    speed_m_s: float
    surface_s: Interval


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a case comes to; ``outside`` where its own throttle, pack or gap lies beyond those measured."""

    name: str
    mass_kg: float
    throttle_us: float
    surface_angle: float
    gap_mm: float | None
    closer_mm: Interval | None
    pack_mv: Interval | None
    suction_pa: Interval
    load_n: dict[str, Interval]
    need_n: dict[str, float]
    margin_n: dict[str, Interval]
    limiting: str
    least_margin_n: Interval
    holds_from_us: Interval
    largest_gap_mm: Interval | None
    lateral_g: Interval | None
    ground_lateral_g: Interval | None
    to_speed: tuple[SpeedAnswer, ...]
    window: Window | None
    locks_from_us: Interval | None
    beyond: tuple[str, ...]
    second_us: float | None = None
    second_mv: Interval | None = None
    outside: bool = False


@dataclass(frozen=True, slots=True)
class WhatIf:
    """The car as it is, and as it would be."""

    now: Outcome
    asked: tuple[Outcome, ...]
    gain_n: tuple[Interval, ...]
    break_even_kg: tuple[Interval | None, ...]
    law: dict[str, Interval]
    law_scatter: float
    points: int
    runs: int
    loads_known: bool
    notices: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Curve:
    """Least margin of a case against the gap: mm, N, and the ends of its interval, N."""

    name: str
    gap_mm: tuple[float, ...]
    margin_n: tuple[float, ...]
    low_n: tuple[float, ...]
    high_n: tuple[float, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Ride:
    """How springs close the gap: draws of what their rates are off by, and of the share that the gap sees."""

    driven: Car
    off: tuple[Array, Array]
    off_others: tuple[Array, Array]
    follows: Array

    def alike(self, car: Car) -> bool:
        """Whether a car sinks under a suction as the one that was driven."""
        keys = ("ride", "mass_kg", "surface_angle_deg")
        return all(getattr(car, key) == getattr(self.driven, key) for key in keys)

    def closer_mm(self, car: Car, loads_n: tuple[Array, Array]) -> Array:
        """How much closer than as driven the gap is under the same loads."""
        return np.asarray(self.follows * (self._sink_mm(car, loads_n) - self._sink_mm(self.driven, loads_n)))

    def _sink_mm(self, car: Car, loads_n: tuple[Array, Array]) -> Array:
        springs = car.ride
        assert springs is not None
        off = self.off if springs == self.driven.ride else self.off_others
        turned_n = car.weight_n * (math.cos(math.radians(car.surface_angle_deg)) - 1)
        parts = zip(
            loads_n,
            (springs.front_n_mm, springs.rear_n_mm),
            (car.front_weight, 1 - car.front_weight),
            off,
            strict=True,
        )
        sinks = [(n + f * turned_n) / (k * (1 + springs.rate_within * o)) for n, k, f, o in parts]
        return np.asarray((sinks[0] + sinks[1]) / 2)


@dataclass(frozen=True, slots=True, eq=False)
class _Given:
    """What all cases share."""

    law: FanLaw
    volts: PackVolts | None
    loads: AxleLoads
    suction: Array
    front: Array
    rear: Array
    mu: Array | None
    drag: Drag | None
    edge: Array
    ride: _Ride | None
    second_volts: PackVolts | None

    def suction_pa(self, case: Case, throttle_us: Array | float, gap_mm: Array | float | None) -> Array:
        return self.state(case, throttle_us, gap_mm)[0]

    def state(
        self, case: Case, throttle_us: Array | float, gap_mm: Array | float | None
    ) -> tuple[Array, tuple[Array, ...]]:
        """Suction in Pa, by the sensors' own scale, and the voltage at each fan in mV."""
        pa, packs_mv = self._as_set(case, throttle_us, gap_mm)
        set_mm = self.law.gap_mm if gap_mm is None else gap_mm
        if self._springs_alike(case) or set_mm is None:
            return pa, packs_mv
        for _ in range(_ROUNDS):
            before = pa
            pa, packs_mv = self._as_set(case, throttle_us, np.maximum(set_mm - self.closer_mm(case, pa), 0.0))
            # half way: from below on soft springs, from both sides on stiff ones
            pa = (pa + before) / 2
            if float(np.max(np.abs(pa - before) / np.maximum(before, 1.0))) < _SETTLED:
                break
        return pa, packs_mv

    def closer_mm(self, case: Case, pa: Array) -> Array:
        """How much closer than as set on the springs of the runs the gap is."""
        assert self.ride is not None
        return self.ride.closer_mm(case.car, self.loads_n(pa))

    def _springs_alike(self, case: Case) -> bool:
        return self.ride is None or self.ride.alike(case.car)

    def _as_set(
        self, case: Case, throttle_us: Array | float, gap_mm: Array | float | None
    ) -> tuple[Array, tuple[Array, ...]]:
        """Each pack gives in to its own fan as to both alike; one pack for both to the mean of the two."""
        law, second = self.law, case.second
        if second is None:
            if self.volts is None:
                return law.suction_pa(throttle_us, None, gap_mm), ()
            pa, pack_mv = self.volts.suction_pa(law, throttle_us, gap_mm, case.pack)
            return pa, (pack_mv,)
        # where a throttle is looked for the second keeps its distance
        other_us = np.minimum(np.asarray(throttle_us) + second.throttle_us - case.throttle_us, _MOST_US)
        if self.volts is None:
            return law.suction_pa(throttle_us, None, gap_mm, (other_us, None)), ()
        other_volts = self.volts if self.second_volts is None else self.second_volts
        _, first_mv = self.volts.suction_pa(law, throttle_us, gap_mm, case.pack)
        _, other_mv = other_volts.suction_pa(law, other_us, gap_mm, second.pack)
        if self.second_volts is None:
            first_mv = other_mv = (first_mv + other_mv) / 2
        return law.suction_pa(throttle_us, first_mv, gap_mm, (other_us, other_mv)), (first_mv, other_mv)

    def loads_n(self, pa: Array) -> tuple[Array, Array]:
        """Loads of front and rear axle."""
        front, rear = self.loads.per_pa(float(pa[0]))
        return front * pa * self.front, rear * pa * self.rear

    def margins_n(self, needs: dict[str, Array], pa: Array) -> dict[str, Array]:
        front, rear = self.loads_n(pa)
        of = {"front axle": front, "rear axle": rear, "whole car": front + rear}
        # where nothing is needed (on the ground the weight itself holds) the margin is the load
        return {name: of[name] - need for name, need in needs.items()}

    def least_n(self, needs: dict[str, Array], pa: Array) -> Array:
        return np.asarray(np.minimum.reduce(list(self.margins_n(needs, pa).values())))


def what_if(
    law: FanLaw,
    volts: PackVolts | None,
    loads: AxleLoads,
    now: Case,
    asked: Sequence[Case],
    speeds_m_s: Sequence[float] = (),
    drag: Drag | None = None,
    driven: Car | None = None,
    draws: Draws | None = None,
    second_volts: PackVolts | None = None,
) -> WhatIf:
    """Work out what cases come to.

    ``driven`` is the car of the runs where ``now`` is at another angle; ``second_volts`` what a second fan's
    own pack gives.
    """
    chosen = Draws(1616) if draws is None else draws
    given = _given(law, volts, loads, now.car, chosen, drag, driven, second_volts)
    for case in asked:
        _can_be_told(law, volts, now, case)
    told = [_outcome(given, case, speeds_m_s) for case in (now, *asked)]
    outcomes, least_n = [outcome for outcome, _ in told], [least_n for _, least_n in told]
    return WhatIf(
        now=outcomes[0],
        asked=tuple(outcomes[1:]),
        gain_n=tuple(interval(one - least_n[0]) for one in least_n[1:]),
        break_even_kg=tuple(_break_even(given, case) for case in asked),
        law=_law(law),
        law_scatter=law.scatter,
        points=law.points,
        runs=law.runs,
        loads_known=loads.known,
        notices=(*_parting(law, (now, *asked)), *_notices(law, volts, loads, drag, now.car)),
    )


def margin_curves(
    law: FanLaw,
    volts: PackVolts | None,
    loads: AxleLoads,
    cases: Sequence[Case],
    count: int = 25,
    driven: Car | None = None,
    draws: Draws | None = None,
    second_volts: PackVolts | None = None,
) -> tuple[Curve, ...]:
    """Least margin against gap, for a picture."""
    if not law.knows_gap or law.gaps_mm is None or not cases:
        return ()
    chosen = Draws(1616) if draws is None else draws
    given = _given(law, volts, loads, cases[0].car, chosen, None, driven, second_volts)
    gaps = [law.gaps_mm.low, law.gaps_mm.high, *(c.gap_mm for c in cases if c.gap_mm is not None)]
    grid = np.linspace(0.5 * min(gaps), 1.5 * max(gaps), count)
    found = []
    for case in cases:
        needs = _needs(given, case)
        spans = [
            interval(given.least_n(needs, given.suction_pa(case, case.throttle_us, gap)))
            for gap in grid.tolist()
        ]
        found.append(
            Curve(
                case.name,
                tuple(grid.tolist()),
                tuple(s.value for s in spans),
                tuple(s.low for s in spans),
                tuple(s.high for s in spans),
            )
        )
    return tuple(found)


def _given(
    law: FanLaw,
    volts: PackVolts | None,
    loads: AxleLoads,
    car: Car,
    draws: Draws,
    drag: Drag | None = None,
    driven: Car | None = None,
    second_volts: PackVolts | None = None,
) -> _Given:
    suction, front, rear = loads.factors(draws)
    mu = None
    if car.tyre_mu is not None:
        mu = np.maximum(draws.rectangle(car.tyre_mu, car.mu_within), 0.01)
    edge = draws.standard()
    ride = _ride(law, car if driven is None else driven, draws)
    return _Given(law, volts, loads, suction, front, rear, mu, drag, edge, ride, second_volts)


def _ride(law: FanLaw, driven: Car, draws: Draws) -> _Ride | None:
    if driven.ride is None or not law.knows_gap:
        return None
    off = [draws.rectangle(0.0, 1.0) for _ in range(4)]
    known = driven.ride.gap_follows
    # a stiff skirt follows the floor, a soft one stays on the surface: not told, it is anything between
    follows = draws.rectangle(0.5, 0.5) if known is None else np.full(COUNT, known)
    return _Ride(driven, (off[0], off[1]), (off[2], off[3]), follows)


def _can_be_told(law: FanLaw, volts: PackVolts | None, now: Case, case: Case) -> None:
    if case.pack is not None and volts is None:
        raise ReductionError(
            "another pack cannot be predicted: the runs measured no voltage",
            where=case.name,
            do="let the board measure it (board.json, pack), and say how many cells it has: --pack-was 3S",
        )
    if case.pack is not None and case.pack.cells is not None and volts is not None and volts.cells is None:
        raise ReductionError(
            "how many cells the pack of the runs has is not known",
            where=case.name,
            do="say it with --pack-was 3S, or give the other pack's voltage under load: --pack '14.4 V'",
        )
    springs = case.car.ride != now.car.ride
    if law.knows_gap or not (springs or (case.gap_mm is not None and case.gap_mm != now.gap_mm)):
        return
    raise ReductionError(
        f"{'what other springs do to the gap' if springs else 'another gap'} cannot be predicted"
        + (": the runs have one gap only" if law.gaps == 1 else ": no run notes its gap"),
        where=case.name,
        expected="runs at two gaps, or one and the fan curve in the car file",
        do="drive one at another gap; note it with --gap in record or annotate, or give --gap-was",
    )


def _needs(given: _Given, case: Case) -> dict[str, Array]:
    """What axles and car need, N; the car's by its mu where it may slide."""
    need = hold_need(case.car)
    found = {"front axle": np.full(COUNT, need.front_n), "rear axle": np.full(COUNT, need.rear_n)}
    if need.by_friction and given.mu is not None:
        whole = whole_need_n(case.car, given.mu)
        if whole[0] > 1.000001 * (need.front_n + need.rear_n):
            found["whole car"] = whole
    return found


def _at(given: _Given, case: Case) -> Array:
    return given.suction_pa(case, case.throttle_us, case.gap_mm)


def _outcome(given: _Given, case: Case, speeds_m_s: Sequence[float]) -> tuple[Outcome, Array]:
    """What a case comes to, and the draws of its least margin, N."""
    pa, packs_mv = given.state(case, case.throttle_us, case.gap_mm)
    needs = _needs(given, case)
    front, rear = given.loads_n(pa)
    margins = given.margins_n(needs, pa)
    load = {"front axle": front, "rear axle": rear, "whole car": front + rear}
    limiting = max(margins, key=lambda name: float(needs[name][0]) / max(float(load[name][0]), 1e-9))
    lateral, ground, times = _grip(given, case, front, rear, speeds_m_s)
    window = _window(given, case, float(pa[0]))
    from_us = interval(_holds_from_us(given, case, needs))
    largest_mm = _largest_gap(given, case, needs)
    closer = None if given.ride is None or given.ride.alike(case.car) else given.closer_mm(case, pa)
    said = _beyond(given, case, packs_mv, 0.0 if closer is None else float(closer[0]))
    outside = bool(said)
    for what, found, known, show in (
        ("the least throttle", from_us, given.law.throttles_us, "{:.0f} µs"),
        ("the largest gap", largest_mm, given.law.gaps_mm, "{:.2f} mm"),
    ):
        if found is not None and math.isfinite(found.value) and beyond(found.value, known):
            low, high = (show.format(end) for end in (known.low, known.high)) if known else ("", "")
            said.append(f"{what} that holds is not among those measured ({low} to {high})")
    least_n: Array = np.minimum.reduce(list(margins.values()))
    return Outcome(
        name=case.name,
        mass_kg=case.car.mass_kg,
        throttle_us=case.throttle_us,
        surface_angle=case.car.surface_angle_deg,
        gap_mm=case.gap_mm,
        closer_mm=None if closer is None else interval(closer),
        pack_mv=interval(packs_mv[0]) if packs_mv else None,
        suction_pa=interval(pa * given.suction),
        load_n={name: interval(load[name]) for name in margins},
        need_n={name: float(need[0]) for name, need in needs.items()},
        margin_n={name: interval(margin) for name, margin in margins.items()},
        limiting=limiting,
        least_margin_n=interval(least_n),
        holds_from_us=from_us,
        largest_gap_mm=largest_mm,
        lateral_g=lateral,
        ground_lateral_g=ground,
        to_speed=times,
        window=window,
        locks_from_us=None if window is None else _locks_from_us(given, case, window),
        beyond=tuple(said),
        second_us=None if case.second is None else case.second.throttle_us,
        second_mv=interval(packs_mv[1]) if len(packs_mv) > 1 else None,
        outside=outside,
    ), least_n


def _grip(
    given: _Given, case: Case, front: Array, rear: Array, speeds_m_s: Sequence[float]
) -> tuple[Interval | None, Interval | None, tuple[SpeedAnswer, ...]]:
    if given.mu is None:
        return None, None, ()
    car, mu = case.car, given.mu
    own, level = (
        friction_left_n(car, mu, 1.0, front + rear, angle) / car.weight_n
        for angle in (car.surface_angle_deg, 0.0)
    )
    share, load = {
        "all": (1.0, front + rear),
        "front": (car.front_weight, front),
        "rear": (1 - car.front_weight, rear),
    }[car.driven]
    drives_n = np.array(
        [
            driven_n(car, m, share, n, car.surface_angle_deg, f, 0.0)
            for m, n, f in zip(mu.tolist(), load.tolist(), front.tolist(), strict=True)
        ]
    )
    per_speed = np.where(drives_n > 0, car.mass_kg / np.where(drives_n > 0, drives_n, 1.0), np.inf)
    times = tuple(
        SpeedAnswer(speed, interval(speed * per_speed))
        for speed in tuple(speeds_m_s) or (car.target_speed_m_s,)
    )
    return interval(own), interval(level), times


def _crossing(low: Array, high: Array, is_high: Callable[[Array], NDArray[np.bool_]]) -> Array:
    """Halve, draw by draw, an interval at whose upper end something holds and at whose lower it does not."""
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        holds = is_high(middle)
        low, high = np.where(holds, low, middle), np.where(holds, middle, high)
    return np.asarray((low + high) / 2)


def _holds_from_us(given: _Given, case: Case, needs: dict[str, Array]) -> Array:
    def holds(throttle_us: Array) -> NDArray[np.bool_]:
        pa = given.suction_pa(case, throttle_us, case.gap_mm)
        return np.asarray(given.least_n(needs, pa) >= 0)

    low, high = given.law.idle_us, np.full(COUNT, _MOST_US)
    found = _crossing(low, high, holds)
    found = np.where(holds(high), found, np.inf)
    return np.asarray(np.where(holds(low), low, found))


def _window(given: _Given, case: Case, pa: float) -> Window | None:
    """The suctions at which it holds and drives."""
    if given.drag is None:
        return None
    front, rear = given.loads.per_pa(pa)
    loads = given.loads
    whole_n, front_n, rear_n = (
        Estimate(n, abs(n) * share if loads.known else None)
        for n, share in (
            (front + rear, loads.whole_share),
            (front, loads.front_share),
            (rear, loads.rear_share),
        )
    )
    most_pa = range_pa(case.car, given.drag, pa)
    return drivable_window(case.car, given.drag, None, Forces(whole_n, front_n, rear_n), most_pa)


def _locks_from_us(given: _Given, case: Case, window: Window) -> Interval | None:
    """Throttle at which the suction is that of the window's upper end, whose interval is taken as normal."""
    end = window.locks
    if end is None or end.at_pa is None:
        return None
    low, high = (end.at_pa if pa is None else pa for pa in (end.low_pa, end.high_pa))
    locks_pa = end.at_pa + given.edge * np.where(given.edge < 0, end.at_pa - low, high - end.at_pa) / NORMAL

    def locked(throttle_us: Array) -> NDArray[np.bool_]:
        return np.asarray(given.suction_pa(case, throttle_us, case.gap_mm) >= locks_pa)

    low_us, high_us = given.law.idle_us, np.full(COUNT, _MOST_US)
    return interval(np.where(locked(high_us), _crossing(low_us, high_us, locked), np.inf))


def _largest_gap(given: _Given, case: Case, needs: dict[str, Array]) -> Interval | None:
    known = given.law.gaps_mm
    if known is None or not given.law.knows_gap:
        return None

    def lets_go(gap_mm: Array) -> NDArray[np.bool_]:
        pa = given.suction_pa(case, case.throttle_us, gap_mm)
        return np.asarray(given.least_n(needs, pa) < 0)

    low, high = np.zeros(COUNT), np.full(COUNT, _WIDEST * known.high)
    found = _crossing(low, high, lets_go)
    found = np.where(lets_go(high), found, np.inf)
    return interval(np.where(lets_go(low), 0.0, found))


def _break_even(given: _Given, case: Case) -> Interval | None:
    """How much heavier a pack may be: at the least margin of the same car with the pack of the runs."""
    own = None if given.volts is None else given.volts.cells
    if case.pack is None or (case.pack.cells is not None and case.pack.cells == own):
        return None
    light = replace(case.car, mass_kg=case.car.mass_kg - case.heavier_kg)
    second = None if case.second is None else replace(case.second, pack=None)
    before = replace(case, car=light, pack=None, second=second)
    new_pa, old_pa = _at(given, case), _at(given, before)
    needs = _needs(given, before)
    if not any(float(need[0]) > 0 for need in needs.values()):
        # the weight presses the car on: what counts is the suction force over it
        new, old = (sum(given.loads_n(pa)) for pa in (new_pa, old_pa))
        return interval(light.mass_kg * (np.asarray(new) / np.asarray(old) - 1))
    target = given.least_n(needs, old_pa)
    front, rear = given.loads_n(new_pa)
    of = {"front axle": front, "rear axle": rear, "whole car": front + rear}
    # a need goes with the mass: the heaviest at which each margin is still that
    heaviest = [
        (of[name] - target) / need * light.mass_kg for name, need in needs.items() if float(need[0]) > 0
    ]
    return interval(np.minimum.reduce(heaviest) - light.mass_kg)


def _beyond(given: _Given, case: Case, packs_mv: tuple[Array, ...], closer_mm: float) -> list[str]:
    law, said = given.law, []
    second_us = None if case.second is None else case.second.throttle_us
    first_mv, second_mv, *_ = (*(float(one[0]) for one in packs_mv), None, None)
    for what, value, known, unit, scale in (
        ("throttle", case.throttle_us, law.throttles_us, "µs", 1.0),
        ("throttle of the second fan", second_us, law.throttles_us, "µs", 1.0),
        ("pack", first_mv, law.packs_mv, "V", 1e-3),
        ("pack of the second fan", second_mv, law.packs_mv, "V", 1e-3),
        ("gap", None if case.gap_mm is None else case.gap_mm - closer_mm, law.gaps_mm, "mm", 1.0),
    ):
        off = 0.0 if value is None else beyond(value, known)
        if known is None or value is None or abs(off) < 0.002 * abs(value):
            continue
        way = "above" if off > 0 else "below"
        digits = 0 if unit == "µs" else 2
        at, apart, low, high = (
            f"{number * scale:.{digits}f}" for number in (value, abs(off), known.low, known.high)
        )
        said.append(f"{what} {at} {unit} is {apart} {unit} {way} what was measured ({low} to {high} {unit})")
    return said


def _law(law: FanLaw) -> dict[str, Interval]:
    told = {"idle_us": law.idle_us, "throttle": law.throttle, "voltage": law.voltage}
    if law.gaps:
        told |= {"of_gap": law.of_gap, "shut_off": law.share, "leak": law.leak}
    return {name: interval(draws) for name, draws in told.items()}


def _parting(law: FanLaw, cases: Sequence[Case]) -> tuple[str, ...]:
    """What two fans that part rest on."""
    apart_us = [c.second.throttle_us - c.throttle_us for c in cases if c.second is not None]
    if law.parted or max(map(abs, apart_us), default=0.0) <= APART_US:
        return ()
    return (
        "in no run do the fans part: what one that is held back lets through rests on nothing; a few seconds"
        " with each of them held back, and with each standing, would settle it",
    )


def _notices(
    law: FanLaw, volts: PackVolts | None, loads: AxleLoads, drag: Drag | None, car: Car
) -> list[str]:
    said = []
    if car.ride is not None and law.knows_gap and car.ride.gap_follows is None:
        said.append(
            "how much of the car's sink its gap sees is not in the car file: anything from none to all of it"
            " (gap_follows; press it down by a millimetre and read the gap)"
        )
    elif car.ride is not None and not law.knows_gap:
        said.append("what sinking on its springs does to the gap is left out: no run at a second gap")
    if law.gaps < 2:
        rests = "the fan curve and the skirt's length alone" if law.knows_gap else "nothing"
        said.append(
            f"another gap rests on {rests}: a run at a second gap, the gap noted, would settle it"
            if law.gaps
            else "no run notes its gap: one at each of two gaps, noted with --gap, would settle it"
        )
    if volts is None:
        said.append("no run measured the pack: another pack cannot be predicted (board.json, pack)")
    elif law.packs_mv is not None and law.packs_mv.high < 1.08 * law.packs_mv.low:
        said.append(
            "the runs' voltages lie within 8 %: how suction goes with voltage rests on the motor's physics;"
            " runs on a full and on an emptied pack would settle it"
        )
    if drag is None:
        said.append("no pulls: the suction at which its skirt holds it fast is not known (pull-test, --drag)")
    if not loads.known:
        said.append("uncalibrated, or an even suction: how far off the loads may be is in no interval")
    return said

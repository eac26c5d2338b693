"""The named classes of runs: each draws a car, a driver, a road, mishaps and a board from one seed."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from worlds.driver import OFF_US, Thumb, blip, hold, laps, ramps, start, work
from worlds.mishaps import Opening, Recorder, TapFault, opening
from worlds.vehicle import CELLS, Vehicle, invented

SECONDS = 40.0
_NAMES = ("front-left", "front-right", "middle-left", "middle-right", "rear-left", "rear-right")
_LAYOUTS = ((0, 1, 4, 5), (0, 1, 4, 5), (0, 1, 4, 5), (0, 1, 4), (0, 4, 5), (0, 1, 2, 3, 4, 5))


@dataclass
class Plan:
    """All that one run needs before the physics."""

    stratum: str
    seed: int
    car: Vehicle
    taps: tuple[int, ...]  # cells that have one
    us: float  # working throttle
    seconds: float = SECONDS
    thumb: Thumb = field(default_factory=Thumb)
    hard: float = 0.4
    rough_m: float = 4e-5
    bumps_s: float = 0.0
    bump_m: float = 0.0
    bump_at_s: float | None = None
    most_sag: float = 0.06
    upside_down: bool = False
    openings: list[Opening] = field(default_factory=list)
    flutters: list[Opening] = field(default_factory=list)
    faults: list[TapFault] = field(default_factory=list)
    cuts: list[tuple[float, float]] = field(default_factory=list)  # when, and when up again
    recorder: Recorder = field(default_factory=lambda: Recorder(200.0, 5e-5, 0.0))
    range_pa: float = 4000.0  # of the sensors, either way
    zero_pa: float = 4.0  # standard deviation of the zeros
    zeros_same_pa: float | None = None
    drift_pa_s: float = 0.0
    noise_pa: float = 1.5
    flow_noise: float = 0.004

    def names(self) -> list[str]:
        """Names of the taps."""
        return [_NAMES[c] for c in self.taps]


Build = Callable[[Plan, np.random.Generator], None]
_BUILDERS: dict[str, tuple[Build, dict[str, Any]]] = {}


def _stratum(name: str, **options: Any) -> Callable[[Build], Build]:
    def keep(build: Build) -> Build:
        assert name not in _BUILDERS, name
        _BUILDERS[name] = (build, options)
        return build

    return keep


def names() -> list[str]:
    """Names of all strata, in order."""
    return list(_BUILDERS)


def draw(stratum: str, seed: int) -> Plan:
    """The plan of one run."""
    build, options = _BUILDERS[stratum]
    rng = np.random.default_rng([zlib.crc32(stratum.encode()), seed])
    plan = _base(stratum, seed, rng, options)
    build(plan, rng)
    return plan


def _base(stratum: str, seed: int, rng: np.random.Generator, options: dict[str, Any]) -> Plan:
    car = invented(rng)
    if "brakes" in options:
        braked = bool(options["brakes"])
        car = replace(car, brakes=braked, brakes_off=braked and car.brakes_off)
    rate = float(options.get("rate") or rng.choice([100, 200, 200, 200, 200, 250, 400, 500]))
    recorder = Recorder(
        rate,
        float(rng.uniform(1e-5, 1.5e-4)),
        float(rng.choice([0.0, 0.0, 1e-4, 1e-3])),
        pack_logged=bool(rng.random() < 0.7),
        stale_share=float(rng.choice([0.0, 0.0, 0.002])),
        # one run in six passes the end of the board's clock
        first_tick=int(
            rng.integers(0, 1 << 29) if rng.random() < 5 / 6 else (1 << 30) - rng.uniform(5e6, 35e6)
        ),
        first_seq=int(rng.integers(0, 30000)),
    )
    taps = tuple(options.get("taps") or _LAYOUTS[int(rng.integers(len(_LAYOUTS)))])
    return Plan(
        stratum,
        seed,
        car,
        taps,
        us=float(rng.uniform(1560, 1850)),
        recorder=recorder,
        hard=float(rng.uniform(0.15, 0.6)),
        rough_m=float(rng.uniform(1e-5, 8e-5)),
        noise_pa=float(rng.uniform(0.5, 3.0)),
        flow_noise=float(rng.uniform(0.001, 0.006)),
        range_pa=float(rng.choice([4000.0, 6000.0])),
        drift_pa_s=float(rng.normal(0, 0.03)),
    )


# ---- how a run is driven ----

_STYLES: dict[str, Callable[[Thumb, np.random.Generator, float, float], None]] = {
    "hold": hold,
    "laps": laps,
    "work": work,
    "ramps": ramps,
}


def _drive(plan: Plan, rng: np.random.Generator, style: str, ends: bool = True) -> None:
    """From standing to nearly the end in one style; then the driver lets it down (or the log just ends)."""
    if not plan.thumb.us[1:]:
        start(plan.thumb, rng, plan.us)
    stop = plan.seconds - float(rng.uniform(3.0, 4.5))
    _STYLES[style](plan.thumb, rng, stop, plan.us)
    if ends:
        plan.thumb.go(max(stop, plan.thumb.now_s + 0.3), plan.us, 0.05)
        _cut(plan, plan.thumb.now_s + 0.4)


def _cut(plan: Plan, at_s: float, us: float = OFF_US, up_again_s: float | None = None) -> None:
    plan.thumb.go(at_s, us, 0.05)
    plan.cuts.append((at_s, plan.seconds if up_again_s is None else up_again_s))


def _busy(plan: Plan, rng: np.random.Generator, low_s: float = 13.0, tail_s: float = 8.0) -> float:
    """A moment at which the throttle is and stays up."""
    for _ in range(400):
        t = float(rng.uniform(low_s, plan.seconds - tail_s))
        if plan.thumb.at(np.linspace(t - 0.4, t + 0.6, 21)).min() > 1450:
            return t
    return t


def _still(plan: Plan, rng: np.random.Generator) -> float:
    """A moment with a steady throttle round it."""
    for _ in range(400):
        t = _busy(plan, rng)
        around = plan.thumb.at(np.linspace(t - 0.3, t + 0.3, 13))
        if np.ptp(around) < 30:
            return t
    return t


def _fold(
    plan: Plan, rng: np.random.Generator, at_s: float, low: float = 0.3, high: float = 0.9, **more: float
) -> None:
    rise = more.pop("rise_s", None)
    drop = float(rng.uniform(low, high))
    rise_s = float(rng.uniform(0.012, 0.09)) if rise is None else float(rise)
    plan.openings.append(opening(plan.car, rng, at_s, plan.taps, drop, rise_s, **more))


def _hardware(plan: Plan, **changes: Any) -> None:
    plan.car = replace(plan.car, **changes)


# ---- nothing happens ----


@_stratum("clean-hold")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "hold")


@_stratum("hard-clean-driving")
def _(plan: Plan, rng: np.random.Generator) -> None:
    plan.hard, plan.rough_m = 1.0, float(rng.uniform(5e-5, 1.2e-4))
    plan.bumps_s, plan.bump_m = float(rng.uniform(2, 6)), float(rng.uniform(0.5e-3, 1.5e-3))
    _drive(plan, rng, str(rng.choice(["laps", "laps", "work", "ramps"])))


@_stratum("bumpy-road-clean")
def _(plan: Plan, rng: np.random.Generator) -> None:
    plan.rough_m = float(rng.uniform(1e-4, 2e-4))
    plan.bumps_s, plan.bump_m = float(rng.uniform(0.7, 2)), float(rng.uniform(0.8e-3, 1.8e-3))
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))


@_stratum("throttle-work-without-rest")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "work")


@_stratum("throttle-work-without-rest-coasting-fan", brakes=False)
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "work")


@_stratum("ramps-clean")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "ramps")


@_stratum("dead-time-blip-on-coasting-fan", brakes=False)
def _(plan: Plan, rng: np.random.Generator) -> None:
    _hardware(plan, dead_time_s=float(rng.uniform(0.025, 0.08)), slew_up=float(rng.choice([1.5, 3.0])))
    start(plan.thumb, rng, plan.us)
    for t in np.arange(10, plan.seconds - 8, 4) + rng.uniform(0, 2):
        blip(plan.thumb, rng, float(t), float(rng.choice([1150, 1250, plan.us + 180, plan.us - 300])))
        if rng.random() < 0.4:  # down, and up beyond where it was
            plan.thumb.go(plan.thumb.now_s + 0.1, plan.us + 100, 0.05)
            plan.thumb.go(plan.thumb.now_s + 0.25, plan.us, 0.05)
    _cut(plan, plan.seconds - 4)


@_stratum("braked-fan-to-idle-with-zeros-off-10Pa", brakes=True)
def _(plan: Plan, rng: np.random.Generator) -> None:
    plan.zeros_same_pa = float(rng.choice([-10.0, 10.0]))
    start(plan.thumb, rng, plan.us)
    t = 10.0
    while t < plan.seconds - 9:
        t += float(rng.uniform(1, 3))
        up = t + float(rng.uniform(1.2, 3))
        _cut(plan, t, float(rng.uniform(1100, 1180)), up)
        plan.thumb.go(up, plan.us, float(rng.uniform(0.05, 0.5)))
        t = up + 1.5
    _cut(plan, plan.seconds - 4)


@_stratum("coasting-fan-to-idle", brakes=False)
def _(plan: Plan, rng: np.random.Generator) -> None:
    start(plan.thumb, rng, plan.us)
    t = 10.0
    while t < plan.seconds - 10:
        t += float(rng.uniform(1, 3))
        up = t + float(rng.uniform(0.8, 4))
        _cut(plan, t, float(rng.uniform(1000, 1180)), up)
        plan.thumb.go(up, plan.us, float(rng.uniform(0.05, 0.5)))
        t = up + 1.5
    _cut(plan, plan.seconds - 6)


@_stratum("throttle-step-in-gap")
def _(plan: Plan, rng: np.random.Generator) -> None:
    start(plan.thumb, rng, plan.us)
    gaps, t = [], 10.0
    while t < plan.seconds - 9:
        t += float(rng.uniform(2, 4))
        length = float(rng.uniform(0.05, 0.6))
        down = plan.thumb.us[-1] > plan.us - 50
        plan.thumb.go(t, plan.us - (float(rng.uniform(150, 400)) if down else 0), 0.02)
        gaps.append((t - length * float(rng.uniform(0.2, 0.7)), length))
    plan.recorder = replace(plan.recorder, gaps=tuple(gaps))
    plan.thumb.go(plan.seconds - 6, plan.us, 0.1)
    _cut(plan, plan.seconds - 4)


@_stratum("gaps-in-lap-work")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "laps")
    times = np.sort(rng.uniform(6, plan.seconds - 3, 6))
    plan.recorder = replace(
        plan.recorder, gaps=tuple((float(t), float(rng.uniform(0.03, 0.8))) for t in times)
    )


@_stratum("pack-at-its-end")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _hardware(plan, charge=float(rng.uniform(0.04, 0.08)), capacity_ah=float(rng.uniform(0.5, 0.8)))
    plan.hard = float(rng.uniform(0.1, 0.5))
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))


@_stratum("pack-sags-under-acceleration")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _hardware(plan, pack_ohm=plan.car.pack_ohm * float(rng.uniform(1.5, 2.5)))
    plan.hard, plan.most_sag = float(rng.uniform(0.8, 1.2)), 0.11
    _drive(plan, rng, "hold")


@_stratum("rolled-over-clean")
def _(plan: Plan, rng: np.random.Generator) -> None:
    plan.upside_down = True
    _drive(plan, rng, "hold")


@_stratum("no-throttle-clean")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "hold", ends=False)
    plan.recorder = replace(plan.recorder, throttle_until_s=0.0)


@_stratum("throttle-drops-out-now-and-then")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "laps")
    holes = tuple((float(t), float(rng.uniform(0.1, 1.2))) for t in rng.uniform(8, plan.seconds - 6, 6))
    plan.recorder = replace(plan.recorder, throttle_holes=holes)


@_stratum("flutter-that-holds")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "hold")
    for _ in range(3):
        t = _still(plan, rng)
        plan.flutters.append(
            opening(plan.car, rng, t, plan.taps, 0.12, 0.1, flutter_s=float(rng.uniform(0.3, 1.0)),
                    flutter=1.0, flutter_hz=float(rng.uniform(18, 60)))
        )  # fmt: skip


@_stratum("zeros-that-drift")
def _(plan: Plan, rng: np.random.Generator) -> None:
    plan.zero_pa, plan.drift_pa_s = 15.0, float(rng.uniform(-0.5, 0.5))
    _drive(plan, rng, "laps")


@_stratum("opens-and-closes-at-idle")
def _(plan: Plan, rng: np.random.Generator) -> None:
    start(plan.thumb, rng, plan.us)
    t = float(rng.uniform(12, 18))
    _cut(plan, t, float(rng.uniform(1000, 1120)), t + 12)
    plan.thumb.go(t + 12, plan.us, 0.3)
    _fold(plan, rng, t + 8, hold_s=float(rng.uniform(0.3, 2)))
    _cut(plan, plan.seconds - 4)


@_stratum("sticking-skirt-clean")
def _(plan: Plan, rng: np.random.Generator) -> None:
    stick = plan.car.ride_m * float(rng.uniform(0.1, 0.3))
    _hardware(plan, stick_m=stick, slip_m=stick * float(rng.uniform(0.0, 0.3)), follow=plan.car.follow * 1.3)
    plan.hard = 0.9
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))


@_stratum("board-that-skips-rows")
def _(plan: Plan, rng: np.random.Generator) -> None:
    plan.recorder = replace(plan.recorder, skip_share=0.03, jitter_s=6e-4, stale_share=0.03)
    _drive(plan, rng, "laps")


# ---- a seal is lost ----


@_stratum("fold-while-holding")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "hold")
    _fold(plan, rng, _still(plan, rng))


@_stratum("lap-work-coasting-fan", brakes=False)
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "laps")
    _fold(plan, rng, _busy(plan, rng))


@_stratum("lap-work-braked-fan", brakes=True)
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "laps")
    _fold(plan, rng, _busy(plan, rng))


@_stratum("loss-in-throttle-work")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "work")
    _fold(plan, rng, _busy(plan, rng), low=0.35)


@_stratum("brief-loss-100-250ms")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))
    _brief(plan, rng, _still(plan, rng))


@_stratum("brief-loss-in-throttle-work")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "work")
    _brief(plan, rng, _busy(plan, rng))


def _brief(plan: Plan, rng: np.random.Generator, at_s: float) -> None:
    rise, fall = float(rng.uniform(0.012, 0.03)), float(rng.uniform(0.02, 0.05))
    held = float(rng.uniform(0.1, 0.25)) - 0.5 * (rise + fall)
    _fold(plan, rng, at_s, 0.35, 0.85, rise_s=rise, hold_s=max(held, 0.04), fall_s=fall)


@_stratum("lifts-and-falls-back")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))
    _fold(
        plan, rng, _busy(plan, rng), hold_s=float(rng.uniform(0.4, 2.0)), fall_s=float(rng.uniform(0.03, 0.4))
    )


@_stratum("shallow-loss")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))
    _fold(plan, rng, _still(plan, rng), low=0.2, high=0.3)


@_stratum("tear-after-flutter")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))
    flutter = {
        "flutter_s": float(rng.uniform(0.2, 0.9)),
        "flutter": float(rng.uniform(0.02, 0.08)),
        "flutter_hz": float(rng.uniform(18, 60)),
    }
    _fold(plan, rng, _still(plan, rng), stages=int(rng.integers(1, 4)), **flutter)
    plan.flutters.append(plan.openings[0])


@_stratum("loss-just-before-throttle-up")
def _(plan: Plan, rng: np.random.Generator) -> None:
    t = _then(plan, rng)
    _fold(plan, rng, t - float(rng.uniform(0.03, 0.3)))
    plan.thumb.go(t, plan.us + float(rng.uniform(80, 200)), 0.04)
    _after(plan, rng)


@_stratum("loss-just-after-throttle-up")
def _(plan: Plan, rng: np.random.Generator) -> None:
    t = _then(plan, rng)
    plan.thumb.go(t, plan.us + float(rng.uniform(80, 200)), 0.04)
    _fold(plan, rng, t + float(rng.uniform(0.0, 0.4)))
    _after(plan, rng)


@_stratum("loss-beside-step-down")
def _(plan: Plan, rng: np.random.Generator) -> None:
    t = _then(plan, rng)
    plan.thumb.go(t, plan.us - float(rng.uniform(60, 160)), 0.04)
    _fold(plan, rng, t + float(rng.uniform(-0.25, 0.25)), low=0.45)
    _after(plan, rng)


@_stratum("loss-in-a-blip")
def _(plan: Plan, rng: np.random.Generator) -> None:
    t = _then(plan, rng)
    blip(plan.thumb, rng, t, plan.us + float(rng.choice([-250, 150])))
    _fold(plan, rng, t + float(rng.uniform(0.0, 0.5)), low=0.4)
    _after(plan, rng)


def _then(plan: Plan, rng: np.random.Generator) -> float:
    """Drive up to a moment, steady for the last part."""
    start(plan.thumb, rng, plan.us)
    t = float(rng.uniform(15, plan.seconds - 12))
    _STYLES[str(rng.choice(["laps", "hold"]))](plan.thumb, rng, t - 1.0, plan.us)
    plan.thumb.go(t - 0.9, plan.us, 0.05)
    return t


def _after(plan: Plan, rng: np.random.Generator) -> None:
    """Some drive on for a while, some let it down."""
    if rng.random() < 0.5:
        _cut(plan, plan.thumb.now_s + float(rng.uniform(1.5, 4)))
    else:
        laps(plan.thumb, rng, plan.seconds - 4.5, plan.us)
        plan.thumb.go(plan.thumb.now_s + 0.3, plan.us, 0.05)
        _cut(plan, plan.thumb.now_s + 0.5)


@_stratum("driver-cuts-after-the-loss")
def _(plan: Plan, rng: np.random.Generator) -> None:
    t = _then(plan, rng)
    _fold(plan, rng, t, low=0.35, high=0.7)
    _cut(plan, t + float(rng.uniform(0.3, 1.0)))


@_stratum("two-losses-in-a-row")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))
    t = _busy(plan, rng, tail_s=12)
    _fold(plan, rng, t, low=0.3, high=0.5)
    _fold(plan, rng, t + float(rng.uniform(0.5, 3)), low=0.5, high=0.7)


@_stratum("two-brief-losses")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "hold")
    t = _busy(plan, rng, tail_s=12)
    _brief(plan, rng, t)
    _brief(plan, rng, t + float(rng.uniform(0.6, 3)))


@_stratum("loss-in-a-gap")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))
    t = _still(plan, rng)
    length = float(rng.choice([rng.uniform(0.02, 0.06), rng.uniform(0.06, 0.4)]))
    _fold(plan, rng, t, low=0.4, rise_s=float(rng.uniform(0.01, 0.03)))
    plan.recorder = replace(plan.recorder, gaps=((t - length * float(rng.uniform(0.1, 0.8)), length),))


@_stratum("one-tap-falls-to-nothing")
def _(plan: Plan, rng: np.random.Generator) -> None:
    plan.taps = _LAYOUTS[int(rng.integers(5))]  # three or four taps: of six, one is no loss
    cell = int(rng.choice(plan.taps))
    passage = list(plan.car.passage)
    passage[cell] *= float(rng.uniform(1.5, 4))
    _hardware(plan, passage=tuple(passage))
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))
    area = [0.0] * CELLS
    area[cell] = 0.008 * plan.car.edge_m[cell]
    plan.openings.append(
        Opening(_still(plan, rng), tuple(area), (0.0,) * CELLS, float(rng.uniform(0.012, 0.06)))
    )


@_stratum("peel-from-one-corner")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _hardware(plan, passage=tuple(4 * p for p in plan.car.passage))
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))
    corner = int(rng.choice([c for c in plan.taps if c not in (2, 3)]))
    _fold(plan, rng, _still(plan, rng), low=0.5, rise_s=float(rng.uniform(0.02, 0.05)), cell=corner,
          run_s=float(rng.uniform(0.03, 0.09)))  # fmt: skip


@_stratum("fold-over-a-third-of-a-second")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))
    _fold(plan, rng, _still(plan, rng), low=0.4, rise_s=float(rng.uniform(0.15, 0.5)))


@_stratum("throttle-lost-half-way")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "hold", ends=False)
    lost = float(rng.uniform(12, 20))
    plan.recorder = replace(plan.recorder, throttle_until_s=lost)
    _fold(plan, rng, _busy(plan, rng, low_s=lost + 2))


@_stratum("loss-without-throttle")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "hold", ends=False)
    plan.recorder = replace(plan.recorder, throttle_until_s=0.0)
    _fold(plan, rng, _still(plan, rng))


@_stratum("loss-on-a-bumpy-road")
def _(plan: Plan, rng: np.random.Generator) -> None:
    plan.rough_m = float(rng.uniform(8e-5, 1.6e-4))
    plan.bumps_s, plan.bump_m = float(rng.uniform(1, 3)), float(rng.uniform(0.8e-3, 1.6e-3))
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))
    _fold(plan, rng, _busy(plan, rng), low=0.4)


@_stratum("loss-with-the-pack-at-its-end")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _hardware(plan, charge=float(rng.uniform(0.05, 0.09)), capacity_ah=float(rng.uniform(0.5, 0.8)))
    _drive(plan, rng, "hold")
    _fold(plan, rng, _still(plan, rng))


@_stratum("loss-at-1000-rows-a-second", rate=1000)
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))
    _fold(plan, rng, _busy(plan, rng))


@_stratum("loss-at-100-rows-a-second", rate=100)
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))
    _fold(plan, rng, _busy(plan, rng))


@_stratum("loss-while-running-up")
def _(plan: Plan, rng: np.random.Generator) -> None:
    start(plan.thumb, rng, plan.us)
    hold(plan.thumb, rng, 14, plan.us)
    _cut(plan, 14.5, 1000, 18.0)
    plan.thumb.go(18.0, plan.us, 0.1)
    _fold(plan, rng, 18.0 + float(rng.uniform(0.4, 1.2)), low=0.4)
    plan.thumb.go(24.0, plan.us, 0.1)
    _after(plan, rng)


@_stratum("loss-in-a-ramp-down")
def _(plan: Plan, rng: np.random.Generator) -> None:
    t = _then(plan, rng)
    plan.thumb.go(t, plan.us - 150, 2.0)
    _fold(plan, rng, t + float(rng.uniform(0.4, 1.6)), low=0.4)
    plan.thumb.go(t + 3.5, plan.us, 0.5)
    _after(plan, rng)


@_stratum("loss-when-rolled-over")
def _(plan: Plan, rng: np.random.Generator) -> None:
    plan.upside_down = True
    _drive(plan, rng, "hold")
    _fold(plan, rng, float(rng.uniform(17, 26)))


@_stratum("loss-with-a-tap-missing")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "hold")
    plan.faults.append(TapFault(int(rng.integers(len(plan.taps))), "missing", float(rng.uniform(6, 12))))
    _fold(plan, rng, _still(plan, rng), low=0.4)


@_stratum("loss-at-low-suction")
def _(plan: Plan, rng: np.random.Generator) -> None:
    plan.us = float(rng.uniform(1330, 1420))
    start(plan.thumb, rng, plan.us)
    hold(plan.thumb, rng, plan.seconds - 4, plan.us)
    plan.thumb.go(plan.seconds - 3.5, OFF_US, 0.05)
    _fold(plan, rng, float(rng.uniform(15, 28)), low=0.5)


@_stratum("loss-while-accelerating-on-a-weak-pack")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _hardware(plan, pack_ohm=plan.car.pack_ohm * float(rng.uniform(1.5, 2.5)))
    plan.hard, plan.most_sag = float(rng.uniform(0.8, 1.2)), 0.11
    _drive(plan, rng, "laps")
    _fold(plan, rng, _busy(plan, rng))


@_stratum("loss-with-skipped-and-stale-rows")
def _(plan: Plan, rng: np.random.Generator) -> None:
    plan.recorder = replace(plan.recorder, skip_share=0.03, jitter_s=6e-4, stale_share=0.03)
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))
    _fold(plan, rng, _busy(plan, rng))


@_stratum("loss-beside-a-gap")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))
    t = _still(plan, rng)
    _fold(plan, rng, t, low=0.4)
    length = float(rng.uniform(0.05, 0.5))
    begin = (
        t - length - float(rng.uniform(0.02, 0.2))
        if rng.random() < 0.5
        else t + float(rng.uniform(0.12, 0.4))
    )
    plan.recorder = replace(plan.recorder, gaps=((begin, length),))


@_stratum("leak-that-ends-in-a-loss")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "hold")
    t = float(rng.uniform(13, 17))
    _fold(plan, rng, t, low=0.25, high=0.4, rise_s=float(rng.uniform(5, 8)))
    _fold(plan, rng, t + float(rng.uniform(9, 11)), low=0.6, high=0.8)


# ---- a slow leak ----


@_stratum("slow-leak-while-holding")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "hold")
    _fold(plan, rng, float(rng.uniform(13, 20)), low=0.35, high=0.7, rise_s=float(rng.uniform(5, 12)))


@_stratum("slow-leak-in-lap-work")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "laps")
    _fold(plan, rng, float(rng.uniform(13, 20)), low=0.35, high=0.7, rise_s=float(rng.uniform(5, 12)))


@_stratum("slow-leak-with-a-draining-pack")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _hardware(plan, charge=float(rng.uniform(0.06, 0.1)), capacity_ah=float(rng.uniform(0.6, 0.9)))
    _drive(plan, rng, "hold")
    _fold(plan, rng, float(rng.uniform(13, 20)), low=0.4, high=0.7, rise_s=float(rng.uniform(5, 10)))


# ---- a sensor goes wrong ----


def _fault(plan: Plan, rng: np.random.Generator, how: str, at_s: float, **more: float) -> None:
    plan.faults.append(TapFault(int(rng.integers(len(plan.taps))), how, at_s, **more))


@_stratum("pinched-hose")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "laps")
    _fault(plan, rng, "pinched", _busy(plan, rng, tail_s=14), lag_s=float(rng.choice([3.0, 20.0, 1e4])))


@_stratum("clogged-hose")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "laps")
    _fault(plan, rng, "clogged", _busy(plan, rng, tail_s=16), lag_s=float(rng.uniform(1.0, 4.0)))


@_stratum("hose-off-while-holding")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "hold")
    _fault(plan, rng, "hose-off", _still(plan, rng))


@_stratum("hose-off-on-a-bump")
def _(plan: Plan, rng: np.random.Generator) -> None:
    plan.bump_at_s = 0.0
    plan.bumps_s, plan.bump_m = 1e9, float(rng.uniform(1e-3, 2e-3))
    _drive(plan, rng, str(rng.choice(["hold", "laps"])))
    plan.bump_at_s = _busy(plan, rng)
    _fault(plan, rng, "hose-off", plan.bump_at_s + float(rng.uniform(0.0, 0.06)))


@_stratum("hose-off-in-a-blip")
def _(plan: Plan, rng: np.random.Generator) -> None:
    t = _then(plan, rng)
    blip(plan.thumb, rng, t, plan.us + float(rng.choice([-250, 150])))
    _fault(plan, rng, "hose-off", t + float(rng.uniform(0.0, 0.4)))
    _after(plan, rng)


@_stratum("hose-off-in-throttle-work")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "work")
    _fault(plan, rng, "hose-off", _busy(plan, rng))


@_stratum("pinched-hose-in-throttle-work")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "work")
    _fault(plan, rng, "pinched", _busy(plan, rng, tail_s=14), lag_s=float(rng.choice([3.0, 20.0, 1e4])))


@_stratum("tap-stuck-at-a-digit")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "laps")
    _fault(plan, rng, "stuck", _busy(plan, rng, tail_s=14))


@_stratum("tap-missing")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "laps")
    _fault(plan, rng, "missing", _busy(plan, rng))


@_stratum("tap-intermittent")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "laps")
    t = _busy(plan, rng, tail_s=12)
    _fault(plan, rng, "intermittent", t, until_s=t + float(rng.uniform(3, 8)))


@_stratum("tap-saturated")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "hold")
    plan.faults.append(TapFault(int(rng.integers(len(plan.taps))), "saturated", 0.0))


@_stratum("hose-off-then-loss")
def _(plan: Plan, rng: np.random.Generator) -> None:
    _drive(plan, rng, "hold")
    t = _busy(plan, rng, tail_s=16)
    _fault(plan, rng, "hose-off", t)
    _fold(plan, rng, t + float(rng.uniform(2, 7)), low=0.4)

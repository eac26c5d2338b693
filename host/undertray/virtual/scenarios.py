"""Invented recordings with their truth: what the loss detector is scored on.

Everything here is made up of physics and seeded chance. The suction follows from the flow balance of
a fan against a leak, a pack that sags, a rotor with inertia, a plenum that fills; the driver, the
floor, the sensors and the link add their own trouble. The detector's model (a power law with a
lag on the pulse width) is deliberately not what makes the signal.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.wire import Row, encode_note, encode_row
from undertray.errors import ReductionError
from undertray.files import write_whole

__all__ = [
    "STEP_S",
    "STRATA",
    "Recording",
    "TruthEvent",
    "as_log",
    "edge",
    "floor_noise",
    "make_recording",
    "plenum",
    "pulses",
    "rotor",
    "sample_times",
    "seal",
    "sensor",
    "write_recordings",
]


# The invented world of a recording: rotor, pack, seal, plenum, floor, sensors, link.

Array = NDArray[np.float64]

STEP_S = 0.001
"""The world is worked out at 1 kHz and then sampled."""

_Pins = Mapping[str, tuple[Any, ...]]

STRATA: Mapping[str, _Pins] = {
    "holding": {"style": ("steady",)},
    "throttle-work": {"style": ("working",)},
    "hard-driving": {"style": ("hard",)},
    "throttle-in-steps": {"rise_s": (0.01, 0.05)},
    "throttle-in-ramps": {"rise_s": (1.0, 2.5)},
    "hard-cuts": {"cuts": (2,)},
    "bumpy-road": {"bumps_per_s": (1.0,)},
    "smooth-road": {"bumps_per_s": (0.05,)},
    "one-tap": {"taps": (1,)},
    "two-taps": {"taps": (2,)},
    "four-taps": {"taps": (4,)},
    "eight-taps": {"taps": (8,)},
    "fifty-rows-a-second": {"rate_hz": (50,)},
    "a-thousand-rows-a-second": {"rate_hz": (1000,)},
    "rows-that-are-skipped": {"skipped": (0.01,)},
    "noisy-sensors": {"noise": (0.02, 0.03)},
    "quiet-sensors": {"noise": (0.002, 0.005)},
    "coarse-digits": {"digit_pa": (1.0,)},
    "low-suction": {"level_pa": (400.0, 500.0)},
    "high-suction": {"level_pa": (2000.0, 2500.0)},
    "coasting-fan": {"brake": (0.0,)},
    "braked-fan": {"brake": (2.0,)},
    "light-rotor": {"inertia": (0.08, 0.12)},
    "heavy-rotor": {"inertia": (0.28, 0.35)},
    "weak-pack": {"sag": (0.1, 0.12), "resistance": (0.06, 0.08)},
    "deep-loss": {"drop": (0.7, 0.9)},
    "shallow-loss": {"drop": (0.25, 0.35)},
    "fall-within-20ms": {"fall_s": (0.004, 0.02)},
    "fall-over-a-tenth": {"fall_s": (0.1, 0.15)},
    "brief-loss": {
        "stay_s": (0.08, 0.15),
        "fall_s": (0.004, 0.03),
        "back_s": (0.02, 0.06),
        "drop": (0.45, 0.9),
    },
    "lasting-loss": {"stay_s": (3.0, 4.0)},
    "three-losses": {"losses": (3,)},
    "one-corner-more": {"uneven": (0.25, 0.35)},
    "all-corners-alike": {"uneven": (0.0, 0.05)},
    "slow-leak": {"leaks": (1,)},
    "slow-leak-in-hard-driving": {"leaks": (1,), "style": ("hard",)},
    "leak-within-3s": {"leaks": (1,), "leak_s": (2.0, 3.0)},
    "leak-over-6s": {"leaks": (1,), "leak_s": (6.0, 8.0)},
    "hose-off": {"fault": ("off",), "faults": (1,), "taps": (3, 4, 6, 8)},
    "tap-stuck": {"fault": ("stuck",), "faults": (1,), "taps": (2, 3, 4, 6, 8)},
    "tap-missing": {"fault": ("missing",), "faults": (1,), "taps": (2, 3, 4, 6, 8)},
    "short-gap": {"gaps": (1,), "gap_s": (0.2, 0.45)},
    "long-gap": {"gaps": (1,), "gap_s": (1.0, 2.0)},
}
"""Named classes of runs, each with what it narrows of what is drawn; that of a seed is by its remainder."""


class Chance:
    """Seeded chance; what a class of runs narrows is drawn from there.

    Parameters
    ----------
    seed : int
        The same seed draws the same.
    pins : mapping
        Name of a draw, and its range or what it is chosen from.
    """

    def __init__(self, seed: int, pins: _Pins) -> None:
        self.rng, self._pins = np.random.default_rng([seed, 20260502]), pins

    def between(self, name: str, low: float, high: float) -> float:
        """A number within a range."""
        return float(self.rng.uniform(*self._pins.get(name, (low, high))))

    def one_of(self, name: str, options: Sequence[Any]) -> Any:
        """One of some."""
        return self.rng.choice(self._pins.get(name, options))

    def count(self, name: str, usual: int) -> int:
        """How many, where that is narrowed."""
        return int(self._pins[name][0]) if name in self._pins else usual


def edge(s: Array, rng: np.random.Generator, shapes: tuple[str, ...]) -> Array:
    """How a fall goes from 0 at s = 0 to 1 at s = 1: straight, like a discharge, tearing or creeping."""
    x = np.clip(s, 0.0, 1.0)
    shape = str(rng.choice(shapes))
    if shape == "smooth":
        return np.asarray(x * x * (3 - 2 * x))
    if shape == "straight":
        return np.asarray(x)
    if shape == "discharge":
        return np.asarray(np.where(s > 0, (1 - np.exp(-3.0 * np.maximum(s, 0.0))), 0.0))
    return np.asarray(np.sqrt(x))


def rotor(chance: Chance, throttle: Array) -> Array:
    """Speed of the fans: inertia, drag of the wheel, a brake in some controllers, a sagging pack.

    Parameters
    ----------
    chance : Chance
        Seeded chance.
    throttle : ndarray, shape (n,)
        Pulse width, µs.

    Returns
    -------
    ndarray, shape (n,)
        Share of full speed.

    Notes
    -----
    J ds/dt = a^2 - s^2 plus brake: neither exponential nor alike up and down.
    """
    rng = chance.rng
    asked = np.clip((throttle - rng.uniform(1000, 1090)) / 900.0, 0, 1) ** rng.uniform(0.8, 1.25)
    drag, inertia = 1.0, chance.between("inertia", 0.08, 0.35)
    brake = chance.one_of("brake", [0.0, 1.0, 2.0])
    sag, resistance = chance.between("sag", 0.0, 0.12) / 60.0, chance.between("resistance", 0.0, 0.08)
    step = 0.002
    coarse = asked[:: round(step / STEP_S)]
    speed, charge, s = np.empty(len(coarse)), 0.0, 0.0
    for i, a in enumerate(coarse.tolist()):
        volts = 1.0 - sag * charge - resistance * a * a * s
        torque = drag * (a * volts) ** 2 + brake * max(0.0, a * volts - s) - brake * 0.5 * max(0.0, s - a)
        s = max(0.0, s + step / inertia * (torque - drag * s * s))
        charge += step * a**3
        speed[i] = s
    every = round(step / STEP_S)
    return np.asarray(np.interp(np.arange(len(asked)), np.arange(len(coarse)) * every, speed))


def seal(rng: np.random.Generator, opening: Array) -> Array:
    """Share of the suction left with the leak opened by ``opening`` (0: as built)."""
    if rng.random() < 0.7:
        return np.asarray(1.0 / (1.0 + opening))
    power = rng.uniform(0.9, 1.1)  # between a sharp edge and a crack
    return np.asarray(1.0 / (1.0 + opening) ** power)


def plenum(rng: np.random.Generator, suction: Array) -> Array:
    """The space under the floor fills within milliseconds."""
    width = max(1, round(rng.uniform(0.001, 0.006) / STEP_S))
    kernel = np.exp(-np.arange(6 * width) / width)
    padded = np.concatenate([np.full(6 * width - 1, suction[0]), suction])
    filled: Array = np.convolve(padded, kernel / kernel.sum(), "valid")
    return filled


def floor_noise(chance: Chance, t: Array, count: int) -> Array:
    """Bumps, flutter of the skirt and vibration, as factors."""
    rng = chance.rng
    n = len(t)
    factor = np.ones(n)
    for _ in range(rng.poisson(t[-1] * chance.one_of("bumps_per_s", [0.05, 0.3, 1.0]))):
        # none in the last half second: a bump cut off half way cannot be told from a loss
        centre, width = rng.uniform(0, t[-1] - 0.5), rng.uniform(0.015, 0.07)
        near = np.abs(t - centre) < 3 * width
        x = (t[near] - centre) / width
        depth = rng.uniform(0.05, 0.45)
        hump = np.cos(np.pi / 2 * np.clip(x, -1, 1)) ** 2
        rebound = 0.3 * np.cos(np.pi / 2 * np.clip(x - 1.8, -1, 1)) ** 2
        factor[near] *= 1 - depth * (hump - rebound)
    wander = _coloured(rng, n, rng.choice([0.2, 1.0, 4.0])) * rng.uniform(0.0, 0.02)
    lines = sum(
        rng.uniform(0.0, 0.03) * np.sin(2 * np.pi * rng.uniform(15, 240) * t + rng.uniform(0, 6))
        for _ in range(2)
    )
    each = np.stack([_coloured(rng, n, 8.0) * rng.uniform(0, 0.015) for _ in range(count)], axis=1)
    return np.asarray((factor * (1 + wander + lines))[:, None] * (1 + each))


def _coloured(rng: np.random.Generator, n: int, corner_hz: float) -> Array:
    """Noise of unit sd below a corner frequency."""
    block = max(1, round(0.25 / corner_hz / STEP_S))
    knots = rng.standard_normal(n // block + 4)
    smooth = np.convolve(knots, [0.25, 0.5, 0.25], "same") / np.sqrt(0.375)
    return np.asarray(np.interp(np.arange(n) / block, np.arange(len(smooth)), smooth))


def sample_times(rng: np.random.Generator, t: Array, rate: float) -> tuple[NDArray[np.int64], Array]:
    """When the board samples, with a little jitter."""
    times = np.arange(0.0, t[-1], 1.0 / rate)
    jitter = rng.uniform(0, 0.05) / rate
    times = times + rng.uniform(-jitter, jitter, len(times))
    times = np.maximum(times - times[0], 0.0)
    return np.minimum(np.round(times / STEP_S).astype(np.int64), len(t) - 1), times


def sensor(chance: Chance, times: Array, level: float, count: int, rate: float) -> Array:
    """Noise and drift of the sensors, Pa."""
    rng = chance.rng
    white = chance.between("noise", 0.002, 0.03) * level * min(1.0, np.sqrt(rate / 200.0))
    drift = rng.uniform(-0.02, 0.02, count) * level / 60.0
    return np.asarray(rng.standard_normal((len(times), count)) * white + drift * times[:, None])


def pulses(rng: np.random.Generator, throttle: Array) -> Array:
    """What the pulse reader gives: whole microseconds with a little jitter."""
    return np.asarray(np.round(throttle + rng.normal(0, rng.choice([0.0, 0.5, 1.0]), len(throttle))))


@dataclass(frozen=True, slots=True)
class TruthEvent:
    """What really happened."""

    kind: str
    onset_s: float
    end_s: float | None = None
    taps: tuple[int, ...] = ()
    drop: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """One invented recording. n rows."""

    t_s: Array
    suction_pa: Array
    throttle_us: Array
    out_of_range: NDArray[np.bool_]
    truth: tuple[TruthEvent, ...]
    facts: dict[str, object] = field(default_factory=dict)


def make_recording(
    seed: int,
    seconds: float = 60.0,
    happenings: bool = True,
    rate_hz: float | None = None,
    taps: int | None = None,
    stratum: str | None = None,
) -> Recording:
    """Make up one recording.

    Parameters
    ----------
    seed : int
        The same seed gives the same recording.
    seconds : float
        Its length, s.
    happenings : bool
        False leaves out everything that is an event, apart from what the driver does: clean, hard
        driving.
    rate_hz : float or None
        Sample rate; drawn from 50 to 1000 Hz if left out.
    taps : int or None
        Number of taps; drawn from 1 to 8 if left out.
    stratum : str or None
        One of :data:`STRATA`; that of the seed if left out. Clean driving is of none, unless asked for.

    Returns
    -------
    Recording

    Notes
    -----
    Fan at speed s (share of full speed): dp = s^2 P0 - R Q^2; leak: Q = Cd A sqrt(2 dp/rho) or, for part of
    the cars, a crack with Q ~ dp^0.6. Rotor: J ds/dt = drive - drag s^2, so spin-up and coast-down are
    neither exponential nor alike. Pack: voltage falls with charge drawn and with load.

    Now and then a seal lets go within a tenth of a second of the first hard throttle cut of a steady run
    (about once in 500 runs). No record of suction and throttle tells that from the cut of a fan with a
    stronger brake or another dead band until the seal comes back, so a detector that misses it does
    nothing wrong; it is kept in the truth and counts as a miss all the same, since that is what
    happened.
    """
    if stratum is None and happenings:
        stratum = list(STRATA)[seed % len(STRATA)]
    chance = Chance(seed, STRATA[stratum] if stratum else {})
    rng = chance.rng
    rates = [50, 100, 200, 200, 250, 333, 500, 1000]
    rate = float(chance.one_of("rate_hz", rates)) if rate_hz is None else rate_hz
    count = int(chance.one_of("taps", range(1, 9))) if taps is None else taps
    n = round(seconds / STEP_S)
    t = np.asarray(np.arange(n) * STEP_S, np.float64)
    throttle, style = _drive(chance, t)
    truth: list[TruthEvent] = []
    plan = _Plan(chance, seconds) if happenings else None
    opening, local = np.zeros(n), np.ones((n, count))
    if plan is not None:
        truth += _leaks(plan, t, opening, local)
        truth += _hard_cuts(plan, t, throttle)
    speed = rotor(chance, throttle)
    level = chance.between("level_pa", 400.0, 2500.0)
    suction = plenum(rng, level * speed**2 * seal(rng, opening))
    world = suction[:, None] * rng.uniform(0.8, 1.2, count) * local
    world *= floor_noise(chance, t, count)
    rows, times = sample_times(rng, t, rate)
    sensed = world[rows] + sensor(chance, times, level, count, rate)
    read_us = pulses(rng, throttle[rows])
    if plan is not None:
        truth += _tap_faults(plan, times, sensed, count)
    limit = rng.uniform(1.3, 3.0) * level
    lsb = chance.one_of("digit_pa", [0.05, 0.2, 0.5, 1.0])
    beyond = np.abs(sensed) >= limit
    sensed = np.clip(np.round(sensed / lsb) * lsb, -limit, limit)
    keep = np.ones(len(times), bool)
    if plan is not None:
        truth += _gaps(plan, times, keep)
    keep &= rng.random(len(times)) >= chance.one_of("skipped", [0.0, 0.0, 0.002])
    truth.sort(key=lambda e: e.onset_s)
    return Recording(
        times[keep],
        sensed[keep],
        read_us[keep],
        beyond[keep],
        tuple(truth),
        {"stratum": stratum, "style": style, "seed": seed, "rate_hz": rate, "taps": count, "level_pa": level},
    )


class _Plan:
    """Hands out times that keep clear of each other."""

    def __init__(self, chance: Chance, seconds: float) -> None:
        self.chance, self.rng = chance, chance.rng
        self.seconds = seconds
        self._taken = [(0.0, 6.0), (seconds - 1.5, seconds)]

    def slot(self, length_s: float) -> float | None:
        """A start time with ``length_s`` to itself, or None."""
        for _ in range(40):
            start = float(self.rng.uniform(6.0, max(6.1, self.seconds - length_s - 1.0)))
            if all(start + length_s + 1.0 < a or start - 1.0 > b for a, b in self._taken):
                self._taken.append((start, start + length_s))
                return start
        return None


def _drive(chance: Chance, t: Array) -> tuple[Array, str]:
    """The driver: steady stretches, steps and ramps; and the style."""
    rng = chance.rng
    points, pulse, now = [(0.0, 1000.0), (0.5, 1000.0)], 1000.0, 0.5
    style = str(chance.one_of("style", ["steady", "working", "hard"]))
    pause = {"steady": 12.0, "working": 4.0, "hard": 1.2}[style]
    while now < t[-1]:
        aim = float(rng.uniform(1450, 1950))
        rise = float(chance.one_of("rise_s", [0.01, 0.05, 0.3, 1.0, 2.5]))
        points += [(now, pulse), (now + rise, aim)]
        pulse, now = aim, now + rise + float(rng.exponential(pause)) + 0.3
    throttle = np.interp(t, *np.array(points).T)
    return throttle + rng.uniform(0, 12) * np.sin(2 * np.pi * rng.uniform(0.05, 0.4) * t), style


def _leaks(plan: _Plan, t: Array, opening: Array, local: Array) -> list[TruthEvent]:
    """Seals that let go and come back or not, and leaks that creep."""
    rng = plan.rng
    out: list[TruthEvent] = []
    count = local.shape[1]
    chance = plan.chance
    kinds = ["seal-loss"] * chance.count("losses", int(rng.integers(1, 4)))
    kinds += ["slow-leak"] * chance.count("leaks", int(rng.random() < 0.35))
    for kind in kinds:
        sudden = kind == "seal-loss"
        fall = chance.between("fall_s", 0.004, 0.15) if sudden else chance.between("leak_s", 2.0, 8.0)
        stay = chance.between("stay_s", 0.6, 4.0)
        start = plan.slot(fall + stay + 1.0)
        if start is None:
            continue
        drop = chance.between("drop", 0.25, 0.9)
        shape = edge(
            (t - start) / fall, rng, ("straight", "discharge", "tear") if sudden else ("straight", "smooth")
        )
        back = chance.between("back_s", 0.05, 0.6)
        shape *= 1.0 - np.clip((t - start - fall - stay) / back, 0, 1)
        # opening x = 1/r - 1 brings the suction to r of what it was
        x = 1.0 / (1.0 - drop) - 1.0
        opening += x * shape / np.maximum(1.0 + x * (1.0 - shape), 1e-9)
        order = rng.permutation(count)
        reach = float(rng.uniform(0.0, 0.02)) if sudden else 0.0
        for place, tap in enumerate(order.tolist()):
            late = np.roll(shape, round(place * reach / STEP_S))
            local[:, tap] *= 1.0 - chance.between("uneven", 0.0, 0.35) * (count - place) / count * late
        out.append(TruthEvent(kind, start, start + fall + stay + back, tuple(order.tolist()), drop))
    return out


def _hard_cuts(plan: _Plan, t: Array, throttle: Array) -> list[TruthEvent]:
    out: list[TruthEvent] = []
    for _ in range(plan.chance.count("cuts", int(plan.rng.integers(0, 3)))):
        start = plan.slot(3.0)
        if start is None:
            continue
        hold, to = float(plan.rng.uniform(0.8, 2.0)), float(plan.rng.uniform(1000, 1150))
        i = int(start / STEP_S)
        if throttle[i] < 1400:
            continue
        inside = (t >= start) & (t < start + hold)
        throttle[inside] = to
        out.append(TruthEvent("throttle-cut", start, start + hold, (), None))
    return out


def _tap_faults(plan: _Plan, times: Array, sensed: Array, count: int) -> list[TruthEvent]:
    rng = plan.rng
    out: list[TruthEvent] = []
    if count < 2 or not plan.chance.count("faults", int(rng.random() <= 0.6)):
        return out
    kind = str(plan.chance.one_of("fault", ["off", "stuck", "missing"]))
    stay = float(rng.uniform(1.0, 4.0))
    start = plan.slot(stay)
    if start is None:
        return out
    tap = int(rng.integers(count))
    rows = (times >= start) & (times < start + stay)
    first = int(np.argmax(rows))
    if kind == "off":
        noise = sensed[rows, tap] - np.mean(sensed[rows, tap])
        sensed[rows, tap] = rng.normal(0, 0.02) * np.abs(sensed[first, tap]) + 0.2 * noise
    elif kind == "stuck":
        sensed[rows, tap] = sensed[first, tap]
    else:
        sensed[rows, tap] = np.nan
    out.append(TruthEvent("sensor-fault", float(times[first]), start + stay, (tap,), None))
    return out


def _gaps(plan: _Plan, times: Array, keep: NDArray[np.bool_]) -> list[TruthEvent]:
    out: list[TruthEvent] = []
    for _ in range(plan.chance.count("gaps", int(plan.rng.integers(0, 2)))):
        length = plan.chance.between("gap_s", 0.2, 2.0)
        start = plan.slot(length)
        if start is None:
            continue
        lost = (times > start) & (times < start + length)
        keep[lost] = False
        before = int(np.argmax(lost)) - 1
        out.append(TruthEvent("data-gap", float(times[before]), start + length, (), None))
    return out


# Invented recordings as run logs, each with its truth and its car.

_LSB_PA = 0.05
_ZERO = 100_000
_TICKS = 1 << 30
_START_US = 987_654_321  # so that the ticks wrap within every run of some length


def write_recordings(folder: Path, seeds: Iterable[int], seconds: float) -> None:
    """Write invented runs."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for seed in seeds:
            recording = make_recording(seed, seconds)
            stem = folder / f"invented-{seed:05d}"
            write_whole(f"{stem}.csv", as_log(recording, seed))
            write_whole(f"{stem}.truth.json", _truth(recording).encode())
            write_whole(f"{stem}.car.toml", _car(recording).encode())
    except OSError as error:
        raise ReductionError(f"cannot be written ({error.strerror})", where=str(folder)) from error


def as_log(recording: Recording, seed: int) -> bytes:
    """A recording as the host would have logged it."""
    rng = np.random.default_rng([seed, 7])
    taps, rate = recording.suction_pa.shape[1], float(str(recording.facts["rate_hz"]))
    counts = np.round(recording.suction_pa / _LSB_PA) + _ZERO
    limit = round(float(np.nanmax(np.abs(recording.suction_pa))) / _LSB_PA) + 1
    seq = np.round(recording.t_s * rate).astype(np.int64)
    t_us = np.round(recording.t_s * 1e6).astype(np.int64)
    reset = _reset_row(recording) if seed % 3 == 0 else len(t_us)
    host_us = t_us + np.round(rng.exponential(800, len(t_us)) + 1500).astype(np.int64)
    host_us = np.maximum.accumulate(host_us)
    out = [
        b"#undertray-run 1\n",
        b'#run {"started_utc": "2026-05-02T10:15:00.000000Z", "notes": {"invented": true}}\n',
        b"#wire 0 " + encode_note("device", _device(taps, rate, limit, 1)),
        b"host_us,seq,t_us,throttle_us,flags," + b",".join(b"p%d" % (i + 1) for i in range(taps)) + b",crc\n",
    ]
    outside = recording.out_of_range
    for i in range(len(t_us)):
        start_us, start_seq = (_START_US, 0) if i < reset else (5_000 - int(t_us[reset]), -int(seq[reset]))
        if i == reset:
            out.append(b"#wire %d " % int(host_us[i]) + encode_note("device", _device(taps, rate, limit, 2)))
        values = tuple(
            None if np.isnan(c) else int(c) + (2 * limit if beyond else 0)
            for c, beyond in zip(counts[i].tolist(), outside[i].tolist(), strict=True)
        )
        row = Row(
            seq=(int(seq[i]) + start_seq) % 65536,
            t_us=(int(t_us[i]) + start_us) % _TICKS,
            throttle_us=int(recording.throttle_us[i]),
            flags=0,
            counts=values,
        )
        out.append(b"%d," % int(host_us[i]) + encode_row(row))
    end = {"rows": len(t_us), "bad": 0, "seconds": round(float(recording.t_s[-1]), 3), "why": "stopped"}
    return b"".join(out) + b"#end " + json.dumps(end).encode() + b"\n"


def _reset_row(recording: Recording) -> int:
    """First row after the first data gap; the number of rows where there is none."""
    gap = next((e for e in recording.truth if e.kind == "data-gap"), None)
    if gap is None:
        return len(recording.t_s)
    return int(np.searchsorted(recording.t_s, gap.onset_s + 1e-6))


def _device(taps: int, rate: float, limit: int, boot: int) -> dict[str, object]:
    scale = {"zero": _ZERO, "pa_per_count": _LSB_PA, "min": _ZERO - limit, "max": _ZERO + limit}
    column = {
        "part": "invented",
        "range": "",
        "bus": 0,
        "address": 40,
        "mux": None,
        "port": "low",
        "scale": scale,
    }
    return {
        "wire": 1,
        "firmware": "invented",
        "board": "invented",
        "uid": "00",
        "boot": boot,
        "rate_hz": rate,
        "tick_hz": 1_000_000,
        "tick_bits": 30,
        "columns": [{"name": f"p{i + 1}", **column} for i in range(taps)],
    }


def _truth(recording: Recording) -> str:
    events = [
        {"kind": e.kind, "onset_s": round(e.onset_s - float(recording.t_s[0]), 6), "first_tap": _name(e.taps)}
        for e in recording.truth
    ]
    facts = {"format": 1, "invented": True, "stratum": recording.facts["stratum"], "events": events}
    return json.dumps(facts, indent=1) + "\n"


def _name(taps: tuple[int, ...]) -> str | None:
    return f"p{taps[0] + 1}" if taps else None


def _car(recording: Recording) -> str:
    taps = recording.suction_pa.shape[1]
    head = 'format = 1\nname = "invented"\nmass = 2.8\nwheelbase = 300\nfront_weight = 0.48\n'
    floor = "floor = [[-60, -90], [320, -90], [320, 90], [-60, 90]]\n"
    tap = '\n[[tap]]\nname = "p{0}"\ncolumn = "p{0}"\nx = {1}\ny = {2}\n'
    # one size for all, so that the mean over the floor is the plain mean over the taps
    area = 68_400 / taps
    places = (
        tap.format(i + 1, -40 + 45 * i, -40 if i % 2 else 40) + f"area = {area:.6g}\n" for i in range(taps)
    )
    return head + floor + "".join(places)

"""Invented recordings with their truth: what the loss detector is scored on.

Everything here is made up of physics and seeded chance. The suction follows from the flow balance of
a fan against a leak, a pack that sags, a rotor with inertia, a plenum that fills; the driver, the
floor, the sensors and the link add their own trouble. The detector's model (a power law with a
lag on the pulse width) is deliberately not what makes the signal.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from undertray.virtual.scenario_world import (
    STEP_S,
    edge,
    floor_noise,
    plenum,
    pulses,
    rotor,
    sample_times,
    seal,
    sensor,
)

__all__ = ["Recording", "TruthEvent", "make_recording"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TruthEvent:
    """What really happened.

    Attributes
    ----------
    kind : str
        As the events of a summary.
    onset_s : float
        When it began, s.
    end_s : float or None
        When it was over; None if it never was.
    taps : tuple of int
        Taps in the order in which it reached them.
    drop : float or None
        Share of the mean suction that went.
    """

    kind: str
    onset_s: float
    end_s: float | None = None
    taps: tuple[int, ...] = ()
    drop: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """One invented recording. n rows.

    Attributes
    ----------
    t_s : ndarray, shape (n,)
        Board time, s; rows that were lost are not there.
    suction_pa : ndarray, shape (n, taps)
        Suction as the sensors give it, Pa; NaN where a reading is missing.
    throttle_us : ndarray, shape (n,)
        Throttle pulse, µs.
    out_of_range : ndarray of bool, shape (n, taps)
        Readings at the sensor's limit.
    truth : tuple of TruthEvent
        What happened, in order.
    facts : dict
        How it was made.
    """

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
    rng = np.random.default_rng([seed, 20260502])
    rate = float(rng.choice([50, 100, 200, 200, 250, 333, 500, 1000])) if rate_hz is None else rate_hz
    count = int(rng.integers(1, 9)) if taps is None else taps
    n = round(seconds / STEP_S)
    t = np.asarray(np.arange(n) * STEP_S, np.float64)
    throttle, style = _drive(rng, t)
    truth: list[TruthEvent] = []
    plan = _Plan(rng, seconds) if happenings else None
    opening, local = np.zeros(n), np.ones((n, count))
    if plan is not None:
        truth += _leaks(plan, t, opening, local)
        truth += _hard_cuts(plan, t, throttle)
    speed = rotor(rng, throttle)
    level = rng.uniform(400.0, 2500.0)
    suction = plenum(rng, level * speed**2 * seal(rng, opening))
    world = suction[:, None] * rng.uniform(0.8, 1.2, count) * local
    world *= floor_noise(rng, t, count)
    rows, times = sample_times(rng, t, rate)
    sensed = world[rows] + sensor(rng, times, level, count, rate)
    read_us = pulses(rng, throttle[rows])
    if plan is not None:
        truth += _tap_faults(plan, times, sensed, count)
    limit = rng.uniform(1.3, 3.0) * level
    lsb = rng.choice([0.05, 0.2, 0.5, 1.0])
    beyond = np.abs(sensed) >= limit
    sensed = np.clip(np.round(sensed / lsb) * lsb, -limit, limit)
    keep = np.ones(len(times), bool)
    if plan is not None:
        truth += _gaps(plan, times, keep)
    keep &= rng.random(len(times)) >= rng.choice([0.0, 0.0, 0.002])
    truth.sort(key=lambda e: e.onset_s)
    return Recording(
        times[keep],
        sensed[keep],
        read_us[keep],
        beyond[keep],
        tuple(truth),
        {"style": style, "seed": seed, "rate_hz": rate, "taps": count, "level_pa": level},
    )


class _Plan:
    """Hands out times that keep clear of each other."""

    def __init__(self, rng: np.random.Generator, seconds: float) -> None:
        self.rng = rng
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


def _drive(rng: np.random.Generator, t: Array) -> tuple[Array, str]:
    """The driver: steady stretches, steps and ramps; and the style."""
    points, pulse, now = [(0.0, 1000.0), (0.5, 1000.0)], 1000.0, 0.5
    style = str(rng.choice(["steady", "working", "hard"]))
    pause = {"steady": 12.0, "working": 4.0, "hard": 1.2}[style]
    while now < t[-1]:
        aim = float(rng.uniform(1450, 1950))
        rise = float(rng.choice([0.01, 0.05, 0.3, 1.0, 2.5]))
        points += [(now, pulse), (now + rise, aim)]
        pulse, now = aim, now + rise + float(rng.exponential(pause)) + 0.3
    throttle = np.interp(t, *np.array(points).T)
    return throttle + rng.uniform(0, 12) * np.sin(2 * np.pi * rng.uniform(0.05, 0.4) * t), style


def _leaks(plan: _Plan, t: Array, opening: Array, local: Array) -> list[TruthEvent]:
    """Seals that let go and come back or not, and leaks that creep."""
    rng = plan.rng
    out: list[TruthEvent] = []
    count = local.shape[1]
    kinds = ["seal-loss"] * int(rng.integers(1, 4)) + ["slow-leak"] * int(rng.random() < 0.35)
    for kind in kinds:
        sudden = kind == "seal-loss"
        fall = float(rng.uniform(0.004, 0.15) if sudden else rng.uniform(2.0, 8.0))
        stay = float(rng.uniform(0.6, 4.0))
        start = plan.slot(fall + stay + 1.0)
        if start is None:
            continue
        drop = float(rng.uniform(0.25, 0.9))
        shape = edge(
            (t - start) / fall, rng, ("straight", "discharge", "tear") if sudden else ("straight", "smooth")
        )
        back = float(rng.uniform(0.05, 0.6))
        shape *= 1.0 - np.clip((t - start - fall - stay) / back, 0, 1)
        # opening x = 1/r - 1 brings the suction to r of what it was
        x = 1.0 / (1.0 - drop) - 1.0
        opening += x * shape / np.maximum(1.0 + x * (1.0 - shape), 1e-9)
        order = rng.permutation(count)
        reach = float(rng.uniform(0.0, 0.02)) if sudden else 0.0
        for place, tap in enumerate(order.tolist()):
            late = np.roll(shape, round(place * reach / STEP_S))
            local[:, tap] *= 1.0 - rng.uniform(0.0, 0.35) * (count - place) / count * late
        out.append(TruthEvent(kind, start, start + fall + stay + back, tuple(order.tolist()), drop))
    return out


def _hard_cuts(plan: _Plan, t: Array, throttle: Array) -> list[TruthEvent]:
    out: list[TruthEvent] = []
    for _ in range(int(plan.rng.integers(0, 3))):
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
    if count < 2 or rng.random() > 0.6:
        return out
    kind = str(rng.choice(["off", "stuck", "missing"]))
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
    for _ in range(int(plan.rng.integers(0, 2))):
        length = float(plan.rng.uniform(0.2, 2.0))
        start = plan.slot(length)
        if start is None:
            continue
        lost = (times > start) & (times < start + length)
        keep[lost] = False
        before = int(np.argmax(lost)) - 1
        out.append(TruthEvent("data-gap", float(times[before]), start + length, (), None))
    return out

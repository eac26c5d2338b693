"""What driver and road do: the thumb on the fans, servo pulses, the controller's duty, accelerations."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from worlds.vehicle import CELLS, STEP_S, Array, Vehicle

FRAME_S = 0.02
OFF_US = 1000.0


@dataclass
class Thumb:
    """The throttle of the fans as asked for, in µs of pulse: straight lines between points in time."""

    t_s: list[float] = field(default_factory=lambda: [0.0])
    us: list[float] = field(default_factory=lambda: [OFF_US])

    def go(self, t_s: float, us: float, over_s: float = 0.0) -> None:
        """Move to `us` from `t_s` on, within `over_s`."""
        t_s = max(t_s, self.t_s[-1] + 1e-4)
        self.t_s += [t_s, t_s + max(over_s, 1e-4)]
        self.us += [self.us[-1], min(max(us, 1000.0), 2000.0)]

    def at(self, t_s: Array | float) -> Array:
        """Pulse asked for."""
        return np.interp(t_s, self.t_s, self.us)

    @property
    def now_s(self) -> float:
        """End of the last move."""
        return self.t_s[-1]


def start(thumb: Thumb, rng: np.random.Generator, us: float) -> None:
    """Stand still for a while, then run the fans up; some do it in two steps."""
    t = float(rng.uniform(1.5, 2.5))
    if rng.random() < 0.4:
        thumb.go(t, float(rng.uniform(1150, 1350)), 0.2)
        t += float(rng.uniform(0.8, 1.6))
    thumb.go(t, us, float(rng.uniform(0.05, 1.0)))


def laps(thumb: Thumb, rng: np.random.Generator, until_s: float, us: float) -> None:
    """Laps: long holds, less in the slow corners, now and then a blip up or a short lift of the thumb."""
    u = rng.uniform
    while thumb.now_s < until_s - 2.5:
        thumb.go(thumb.now_s + u(0.5, 2.2), us + u(-15, 15), u(0.0, 0.2))
        what = rng.random()
        t = thumb.now_s + u(0.4, 1.5)
        if what < 0.45:
            thumb.go(t, us - u(100, 300), u(0.0, 0.3))
            thumb.go(thumb.now_s + u(0.2, 1.2), us + u(-20, 20), u(0.0, 0.3))
        elif what < 0.7:
            blip(thumb, rng, t, us + u(80, 250))
        elif what < 0.85:
            blip(thumb, rng, t, us - u(250, 500))
    _rest(thumb, until_s)


def blip(thumb: Thumb, rng: np.random.Generator, t_s: float, us: float) -> None:
    """To `us` and back within 0.1 to 0.5 s."""
    back = thumb.us[-1]
    thumb.go(t_s, us, float(rng.uniform(0.0, 0.06)))
    thumb.go(thumb.now_s + float(rng.uniform(0.08, 0.4)), back, float(rng.uniform(0.0, 0.06)))


def work(thumb: Thumb, rng: np.random.Generator, until_s: float, us: float, depth_us: float = 350) -> None:
    """A thumb that never rests."""
    while thumb.now_s < until_s - 0.9:
        to = min(us + 180, 1980) - rng.uniform(0, depth_us)
        thumb.go(thumb.now_s + float(rng.uniform(0.03, 0.5)), float(to), float(rng.uniform(0, 0.35)))
    _rest(thumb, until_s)


def hold(thumb: Thumb, rng: np.random.Generator, until_s: float, us: float) -> None:
    """Steady, but for a trim now and then."""
    while thumb.now_s < until_s - 5:
        thumb.go(thumb.now_s + float(rng.uniform(2, 5)), us + float(rng.uniform(-12, 12)), 0.3)
    _rest(thumb, until_s)


def ramps(thumb: Thumb, rng: np.random.Generator, until_s: float, us: float) -> None:
    """Slow ramps up and down."""
    while thumb.now_s < until_s - 6:
        thumb.go(
            thumb.now_s + float(rng.uniform(0.3, 1.5)), us - float(rng.uniform(50, 300)), rng.uniform(1, 3)
        )
        thumb.go(
            thumb.now_s + float(rng.uniform(0.3, 1.0)), us + float(rng.uniform(-30, 60)), rng.uniform(0.5, 2)
        )
    _rest(thumb, until_s)


def _rest(thumb: Thumb, until_s: float) -> None:
    thumb.go(max(until_s - 0.02, thumb.now_s), thumb.us[-1])


@dataclass(frozen=True)
class Pulses:
    """The servo pulses as sent: the end of each in s, and its width in whole µs."""

    end_s: Array
    us: NDArray[np.int64]


def pulses(thumb: Thumb, rng: np.random.Generator, seconds: float) -> Pulses:
    """Fifty a second, in steps of the radio link, with the jitter of a receiver."""
    count = int(seconds / FRAME_S)
    begin = rng.uniform(0, FRAME_S) + FRAME_S * np.arange(count) + rng.normal(0, 5e-5, count)
    step = float(rng.choice([1.0, 2.0, 4.0]))
    us = np.round(thumb.at(begin) / step) * step + rng.integers(-1, 2, count) * (step < 4)
    us = us.astype(np.int64)
    return Pulses(begin + us * 1e-6, us)


def duty(car: Vehicle, sent: Pulses, steps: int) -> Array:
    """Duty of the bridge over time: dead time, slew up and down, steps. Shape (steps,)."""
    share = (sent.us - car.arm_us) / (1950.0 - car.arm_us)
    asked = np.where(
        share <= 0, 0.0, car.least_duty + (1 - car.least_duty) * np.clip(share, 0, 1) ** car.expo
    )
    at = np.searchsorted(sent.end_s + car.dead_time_s, np.arange(steps) * STEP_S, side="right") - 1
    target = np.where(at >= 0, asked[np.maximum(at, 0)], 0.0)
    edges = np.flatnonzero(np.diff(target)) + 1
    out, now = np.empty(steps), 0.0
    for first, last in zip([0, *edges], [*edges, steps], strict=True):
        reach = np.arange(1, last - first + 1) * STEP_S
        to = float(target[first])
        moved = (
            np.minimum(now + car.slew_up * reach, to)
            if to >= now
            else np.maximum(now - car.slew_down * reach, to)
        )
        out[first:last] = moved
        now = float(moved[-1])
    return np.round(out * car.duty_steps) / car.duty_steps


@dataclass(frozen=True)
class Ride:
    """How the car is driven, step by step: pushes on the springs, the road, the current of the wheels."""

    push: Array  # (T, 3)
    push_flat: Array  # (T, 3): the same without the road
    road_m: Array  # (T, CELLS)
    behind_m2: Array  # (T, CELLS): leak behind bumps, where the edge has not fallen back yet
    drive_a: Array  # (T,)


def ride(
    car: Vehicle,
    rng: np.random.Generator,
    steps: int,
    hard: float,
    rough_m: float,
    bumps_s: float,
    bump_m: float,
    upside_down: bool = False,
    bump_at_s: float | None = None,
    most_sag: float = 0.06,
) -> Ride:
    """A drive: `hard` in g, roughness (standard deviation, m), seconds between bumps (0: none), their height;
    `bump_at_s` puts one there instead. The wheels take the pack down by `most_sag` of its volts at most.
    """
    t = np.arange(steps) * STEP_S
    moving = np.clip((t - 2.0) / 1.5, 0, 1)
    along = _manoeuvres(rng, t, hard * 0.8) * moving
    across = _manoeuvres(rng, t, hard) * moving
    speed = 4.0 + 1.5 * _smooth(rng.normal(0, 1, steps), 0.15)
    speed = np.clip(speed, 1.5, 8.0)
    g = 9.81
    lever = 0.035
    push = np.zeros((steps, 3))
    push[:, 1] = -along * g * car.mass_kg * lever / car.inertia_pitch
    push[:, 2] = across * g * car.mass_kg * lever / car.inertia_roll
    if upside_down:  # the weight no longer presses, it pulls: one slow roll over and back
        over = np.clip((t - t[-1] * 0.35) / 1.2, 0, 1) - np.clip((t - t[-1] * 0.7) / 1.2, 0, 1)
        push[:, 0] += g * (1 - np.cos(np.pi * over)) * 0.5
    flat = push.copy()
    road = _road(car, rng, t, speed, moving, rough_m, bumps_s, bump_m, bump_at_s)
    omega2 = (2 * np.pi * np.array(car.ride_hz)) ** 2
    x, y = np.array(car.x_m), np.array(car.y_m)
    # the wheels feel the road a little ahead of and behind the cells; the same profile serves
    push[:, 0] += omega2[0] * road.mean(axis=1)
    push[:, 1] += omega2[1] * (road * x).sum(axis=1) / (x * x).sum()
    push[:, 2] += omega2[2] * (road * y).sum(axis=1) / (y * y).sum()
    volts = 3.7 * car.series
    power = car.mass_kg * g * (np.maximum(along, 0) + 0.06) * speed / 0.65
    fallen = car.settle_m_s * t[:, None]
    behind = np.maximum.accumulate(road + fallen, axis=0) - fallen - road
    behind = np.maximum(behind - car.lip_m, 0.0)
    amps = np.minimum(power / volts, most_sag * volts / car.pack_ohm)  # a pack that suits the car
    return Ride(push, flat, road, behind * np.array(car.edge_m), amps * moving)


def _manoeuvres(rng: np.random.Generator, t: Array, hard: float) -> Array:
    at, value, now = [0.0], [0.0], 0.0
    while now < t[-1]:
        now += float(rng.uniform(0.3, 1.6))
        at.append(now)
        value.append(float(rng.choice([0.0, rng.uniform(-1, 1), rng.uniform(-1, 1)])) * hard)
    steps = np.array(value)[np.searchsorted(at, t, side="right") - 1]
    return _smooth(steps, 5.0, unit=False)


def _smooth(x: Array, hz: float, unit: bool = True) -> Array:
    """Low-passed by a Gaussian of that corner; scaled to unit variance where asked."""
    f = np.fft.rfftfreq(2 * len(x), STEP_S)
    y = np.fft.irfft(np.fft.rfft(np.concatenate([x, x[::-1]])) * np.exp(-0.35 * (f / hz) ** 2))[: len(x)]
    return y / (y.std() + 1e-30) if unit else y


def _road(
    car: Vehicle,
    rng: np.random.Generator,
    t: Array,
    speed: Array,
    moving: Array,
    rough_m: float,
    bumps_s: float,
    bump_m: float,
    bump_at_s: float | None,
) -> Array:
    """Height of the ground under each cell's edge, m: roughness, bumps and joints."""
    where = np.cumsum(speed * moving) * STEP_S
    grid = np.arange(-1.0, where[-1] + 1.0, 0.005)
    road = np.zeros((len(t), CELLS))
    side = {}
    for y in sorted(set(car.y_m)):
        n = np.fft.rfftfreq(len(grid), 0.005)
        shape = np.zeros_like(n)
        band = (n > 0.3) & (n < 20)
        shape[band] = 1 / n[band]
        line = np.fft.irfft(np.fft.rfft(rng.normal(0, 1, len(grid))) * shape, len(grid))
        side[y] = line / line.std() * rough_m
    if bumps_s > 0:
        times = (
            [bump_at_s] if bump_at_s is not None else list(4 + np.cumsum(0.4 + rng.exponential(bumps_s, 400)))
        )
        for now in times:
            if now > t[-1]:
                break
            place = float(np.interp(now, t, where))
            long, high = float(rng.uniform(0.03, 0.12)), bump_m * float(rng.uniform(0.3, 1.0))
            sign = 1.0 if rng.random() < 0.7 else -0.5  # a joint is a dip
            only = rng.random()
            inside = np.abs(grid - place) < long / 2
            form = sign * high * np.cos(np.pi * (grid[inside] - place) / long) ** 2
            for y, line in side.items():
                if only < 0.5 or (y < 0) == (only < 0.75):
                    line[inside] += form
    for c in range(CELLS):
        road[:, c] = np.interp(where - car.x_m[c], grid, side[car.y_m[c]]) * moving
    return road

"""The invented world of a recording: rotor, pack, seal, plenum, floor, sensors, link."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["STEP_S", "edge", "floor_noise", "plenum", "pulses", "rotor", "sample_times", "seal", "sensor"]

Array = NDArray[np.float64]

STEP_S = 0.001
"""The world is worked out at 1 kHz and then sampled."""


def edge(s: Array, rng: np.random.Generator, shapes: tuple[str, ...]) -> Array:
    """How a fall goes from 0 at s = 0 to 1 at s = 1: straight, like a discharge, tearing or creeping.

    Parameters
    ----------
    s : ndarray, shape (n,)
        Time since its begin over its length.
    rng : Generator
        Seeded chance.
    shapes : tuple of str
        What is drawn from: ``straight``, ``discharge``, ``tear``, ``smooth``.

    Returns
    -------
    ndarray, shape (n,)
    """
    x = np.clip(s, 0.0, 1.0)
    shape = str(rng.choice(shapes))
    if shape == "smooth":
        return np.asarray(x * x * (3 - 2 * x))
    if shape == "straight":
        return np.asarray(x)
    if shape == "discharge":
        return np.asarray(np.where(s > 0, (1 - np.exp(-3.0 * np.maximum(s, 0.0))), 0.0))
    return np.asarray(np.sqrt(x))


def rotor(rng: np.random.Generator, throttle: Array) -> Array:
    """Speed of the fans: inertia, drag of the wheel, a brake in some controllers, a sagging pack.

    Parameters
    ----------
    rng : Generator
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
    asked = np.clip((throttle - rng.uniform(1000, 1090)) / 900.0, 0, 1) ** rng.uniform(0.8, 1.25)
    drag, inertia = 1.0, rng.uniform(0.08, 0.35)
    brake = rng.choice([0.0, 1.0, 2.0])
    sag, resistance = rng.uniform(0.0, 0.12) / 60.0, rng.uniform(0.0, 0.08)
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
    """Share of the suction left with the leak opened by ``opening`` (0: as built).

    Parameters
    ----------
    rng : Generator
        Seeded chance.
    opening : ndarray, shape (n,)
        Added leak over the leak as built.

    Returns
    -------
    ndarray, shape (n,)
    """
    if rng.random() < 0.7:
        return np.asarray(1.0 / (1.0 + opening))
    power = rng.uniform(0.9, 1.1)  # between a sharp edge and a crack
    return np.asarray(1.0 / (1.0 + opening) ** power)


def plenum(rng: np.random.Generator, suction: Array) -> Array:
    """The space under the floor fills within milliseconds.

    Parameters
    ----------
    rng : Generator
        Seeded chance.
    suction : ndarray, shape (n,)
        Suction without that, Pa.

    Returns
    -------
    ndarray, shape (n,)
        Pa.
    """
    width = max(1, round(rng.uniform(0.001, 0.006) / STEP_S))
    kernel = np.exp(-np.arange(6 * width) / width)
    padded = np.concatenate([np.full(6 * width - 1, suction[0]), suction])
    filled: Array = np.convolve(padded, kernel / kernel.sum(), "valid")
    return filled


def floor_noise(rng: np.random.Generator, t: Array, count: int) -> Array:
    """Bumps, flutter of the skirt and vibration, as factors.

    Parameters
    ----------
    rng : Generator
        Seeded chance.
    t : ndarray, shape (n,)
        Time, s.
    count : int
        Number of taps.

    Returns
    -------
    ndarray, shape (n, count)
    """
    n = len(t)
    factor = np.ones(n)
    for _ in range(rng.poisson(t[-1] * rng.choice([0.05, 0.3, 1.0]))):
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
    """When the board samples, with a little jitter.

    Parameters
    ----------
    rng : Generator
        Seeded chance.
    t : ndarray, shape (n,)
        Time of the world, s.
    rate : float
        Samples per s.

    Returns
    -------
    rows : ndarray of int
        Steps of the world that are sampled.
    times : ndarray
        The board's time of them, s.
    """
    times = np.arange(0.0, t[-1], 1.0 / rate)
    jitter = rng.uniform(0, 0.05) / rate
    times = times + rng.uniform(-jitter, jitter, len(times))
    times = np.maximum(times - times[0], 0.0)
    return np.minimum(np.round(times / STEP_S).astype(np.int64), len(t) - 1), times


def sensor(rng: np.random.Generator, times: Array, level: float, count: int, rate: float) -> Array:
    """Noise and drift of the sensors, Pa.

    Parameters
    ----------
    rng : Generator
        Seeded chance.
    times : ndarray, shape (n,)
        Time, s.
    level : float
        Suction at full speed, Pa.
    count : int
        Number of taps.
    rate : float
        Samples per s.

    Returns
    -------
    ndarray, shape (n, count)
        Pa.
    """
    white = rng.uniform(0.002, 0.03) * level * min(1.0, np.sqrt(rate / 200.0))
    drift = rng.uniform(-0.02, 0.02, count) * level / 60.0
    return np.asarray(rng.standard_normal((len(times), count)) * white + drift * times[:, None])


def pulses(rng: np.random.Generator, throttle: Array) -> Array:
    """What the pulse reader gives: whole microseconds with a little jitter.

    Parameters
    ----------
    rng : Generator
        Seeded chance.
    throttle : ndarray, shape (n,)
        Pulse width, µs.

    Returns
    -------
    ndarray, shape (n,)
        µs.
    """
    return np.asarray(np.round(throttle + rng.normal(0, rng.choice([0.0, 0.5, 1.0]), len(throttle))))

"""Suction made by formula, one thing at a time: what happens is known to the sample."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def times(seconds: float, rate_hz: float = 200.0) -> Array:
    """Even sample times."""
    return np.arange(round(seconds * rate_hz)) / rate_hz


def ramp(t_s: Array, start_s: float, length_s: float) -> Array:
    """0 before, 1 after, straight between."""
    if length_s <= 0:
        return (t_s >= start_s).astype(float)
    return np.clip((t_s - start_s) / length_s, 0.0, 1.0)


def steady(
    t_s: Array,
    taps: int = 4,
    level_pa: float = 900.0,
    noise_pa: float = 6.0,
    seed: int = 1,
    shape: Callable[[Array], Array] | None = None,
) -> Array:
    """A level with white noise at every tap, times a shape common to all taps."""
    rng = np.random.default_rng(seed)
    share = np.linspace(1.1, 0.9, taps) if taps > 1 else np.ones(1)
    factor = np.ones(len(t_s)) if shape is None else shape(t_s)
    return level_pa * factor[:, None] * share + rng.normal(0, noise_pa, (len(t_s), taps))


def laps(t_s: Array) -> tuple[Array, Array]:
    """Suction at eight taps, and throttle: fully up and down twice a minute, a fold every three minutes."""
    up = (t_s % 30 > 2) & (t_s % 30 < 27)
    kernel = np.exp(-np.arange(200) / 30)
    level = np.convolve(np.where(up, 1500.0, 0.0), kernel / kernel.sum())[: len(t_s)]
    level = np.where((t_s % 180 > 100) & (t_s % 180 < 101.5), 0.3 * level, level)
    noise = np.random.default_rng(1).normal(0, 5, (len(t_s), 8))
    return level[:, None] * np.linspace(1.05, 0.95, 8) + noise, np.where(up, 1700.0, 1000.0)


def drives(t_s: Array) -> tuple[Array, Array]:
    """Suction at eight taps, and throttle: nine of ten minutes at one throttle, with four folds."""
    now_s = t_s % 600
    up = (now_s > 20) & (now_s < 580)
    kernel = np.exp(-np.arange(400) / 50)
    level = np.convolve(np.where(up, 1300.0, 0.0), kernel / kernel.sum())[: len(t_s)]
    since_s = np.where((now_s > 100) & (now_s < 520), (now_s - 100) % 120, np.inf)
    level *= np.where(since_s < 1.5, np.maximum(0.3, np.exp(-since_s / 0.1)), 1.0)
    noise = np.random.default_rng(1).normal(0, 6, (len(t_s), 8))
    return level[:, None] * np.linspace(1.2, 0.8, 8) + noise, np.where(up, 1700.0, 1000.0)


def fan(t_s: Array, throttle_us: Array, lag_s: float = 0.12) -> Array:
    """Suction over full suction of a fan whose speed follows the pulse with one lag, by dp ~ N^2."""
    gain = 1.0 - np.exp(-np.diff(t_s, prepend=t_s[0]) / lag_s)
    speed, out = float(throttle_us[0]), np.empty(len(t_s))
    for i, (u, g) in enumerate(zip(throttle_us.tolist(), gain.tolist(), strict=True)):
        speed += g * (u - speed)
        out[i] = max(0.0, (speed - 1000.0) / 1000.0) ** 2
    return out

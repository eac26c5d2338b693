"""Sensors whose zero moves while the car runs: what heat does to a die, and no formula of the program.

Each sensor has a sensitivity to the temperature of its board, Pa a kelvin, most of it alike within one make.
The board is one thermal mass: it warms towards where the electronics take it from the moment of power-on,
and towards a higher temperature while motors and speed controllers run;
the air that the fans draw may cool it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from fakes.runs import run_of
from undertray.acquire.runlog import Run

__all__ = ["SHAPES", "DriftRun", "drift_run"]

SHAPES = ("linear", "warm-up", "driven")
RATE_HZ = 50.0
MOST_PA = 25.0
TRUE_PA = 900.0
_REST_S = (4.0, 12.0)
_WORK_S = (20.0, 90.0)
_FAN_S = 0.15
_TAPS = 4


@dataclass(frozen=True)
class DriftRun:
    """A run, its true steady suction (Pa, the same at all taps), and the zero each sensor really had."""

    run: Run
    truth_pa: float
    zero_pa: Any


def drift_run(shape: str, seed: int, off_pa: float = 0.0, off_gain: float = 0.0) -> DriftRun:
    """Rest, a steady run at 900 Pa, rest; the zeros move by up to 25 Pa.

    ``off_pa`` and ``off_gain`` are a standard deviation each: what the calibration of all sensors is off by.
    """
    rng = np.random.default_rng([seed, SHAPES.index(shape)])
    before_s, after_s = rng.uniform(*_REST_S, 2)
    work_s = rng.uniform(*_WORK_S)
    t = np.arange(round((before_s + work_s + after_s) * RATE_HZ)) / RATE_HZ
    on = (t >= before_s) & (t < before_s + work_s)
    # one board, one make: three quarters of the drift are common, in sign and size
    size_pa = rng.uniform(-MOST_PA, MOST_PA)
    each_pa = size_pa * (1 + rng.normal(0, 0.25, _TAPS))
    zero = each_pa * _course(shape, t, on, rng)[:, None]
    level = np.zeros(len(t))
    for k in range(1, len(t)):
        level[k] = level[k - 1] + (TRUE_PA * on[k] - level[k - 1]) / (_FAN_S * RATE_HZ)
    flow = rng.normal(0, 4.0, (len(t), _TAPS)) * on[:, None]
    noise = rng.normal(0, 0.8, (len(t), _TAPS))
    # off the counts' raster, as every part is
    true = (level[:, None] + flow) * (1 + off_gain * rng.normal()) + off_pa * rng.normal()
    pa = true + zero + noise
    return DriftRun(run_of(t, pa, np.where(on, 1700.0, 1000.0)), TRUE_PA, zero)


def _course(shape: str, t: Any, on: Any, rng: np.random.Generator) -> Any:
    """How far the zero has come, 0 at the start, about 1 over the run."""
    if shape == "linear":
        return t / t[-1]
    if shape == "warm-up":  # powered on at the start of the log
        tau_s = t[-1] * np.exp(rng.uniform(np.log(0.15), np.log(2.0)))
        return (1 - np.exp(-t / tau_s)) / (1 - np.exp(-t[-1] / tau_s))
    # warmed (or cooled) by the drive: after it the board goes back, as slowly as it came
    tau_s = np.exp(rng.uniform(np.log(8.0), np.log(150.0)))
    warm = np.zeros(len(t))
    for k in range(1, len(t)):
        warm[k] = warm[k - 1] + (on[k] - warm[k - 1]) / (tau_s * RATE_HZ)
    return warm / warm.max()

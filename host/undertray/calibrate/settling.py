"""When is a reading steady? Slope and spread over a window, judged for every sensor."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.errors import CalibrationError

__all__ = ["Reading", "SteadyLimits", "SteadyMean", "measure"]

Array = NDArray[np.float64]
_LEAST_ROWS = 20
_BLOCKS = 6
_CHECKS = 8  # judgements in one window's time


@dataclass(frozen=True, slots=True)
class Reading:
    """One row of the board, in Pa."""

    t_s: float
    nominal_pa: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class SteadyLimits:
    """What counts as steady."""

    window_s: float = 3.0
    drift_pa: float = 1.0
    spread_pa: float = 3.0
    timeout_s: float = 60.0

    def __post_init__(self) -> None:
        if not (0 < self.window_s <= self.timeout_s <= 3600 and self.drift_pa > 0 and self.spread_pa > 0):
            raise CalibrationError(
                "limits of a steady reading out of range",
                seen=self,
                expected="a window above 0 within the waiting time, and limits above 0 Pa",
            )


@dataclass(frozen=True, slots=True, eq=False)
class SteadyMean:
    """The mean over a window, and how steady it was."""

    nominal_pa: Array
    mean_sd_pa: Array
    spread_pa: Array
    drift_pa: Array
    rows: int
    complaint: str

    @property
    def steady(self) -> bool:
        """Whether it was steady."""
        return not self.complaint


def measure(
    readings: Iterator[Reading],
    names: tuple[str, ...],
    limits: SteadyLimits,
    watch: Callable[[Reading, SteadyMean | None], None] | None = None,
) -> SteadyMean:
    """Wait until all sensors are steady and return the means of that window; ``watch`` gets each row."""
    window: deque[Reading] = deque()
    start_s = next_check_s = -math.inf
    last: SteadyMean | None = None
    for reading in readings:
        if start_s == -math.inf or (window and not 0 <= reading.t_s - window[-1].t_s < limits.window_s):
            window.clear()  # a jump in time: the board was reset
            start_s = reading.t_s if start_s == -math.inf else start_s
            next_check_s = reading.t_s + limits.window_s
        window.append(reading)
        while reading.t_s - window[0].t_s > limits.window_s:
            window.popleft()
        if reading.t_s >= next_check_s and len(window) >= _LEAST_ROWS:
            last = _judge(window, names, limits)
            if last.steady or reading.t_s - start_s >= limits.timeout_s:
                return last
            next_check_s = reading.t_s + limits.window_s / _CHECKS
        if watch is not None:
            watch(reading, last)
    raise CalibrationError(
        "the readings ended before they were steady",
        seen=last.complaint if last is not None else "too few rows",
        expected=f"{limits.window_s:g} s of rows",
    )


def _judge(window: deque[Reading], names: tuple[str, ...], limits: SteadyLimits) -> SteadyMean:
    t = np.array([reading.t_s for reading in window])
    y = np.array([reading.nominal_pa for reading in window], float)
    centred = t - t.mean()
    length = float(t[-1] - t[0])
    slope = centred @ (y - y.mean(axis=0)) / float(centred @ centred)
    spread = np.std(y - y.mean(axis=0) - centred[:, None] * slope, axis=0, ddof=2)
    drift = slope * length
    blocks = np.array([block.mean(axis=0) for block in np.array_split(y, _BLOCKS)])
    return SteadyMean(
        nominal_pa=y.mean(axis=0),
        mean_sd_pa=blocks.std(axis=0, ddof=1) / math.sqrt(_BLOCKS),
        spread_pa=spread,
        drift_pa=drift,
        rows=len(t),
        complaint=_complaint(names, drift, spread, limits),
    )


def _complaint(names: tuple[str, ...], drift: Array, spread: Array, limits: SteadyLimits) -> str:
    for name, d, s in zip(names, drift, spread, strict=True):
        if math.isnan(s):
            return f"{name} gives no reading"
        if s > limits.spread_pa:
            return f"{name} spreads by {s:.2f} Pa, more than {limits.spread_pa:g} Pa"
        if abs(d) > limits.drift_pa:
            return f"{name} drifts by {d:+.2f} Pa in {limits.window_s:g} s, more than {limits.drift_pa:g} Pa"
    return ""

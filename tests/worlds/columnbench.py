"""Four sensors of one make on a water column read by eye, then under a car: no formula of the program.

A sensor is a straight line, a course that all of one make share (a bow, or an S), and a loop: it reads less
on the way up than on the way down, by a lens that is closed at both ends. A person sets a height, reads both
menisci to the nearest half millimetre with an eye that is not always level, and writes it down.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fakes.handlog import hand_log

__all__ = [
    "COURSES",
    "LEVELS_PA",
    "Make",
    "column_points",
    "column_points_as_stated",
    "make",
    "steady_log",
]

COURSES = ("straight", "S", "bow")
LEVELS_PA = (100.0, 300.0, 900.0)
FULL_PA = 1370.0
RATE_HZ = 20.0
_HEIGHTS_MM = np.array([*range(0, 141, 20), *range(120, -1, -20)], float)
# 21 degC and 47 degrees of latitude, by hand: (997.995 - 1.195) kg/m3 x 9.808 m/s2
PA_PER_MM = 9.7767


@dataclass(frozen=True)
class Make:
    """Zero (Pa) and gain of each of four sensors, and what the make shares."""

    zero_pa: Any
    gain: Any
    course: str
    most_pa: float
    loop_pa: float

    def nominal_pa(self, true_pa: Any, upward: Any) -> Any:
        """What each sensor says, shape (n, 4)."""
        x = np.clip(np.asarray(true_pa) / FULL_PA, 0, 1.2)
        shape = {"straight": 0 * x, "S": np.sin(2 * np.pi * x), "bow": 4 * x * (1 - x)}[self.course]
        loop = self.loop_pa / 2 * 4 * np.clip(x * (1 - x), 0, None) * np.where(upward, -1, 1)
        common = np.asarray(true_pa) + self.most_pa * shape + loop
        return self.zero_pa + self.gain * common[:, None]


def make(course: str, seed: int) -> Make:
    """One make: a course of 6 to 8 Pa either way, a loop of 0 to 10 Pa."""
    rng = np.random.default_rng([seed, COURSES.index(course)])
    return Make(
        zero_pa=rng.normal(0, 6, 4),
        gain=1 + rng.normal(0, 0.01, 4),
        course=course,
        most_pa=rng.uniform(6, 8) * rng.choice([-1, 1]),
        loop_pa=rng.uniform(0, 10),
    )


def column_points(path: Path, sensors: Make, seed: int, zero_open: bool, careful: bool = True) -> Path:
    """What the person wrote down: one cycle up to 140 mm and down again.

    Not careful, menisci are read to whole millimetres, with the eye at their height: as badly as a half width
    of half a millimetre says.
    """
    rng = np.random.default_rng([seed, 7, COURSES.index(sensors.course)])
    stands = np.maximum(0, _HEIGHTS_MM + rng.normal(0, 1.0, len(_HEIGHTS_MM)))
    upward = np.arange(len(stands)) <= np.argmax(_HEIGHTS_MM)
    mark_mm, ruler, warm = rng.normal(0, 0.25), 1 + rng.normal(0, 2e-4), 1 + rng.normal(0, 1e-4)
    read = np.zeros(len(stands))
    for half in (stands / 2, stands / 2):
        marks, eye_mm = (2, 0.2) if careful else (1, 0.05)
        read += np.round(marks * (half + rng.normal(0, eye_mm, len(stands)))) / marks
    read = np.maximum(0, read * ruler + mark_mm)
    if zero_open:
        stands[[0, -1]] = read[[0, -1]] = 0.0
    nominal = sensors.nominal_pa(stands * PA_PER_MM * warm, upward) + rng.normal(0, 0.3, (len(stands), 4))
    return _written(path, read, upward, nominal)


def column_points_as_stated(path: Path, sensors: Make, seed: int, zero_open: bool) -> Path:
    """What a person wrote down whose every error lies anywhere within the half width that is stated for it.

    Half a millimetre for each meniscus, each time anew, and for the mark of the scale; half a millimetre in a
    metre for the ruler; what 1 K, 5 % of the air, 100 ppm of gravity and a lean of 1 degree do (by hand);
    half a pascal (standard) for each steady reading. A zero that is read stands at 2 to 4 mm: none is read
    below the scale.
    """
    rng = np.random.default_rng([seed, 7, COURSES.index(sensors.course)])
    wanted = _HEIGHTS_MM if zero_open else np.maximum(_HEIGHTS_MM, 3.0)
    stands = np.maximum(0, wanted + rng.uniform(-1, 1, len(wanted)))
    upward = np.arange(len(stands)) <= np.argmax(wanted)
    half_widths = np.array([5e-4, 2.1e-4, 6e-5, 1e-4])
    ruler, *liquid = 1 + half_widths * rng.uniform(-1, 1, 4)
    leans = np.cos(np.radians(rng.uniform(-1, 1)))
    mark_mm = rng.uniform(-0.5, 0.5)
    read = stands / leans + rng.uniform(-0.5, 0.5, (2, len(stands))).sum(axis=0)
    read = np.maximum(0, read * ruler + mark_mm)
    if zero_open:
        stands[[0, -1]] = read[[0, -1]] = 0.0
    true_pa = stands * PA_PER_MM * np.prod(liquid)
    nominal = sensors.nominal_pa(true_pa, upward) + rng.normal(0, 0.5, (len(stands), 4))
    return _written(path, read, upward, nominal)


def _written(path: Path, read_mm: Any, upward: Any, nominal_pa: Any) -> Path:
    lines = ["height_mm,direction,p1_pa,p2_pa,p3_pa,p4_pa"]
    for mm, up, row in zip(read_mm, upward, nominal_pa, strict=True):
        lines.append(f"{mm:.1f},{'up' if up else 'down'},{','.join(f'{v:.2f}' for v in row)}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def steady_log(path: Path, sensors: Make, true_pa: float, seed: int) -> Path:
    """Rest, then the same suction at all four taps, come to from below."""
    rng = np.random.default_rng([seed, round(true_pa), COURSES.index(sensors.course)])
    n = round(14 * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    level = np.where(t < 3, 0.0, true_pa * (1 - np.exp(-np.clip(t - 3, 0, None) / 0.15)))
    nominal = sensors.nominal_pa(level, np.ones(n, bool))
    nominal = nominal + rng.normal(0, 0.5, (n, 4)) + np.where(t < 3, 0, 1)[:, None] * rng.normal(0, 2, (n, 4))
    return hand_log(path, nominal, np.where(t < 3, 1000.0, 1700.0), RATE_HZ)

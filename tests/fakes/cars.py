"""Cars without a file, and signals made of nothing but a formula."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from undertray.reduce.car import Car, Tap


def bare_car(
    floor: Sequence[tuple[float, float]], taps: Sequence[tuple[float, float]], **changes: Any
) -> Car:
    """A car of 1 kg with a wheelbase of 1 m and unnamed taps."""
    facts: dict[str, Any] = {
        "name": "bare",
        "mass_kg": 1.0,
        "wheelbase_mm": 1000.0,
        "front_weight": 0.5,
        "floor_mm": tuple(floor),
        "taps": tuple(Tap(f"t{i}", f"p{i + 1}", x, y) for i, (x, y) in enumerate(taps)),
    }
    return Car(**(facts | changes))


def grid(width: float, height: float, nx: int, ny: int) -> list[tuple[float, float]]:
    """Centres of nx by ny equal cells of a rectangle with a corner in the origin."""
    return [((i + 0.5) * width / nx, (j + 0.5) * height / ny) for i in range(nx) for j in range(ny)]

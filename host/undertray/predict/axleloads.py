"""Loads of the axles against suction: as a run measured them, or of an even suction."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.errors import NeverSteady
from undertray.predict.draws import Draws
from undertray.reduce.car import Car
from undertray.reduce.loads import load_matrix
from undertray.reduce.summary import Reduction

__all__ = ["AxleLoads", "LoadLevel", "even_loads", "measured_loads"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LoadLevel:
    """Steady suction and axle loads at one throttle; the throttle is None where none was logged."""

    throttle_us: float | None
    suction_pa: float
    front_n: float
    rear_n: float


@dataclass(frozen=True, slots=True)
class AxleLoads:
    """Axle loads at some suctions."""

    source: str
    levels: tuple[LoadLevel, ...]
    suction_share: float = 0.0
    front_share: float = 0.0
    rear_share: float = 0.0
    whole_share: float = 0.0
    known: bool = False

    def factors(self, draws: Draws) -> tuple[Array, Array, Array]:
        """Draw what suction and loads may be off by.

        Parameters
        ----------
        draws : Draws
            Where they come from.

        Returns
        -------
        suction, front, rear : ndarray, shape (COUNT,)
            True over stated value of the suction and of the load of each axle.

        Notes
        -----
        What the suction is off by (the sensors' scale) is in both loads; what they are off by beyond that
        (the floor between the taps) is so correlated that their sum has the uncertainty stated for it.
        """
        top, scale = self.levels[-1], self.suction_share
        front_n, rear_n = abs(top.front_n), abs(top.rear_n)
        own = [math.sqrt(max(0.0, share**2 - scale**2)) for share in (self.front_share, self.rear_share)]
        u = front_n * own[0], rear_n * own[1]
        whole = math.sqrt(max(0.0, self.whole_share**2 - scale**2)) * abs(top.front_n + top.rear_n)
        both = 2 * u[0] * u[1]
        rho = 0.0 if both <= 0 else min(1.0, max(-1.0, (whole**2 - u[0] ** 2 - u[1] ** 2) / both))
        common, one, other = (draws.normal(0.0, 1.0) for _ in range(3))
        front, rear = own[0] * one, own[1] * (rho * one + math.sqrt(1 - rho * rho) * other)
        return 1 + scale * common, 1 + scale * common + front, 1 + scale * common + rear

    def per_pa(self, suction_pa: float) -> tuple[float, float]:
        """Load of each axle by one Pa."""
        near = min(self.levels, key=lambda level: abs(level.suction_pa - suction_pa))
        return near.front_n / near.suction_pa, near.rear_n / near.suction_pa


def measured_loads(reduction: Reduction) -> AxleLoads:
    """Take the loads of a run, at each throttle at which it was steady."""
    found = reduction.steady
    levels = []
    if found is not None:
        levels = [
            LoadLevel(found.throttle_us, found.suction_pa.mean, found.front_n.mean, found.rear_n.mean),
            *(
                LoadLevel(
                    one.throttle_us,
                    one.suction_pa,
                    one.front_margin_n + found.front_n.mean - found.front_margin_n.mean,
                    one.rear_margin_n + found.rear_n.mean - found.rear_margin_n.mean,
                )
                for one in found.others
            ),
        ]
    levels = sorted((one for one in levels if one.suction_pa > 0), key=lambda one: one.suction_pa)
    if found is None or not levels:
        raise NeverSteady(
            "never steady with suction, so there is no load to go by",
            where=reduction.run,
            expected="a throttle that stands still for a second or more, with suction",
            do="hold a throttle, or give --suction",
        )
    estimates = found.suction_pa, found.front_n, found.rear_n, found.downforce_n
    shares = [one.u95 / abs(one.mean) for one in estimates if one.u95 is not None and one.mean]
    if len(shares) < len(estimates):
        return AxleLoads(reduction.run, tuple(levels))
    return AxleLoads(reduction.run, tuple(levels), shares[0], shares[1], shares[2], shares[3], True)


def even_loads(car: Car, suctions_pa: Sequence[float]) -> AxleLoads:
    """Loads of an even suction under the whole floor."""
    front, rear = load_matrix(car).matrix.sum(axis=1)[1:3].tolist()
    return AxleLoads(
        "an even suction", tuple(LoadLevel(None, pa, front * pa, rear * pa) for pa in sorted(suctions_pa))
    )

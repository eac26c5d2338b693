"""A builder's bench: sweeps of an invented car at two gaps, and what the same car would do otherwise.

Every steady state is marched to by :func:`worlds.vehicle.simulate` from rest, pack, controller, motor, fan,
floor cells, skirt and springs in; columns are cars. Nothing of undertray is known here. Numbers are invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from worlds.vehicle import CELL_V, CELLS, CHARGE, STEP_S, Array, Inputs, Vehicle, invented, simulate

SETTLED_S = 2.5
_FULL_US = 2000.0


@dataclass(frozen=True)
class State:
    """A car at one throttle: its vehicle and the pulse, µs."""

    car: Vehicle
    throttle_us: float


@dataclass(frozen=True)
class Steady:
    """What came of states: suction of the cells, Pa (k, 6), pack under load and at rest, V (k,)."""

    cell_pa: Array
    pack_v: Array
    rest_v: Array

    def part(self, first: int, end: int) -> Steady:
        """Some of the states."""
        some = slice(first, end)
        return Steady(self.cell_pa[some], self.pack_v[some], self.rest_v[some])


def builder_car(seed: int) -> Vehicle:
    """A car with a 3S pack; its pack's slow part is quick, so that a dwell of seconds is steady."""
    rng = np.random.default_rng([seed, 99])
    while (car := invented(rng)).series != 3:
        pass
    return replace(car, polarisation_s=0.2, charge=float(rng.uniform(0.75, 0.95)), slew_up=8.0)


def static_gap_m(car: Vehicle) -> float:
    """What feeler gauges read under its edge with the fans off: the mean round the car."""
    return float(np.mean(car.gap_m)) + car.follow * car.ride_m


def with_gap(car: Vehicle, static_m: float) -> Vehicle:
    """The same skirt set so that gauges read that much: shims, the same all round."""
    more = static_m - static_gap_m(car)
    return replace(car, gap_m=tuple(max(gap + more, 2e-5) for gap in car.gap_m))


def with_cells(car: Vehicle, series: int, softer: float) -> Vehicle:
    """Another pack of the same kind of cells, which give in ``softer`` times as much."""
    ratio = series / car.series
    return replace(
        car,
        series=series,
        pack_ohm=car.pack_ohm * ratio * softer,
        polarisation_ohm=car.polarisation_ohm * ratio * softer,
    )


def mounted(car: Vehicle, rng: np.random.Generator) -> Vehicle:
    """The skirt put on once more: 2 % more or less of it leaks, and each part of it by itself a little."""
    whole = 1 + rng.normal(0, 0.02)
    return replace(car, edge_m=tuple(edge * whole * (1 + rng.normal(0, 0.01)) for edge in car.edge_m))


def settle(states: Sequence[State]) -> Steady:
    """March all states from rest until they are steady."""
    steps, width = round(SETTLED_S / STEP_S), len(states)
    share = np.array([(s.throttle_us - s.car.arm_us) / (_FULL_US - s.car.arm_us) for s in states])
    least, expo = (np.array([getattr(s.car, name) for s in states]) for name in ("least_duty", "expo"))
    duty = np.where(share <= 0, 0.0, least + (1 - least) * np.clip(share, 0, 1) ** expo)
    cell, pack, rest = [], [], []
    for first in range(0, width, 400):
        some = slice(first, min(first + 400, width))
        cars, n = [s.car for s in states[some]], some.stop - some.start
        nothing = np.zeros((steps, CELLS, n), np.float32)
        given = Inputs(
            duty=np.tile(duty[some].astype(np.float32), (steps, 1)),
            bridge_on=np.tile(duty[some] > 0, (steps, 1)),
            drive_a=np.zeros((steps, n), np.float32),
            push=np.zeros((steps, 3, n), np.float32),
            road_m=nothing,
            opening_m2=nothing,
        )
        motion = simulate(cars, given)
        last = slice(-round(0.3 / STEP_S), None)
        cell.append(motion.suction_pa[last].mean(axis=0).T)
        pack.append(motion.pack_v[last].mean(axis=0))
        rest.append(np.array([c.series * np.interp(c.charge, CHARGE, CELL_V) for c in cars]))
    return Steady(np.concatenate(cell), np.concatenate(pack), np.concatenate(rest))

"""The stated uncertainty of the force against floors whose suction no budget of ours made.

The truth is the integral of a solved field (``fakes.floor_field``); taps read the field at their places. The
calibration is as good as exact, so what is judged is the unseen floor alone.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from fakes import slot_floor
from fakes.cars import bare_car
from fakes.floor_field import drawn, solve
from undertray.calibrate.calibration import Calibration, ColumnCalibration
from undertray.reduce.loads import tap_loads
from undertray.reduce.longtable import Table
from undertray.reduce.reading import TapSuction
from undertray.reduce.uncertainty import mean_uncertainty
from undertray.reduce.zero import untouched

WHEELBASE_MM = 262.0
FLOORS = {
    "rectangle": ((-30.0, -80.0), (290.0, -80.0), (290.0, 80.0), (-30.0, 80.0)),
    "six corners": (
        (-45.0, -55.0),
        (-20.0, -85.0),
        (295.0, -85.0),
        (295.0, 85.0),
        (-20.0, 85.0),
        (-45.0, 55.0),
    ),
    "seven corners": (
        *((-40.0, 0.0), (20.0, -95.0), (240.0, -95.0), (300.0, -40.0)),
        *((300.0, 40.0), (240.0, 95.0), (20.0, 95.0)),
    ),
}
# places as shares of length and width
LAYOUTS = {
    "one": [(0.5, 0.5)],
    "two": [(0.25, 0.5), (0.75, 0.5)],
    "three": [(0.2, 0.5), (0.75, 0.2), (0.75, 0.8)],
    "four well in": [(0.25, 0.2), (0.25, 0.8), (0.76, 0.2), (0.76, 0.8)],
    "four, one hose off": [(0.25, 0.2), (0.25, 0.8), (0.76, 0.8)],
    "four near the skirt": [(0.16, 0.17), (0.16, 0.83), (0.88, 0.17), (0.88, 0.83)],
    "six": [(0.17, 0.25), (0.17, 0.75), (0.5, 0.5), (0.5, 0.12), (0.83, 0.25), (0.83, 0.75)],
    "eight": [
        *((0.15, 0.2), (0.15, 0.8), (0.4, 0.25), (0.4, 0.75)),
        *((0.62, 0.3), (0.62, 0.7), (0.85, 0.2), (0.85, 0.8)),
    ],
}


def places(floor, layout):
    low, size = np.min(FLOORS[floor], axis=0), np.ptp(FLOORS[floor], axis=0)
    return [tuple((low + np.array(share) * size).tolist()) for share in LAYOUTS[layout]]


@cache
def solved(floor, seed, severity, cell_m):
    """A field's downforce, axle loads and centre, and what it reads at the taps of every layout."""
    field = solve(drawn(seed, FLOORS[floor], severity=severity, cell_m=cell_m))
    x_m, y_m = field.centre_m
    loads = (field.downforce_n, *field.axles_n(WHEELBASE_MM / 1000), 1e3 * x_m, 1e3 * y_m)
    taps_m = np.concatenate([places(floor, layout) for layout in LAYOUTS]) / 1000
    ends = np.cumsum([len(shares) for shares in LAYOUTS.values()])[:-1]
    return loads, dict(zip(LAYOUTS, np.split(field.at(*taps_m.T), ends), strict=True))


def stated(floor, layout, pa):
    """What undertray says of a run that reads ``pa`` at the taps throughout."""
    return of(bare_car(FLOORS[floor], places(floor, layout), wheelbase_mm=WHEELBASE_MM), pa)


def of(car, pa):
    """Means and half widths for one car whose taps read ``pa`` throughout."""
    line = ColumnCalibration("x", np.array([0.0, 1.0]), np.eye(2) * 1e-12, (0.0, 5000.0), 1.0)
    sure = Calibration("2026-01-01T00:00:00Z", {}, 9.80665, "", {tap.column: line for tap in car.taps})
    rows = Table.of(np.tile(pa, (80, 1)))
    suction = TapSuction(rows, rows, {}, {})
    found = mean_uncertainty(
        np.ones(80, bool), tap_loads(car, rows, ()), suction, untouched(len(pa)), car, sure, 200.0
    )
    return found.means, found.u95


def hits(floors, layout, seeds, severity=1.0, cell_m=0.01):
    """How often the intervals hold downforce, front, rear, and the centre along and across."""
    names = ("downforce_n", "front_n", "rear_n", "x_mm", "y_mm")
    found = []
    for floor in floors:
        for seed in seeds:
            truth, read_pa = solved(floor, seed, severity, cell_m)
            said, u95 = stated(floor, layout, read_pa[layout])
            # what is not measured makes no claim that could fail
            means = [getattr(said, name) for name in names]
            found.append(
                [
                    mean is None or abs(mean - true) <= u95[name]
                    for name, mean, true in zip(names, means, truth, strict=True)
                ]
            )
    return np.sum(found, axis=0)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_the_intervals_hold_the_truth(layout):
    got = hits(("rectangle", "seven corners"), layout, range(20_000, 20_020), cell_m=0.012)
    # derived (binomial): 35 and more of 40 come in 98.6 of 100 cases at a true 95 %, in 79 at 90 %, in 16 at
    # 80 %, in 1 at 70 %. It cannot tell 90 from 95 %: the 200 of the slow tier are asked for 90 to 99 %
    assert got[:3].min() >= 35, got


@pytest.mark.slow
@pytest.mark.parametrize("floor", FLOORS)
@pytest.mark.parametrize("layout", LAYOUTS)
def test_the_intervals_hold_the_truth_as_often_as_they_say(layout, floor):
    got = hits((floor,), layout, range(30_000, 30_200))
    # what is asked for: 90 to 99 % of 200
    assert got.min() >= 180, got
    assert got[:3].max() <= 198, got


@pytest.mark.slow
@pytest.mark.parametrize("layout", LAYOUTS)
def test_skirts_that_leak_more_than_any_that_was_thought_of(layout):
    # gaps of 1.6 times those drawn elsewhere; where nothing is seen of it, as with one tap, less is held
    got = hits(("six corners",), layout, range(40_000, 40_100), severity=1.6)
    assert got[:3].min() >= 85, got


ALIKE = {
    "one in the middle": [(127.0, 0.0)],
    "two in line": [(60.0, 0.0), (195.0, 0.0)],
    "four round the middle": [(40.0, -50.0), (40.0, 50.0), (215.0, -50.0), (215.0, 50.0)],
    "six": [(30.0, -50.0), (30.0, 50.0), (130.0, -20.0), (130.0, 35.0), (230.0, -50.0), (230.0, 50.0)],
}


@cache
def drawn_by_another(seed):
    return slot_floor.Field(slot_floor.draw(seed))


@pytest.mark.parametrize("layout", ALIKE)
def test_taps_that_lie_alike_round_fans_do_not_feign_an_even_floor(layout):
    """By symmetry they agree, however much suction lies between them: most in the lowest floors."""
    taps, held = ALIKE[layout], []
    car = bare_car(slot_floor.CORNERS_MM, taps, wheelbase_mm=260.0)
    for seed in (seed for seed in range(1000, 1060) if slot_floor.draw(seed).height_mm < 4):
        field = drawn_by_another(seed)
        means, u95 = of(car, field.at(taps))
        truth = field.loads_n(260.0)
        held.append(
            [
                abs(getattr(means, name) - true) <= u95[name]
                for name, true in zip(("downforce_n", "front_n", "rear_n"), truth, strict=True)
            ]
        )
    # derived (binomial): 36 and more of 40 come in 95 of 100 cases at a true 95 %, in 63 at 90, in 8 at 80
    assert (len(held), np.sum(held, axis=0).min() >= 36) == (40, True), np.sum(held, axis=0)

"""Calibrate, then run: is the steady suction where the program says, with sensors that bend and have a loop?

The bench, the person and the sensors are those of tests/worlds/columnbench.py; everything goes through the
commands. Four taps that stand for a quarter of the floor each see the same suction.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from fakes.handlog import hand_car
from fakes.program import undertray
from undertray.calibrate.curve import PLACES, Level, course_uncertainty, departure
from undertray.calibrate.evaluate import Setup, calibrate
from undertray.calibrate.fit import fit_polynomial
from undertray.calibrate.liquid_column import Conditions
from undertray.calibrate.points import read_points
from undertray.reduce.car import Car
from undertray.reduce.loads import tap_loads
from undertray.reduce.longtable import Table
from undertray.reduce.reading import TapSuction
from undertray.reduce.uncertainty import mean_uncertainty
from undertray.reduce.zero import untouched
from worlds.columnbench import (
    COURSES,
    LEVELS_PA,
    column_points,
    column_points_as_stated,
    make,
    steady_log,
)


def quartered_car(path: Path) -> Path:
    text = hand_car(path).read_text(encoding="utf-8")
    for old, new in (("x = 60", "x = 75"), ("x = 240", "x = 225"), ("= -60", "= -50"), ("y = 60", "y = 50")):
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    return path


def covered(
    folder: Path, course: str, zero_open: bool, seeds: range, at_pa: tuple[float, ...] = LEVELS_PA
) -> dict[float, int]:
    """How often the steady suction is within its u95, for each of the suctions."""
    car = quartered_car(folder / "car.toml")
    points, certificate, log = folder / "points.csv", folder / "calibration.json", folder / "run.csv"
    hits = dict.fromkeys(at_pa, 0)
    for seed in seeds:
        sensors = make(course, seed)
        column_points(points, sensors, seed, zero_open)
        how = ("--water-c", 21, "--latitude", 47, *(["--zero-open"] if zero_open else []))
        done = undertray("calibrate", "--points", points, "--out", certificate, *how)
        assert done.returncode == 0, done.stderr
        for true_pa in at_pa:
            steady_log(log, sensors, true_pa, seed)
            done = undertray("reduce", log, "--car", car, "--calibration", certificate, "--json")
            assert done.returncode == 0, done.stderr
            suction = json.loads(done.stdout)["steady"]["suction_pa"]
            hits[true_pa] += abs(suction["mean"] - true_pa) <= suction["u95"]
    return hits


@pytest.mark.statistics
@pytest.mark.parametrize("zero_open", [False, True], ids=["zero read", "zero open"])
def test_bends_and_loops_are_covered(tmp_path: Path, zero_open: bool) -> None:
    # an S with an open zero was covered at 300 Pa in none of 100 runs
    hits = [covered(tmp_path, course, zero_open, range(8), (300.0,))[300.0] for course in ("S", "bow")]
    # at a true 95 % fewer than 13 of 16 come in 1 of 150 cases
    assert sum(hits) >= 13


# Pinned: a straight sensor with an open zero is covered in 99.5 and 99.8 of 100 at 100 and 300 Pa, as nobody
# knows that it is straight: it is taken as one that bends as far as reading can hide. Eight other ways to
# weigh a departure were tried; each that brings it under 99 % covers a bow at 300 Pa in 80 to 91 %, where it
# is 92 to 96 % now. Over the three courses it is 93 to 98 %.
ANY_BEND = {("straight", True): {100.0, 300.0}}


def covered_without_logs(
    folder: Path, course: str, zero_open: bool, seeds: range, careful: bool | None
) -> dict[float, int]:
    """The same without logs: what is read at the four taps goes straight into the means and their u95.

    ``careful`` None is a person whose every error is as large as stated.
    """
    car = Car.from_toml(quartered_car(folder / "car.toml"))
    setup = Setup(conditions=Conditions(fluid_c=21.0, latitude_deg=47.0), zero_open=zero_open)
    hits = dict.fromkeys(LEVELS_PA, 0)
    for seed in seeds:
        sensors = make(course, seed)
        path = folder / "points.csv"
        if careful is None:
            column_points_as_stated(path, sensors, seed, zero_open)
        else:
            column_points(path, sensors, seed, zero_open, careful)
        sure = calibrate(read_points(path), setup, made_utc="2026-05-02T10:15:00Z")
        rng = np.random.default_rng([seed, 11])
        for true_pa in LEVELS_PA:
            nominal = sensors.nominal_pa(np.full(80, true_pa), np.ones(80, bool)) + rng.normal(0, 2, (80, 4))
            columns = [sure.columns[tap.column] for tap in car.taps]
            pa = np.stack([c.apply(x) for c, x in zip(columns, nominal.T, strict=True)], axis=1)
            suction = TapSuction(Table.of(pa), Table.of(nominal), {}, {})
            found = mean_uncertainty(
                np.ones(80, bool), tap_loads(car, suction.pa, ()), suction, untouched(4), car, sure, 20.0
            )
            hits[true_pa] += abs(found.means.suction_pa - true_pa) <= found.u95["suction_pa"]
    return hits


@pytest.mark.statistics
@pytest.mark.parametrize("careful", [True, False], ids=["reads half millimetres", "reads whole millimetres"])
@pytest.mark.parametrize("zero_open", [False, True], ids=["zero read", "zero open"])
@pytest.mark.parametrize("course", COURSES)
def test_each_course_is_covered_in_90_percent(
    tmp_path: Path, course: str, zero_open: bool, careful: bool
) -> None:
    # no upper end: either person marks the zero to a quarter of a millimetre, and the program is told a half.
    # Whole millimetres are rounded alike at both menisci, as they stand at one height: worse than stated
    hits = covered_without_logs(tmp_path, course, zero_open, range(200), careful)
    print(hits)
    assert min(hits.values()) / 200 >= 0.90, hits


@pytest.mark.statistics
@pytest.mark.parametrize("zero_open", [False, True], ids=["zero read", "zero open"])
def test_with_errors_as_stated_each_course_is_covered_in_90_to_99_percent(
    tmp_path: Path, zero_open: bool
) -> None:
    # 1000 draws know 95 % to 0.7 and 99 % to 0.3 % (standard deviations)
    found = {
        course: covered_without_logs(tmp_path, course, zero_open, range(1000), None) for course in COURSES
    }
    print(found)
    for course, hits in found.items():
        assert min(hits.values()) / 1000 >= 0.90, found
        assert {pa for pa in hits if hits[pa] / 1000 > 0.99} <= ANY_BEND.get((course, zero_open), set()), (
            found
        )
    for pa in LEVELS_PA:
        assert 0.90 <= sum(hits[pa] for hits in found.values()) / 3000 <= 0.99, found


@pytest.mark.parametrize("zero_open", [False, True], ids=["zero read", "zero open"])
def test_a_few_with_errors_as_stated_are_covered(tmp_path: Path, zero_open: bool) -> None:
    hits = covered_without_logs(tmp_path, "S", zero_open, range(5000, 5020), None)
    # of 20 at 90 % 13 and fewer come in 1 of 400 cases
    assert min(hits.values()) >= 14, hits


def straight_fits(rng: np.random.Generator, zero_sd: float = 4.0) -> tuple[np.ndarray, list]:
    x = np.array([*range(0, 1401, 200), *range(1200, -1, -200)], float)
    y = x + rng.normal(0, zero_sd, len(x))
    return x, [fit_polynomial(x, y, u_y=4.0, degree=degree) for degree in (1, 3)]


def test_the_variance_of_a_departure_is_that_of_reading() -> None:
    # derived: a straight sensor departs by nothing but what reading makes, so the squares of many of them
    # average to the variance; 400 tries know that to 2 sqrt(2 / 400) = 14 % at two standard deviations
    at = np.linspace(0, 1400, 5)
    rng = np.random.default_rng(1)
    pairs = [departure(*straight_fits(rng)[1], at, 4.0) for _ in range(400)]
    bends, variances = (np.array(one) for one in zip(*pairs, strict=True))
    np.testing.assert_allclose(np.mean(bends**2, axis=0), variances.mean(axis=0), rtol=0.2)


def test_a_known_bend_and_loop_count_as_what_they_are() -> None:
    x = np.array([*range(0, 1401, 200), *range(1200, -1, -200)], float)
    bend = 5 * np.sin(2 * np.pi * x / 1400)
    line, cubic = (fit_polynomial(x, x + bend, u_y=1e-3, degree=degree) for degree in (1, 3))
    z = np.arange(1, 7) / 7
    levels = [
        Level(0.0, np.zeros(1), np.zeros(1)),
        *(Level(200.0 * k, np.zeros(1), np.array([6 * 4 * at * (1 - at)])) for k, at in enumerate(z, 1)),
        Level(1400.0, np.zeros(1), np.empty(0)),
    ]
    found = course_uncertainty(line, cubic, levels, x, 1e-3, 1e-3)
    at = np.linspace(0, 1400, PLACES)
    off = cubic.value(at) - line.value(at)
    share = np.linspace(0, 1, PLACES)
    # derived: no reading error to take off: the bend itself, and half the height of a lens of 6 Pa
    expected = np.hypot(off, 3 * 4 * share * (1 - share))
    np.testing.assert_allclose(found, expected, atol=0.02)
    # without a curve that could bend, and without a loop, nothing is known and nothing is stated
    assert not course_uncertainty(line, None, levels[::7], x, 1e-3, 1e-3).any()

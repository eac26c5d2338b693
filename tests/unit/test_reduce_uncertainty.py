"""Uncertainty of the means: against seeded Monte Carlo runs and against cases worked by hand."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from fakes.cars import bare_car
from fakes.cells import some
from undertray.calibrate.calibration import Calibration, ColumnCalibration
from undertray.calibrate.distributions import student_quantile
from undertray.reduce import uncertainty
from undertray.reduce.loads import ROWS, load_matrix, tap_loads
from undertray.reduce.longtable import Table
from undertray.reduce.reading import TapSuction
from undertray.reduce.tapcover import CASES, TapLayout
from undertray.reduce.uncertainty import QUANTITIES, mean_scatter, mean_uncertainty
from undertray.reduce.zero import untouched

FLOOR = [(-60.0, -80.0), (320.0, -80.0), (320.0, 80.0), (-60.0, 80.0)]
TAPS = [(40.0, -50.0), (40.0, 50.0), (215.0, -50.0), (215.0, 50.0)]
CAR = bare_car(FLOOR, TAPS, wheelbase_mm=262.0)
OWN = np.array([[0.8, -4e-4], [-4e-4, 1.5e-6]])
SHARED = {"gravity": np.array([0.0, 4e-4]), "zero": np.array([0.6, 0.0])}


def calibration(own=OWN, shared=SHARED, **changes):
    whole = own + sum((np.outer(s, s) for s in shared.values()), np.zeros((2, 2)))
    column = ColumnCalibration(
        part="x",
        coefficients=np.array([3.0, 1.01]),
        covariance=whole,
        range_pa=(0.0, 2000.0),
        residual_sd_pa=1.0,
        coverage_factor=1.959964,
        shared=shared,
    )
    column = dataclasses.replace(column, **changes)
    return Calibration("2026-01-01T00:00:00Z", {}, 9.80665, "", {f"p{i + 1}": column for i in range(4)})


COLUMNS = [f"p{i + 1}" for i in range(8)]
ALIKE = calibration(own=np.zeros((2, 2)), shared={}).columns["p1"]


@pytest.fixture
def even_floor(monkeypatch):
    """No way of being uneven is thought of: the other sources remain."""
    monkeypatch.setattr(
        uncertainty,
        "tap_layout",
        lambda car, taps: TapLayout(np.zeros(CASES), np.zeros((CASES, len(ROWS)))),
    )


def uneven_run(n=2000, noise=0.0, seed=0):
    """Half the run at rest, half at 900 Pa with a slope, so that every tap matters."""
    rng = np.random.default_rng(seed)
    level = np.where(np.arange(n) < n // 2, 0.0, 900.0)[:, None] * np.array([1.1, 1.05, 0.95, 0.9])
    return level + rng.normal(0, noise, (n, 4)) if noise else level


def found(nominal, certificate, zero=None, rows=None, faulted=(), car=CAR):
    pa = certificate.apply(nominal, [t.column for t in car.taps])
    suction = TapSuction(Table.of(pa), Table.of(nominal), {}, {})
    loads = tap_loads(car, suction.pa, faulted)
    rows = np.ones(len(pa), bool) if rows is None else rows
    return mean_uncertainty(
        rows, loads, suction, zero or untouched(nominal.shape[1]), car, certificate, 200.0
    )


def drawn(nominal, certificate, draws, together, seed=1):
    """Means of the run with calibrations drawn from their covariance; own parts alike or independent."""
    rng = np.random.default_rng(seed)
    root = np.linalg.cholesky(OWN)
    out = []
    for _ in range(draws):
        common = sum(rng.normal() * s for s in SHARED.values())
        alike = root @ rng.normal(size=2)
        columns = {
            name: dataclasses.replace(
                c,
                coefficients=c.coefficients + common + (alike if together else root @ rng.normal(size=2)),
            )
            for name, c in certificate.columns.items()
        }
        other = dataclasses.replace(certificate, columns=columns)
        loads = load_matrix(CAR).matrix @ other.apply(nominal, list(columns)).mean(axis=0)
        out.append([loads[0], loads[1], loads[2], loads[5], 1e3 * loads[3] / loads[0]])
    return np.std(out, axis=0, ddof=1)


def test_calibration_against_monte_carlo():
    nominal, certificate = uneven_run(), calibration()
    result = found(nominal, certificate)
    assert result.sources_n["noise"] < 1e-9
    together = drawn(nominal, certificate, 3000, True)
    # 3000 draws know a standard deviation to 1.3 %; three of these
    assert result.sources_n["calibration"] == pytest.approx(together[0], rel=0.04)


@pytest.mark.parametrize("together", [True, False])
def test_the_larger_of_alike_and_independent_covers_both(together, even_floor):
    nominal, certificate = np.full((400, 4), 900.0), calibration()
    result = found(nominal, certificate)
    sd = drawn(nominal, certificate, 2000, together)
    names = ("downforce_n", "front_n", "rear_n", "left_n", "x_mm")
    u = np.array([result.u95[name] for name in names]) / 1.96
    assert (u > 0.95 * sd).all()
    if together:
        assert u[:4] == pytest.approx(sd[:4], rel=0.06)
    else:
        assert u[4] == pytest.approx(sd[4], rel=0.06)


def test_what_the_columns_share_does_not_average_down(even_floor):
    area = 0.38 * 0.16
    only = calibration(own=np.zeros((2, 2)), shared={"gravity": np.array([0.0, 1e-3])})
    result = found(np.full((400, 4), 1000.0), only)
    # derived: 0.1 % of 1000 Pa over the whole floor, however many taps
    assert result.u95["downforce_n"] == pytest.approx(1.96 * 1.0 * area, rel=1e-3)
    assert result.u95["suction_pa"] == pytest.approx(1.96, rel=1e-3)
    # a scale common to all does not move the centre
    assert result.u95["x_mm"] == pytest.approx(0, abs=1e-9)


def test_a_zero_taken_off_takes_the_offset_of_the_calibration_with_it(even_floor):
    nominal = np.full((400, 4), 1000.0)
    only = calibration(own=np.array([[4.0, 0.0], [0.0, 0.0]]), shared={})
    assert found(nominal, only).u95["suction_pa"] == pytest.approx(1.96 * 2.0, rel=1e-3)
    tared = dataclasses.replace(untouched(4), how="zero", u_pa=np.full(4, 0.5), nominal_pa=np.zeros(4))
    # derived: what is left is the tare's own 0.5 Pa, four taps of equal area halve it
    areas = np.array([tap for tap in tap_loads(CAR, Table.of(nominal), []).matrices[15].area_m2])
    expected = 0.5 * np.sqrt(np.square(areas / areas.sum()).sum())
    assert found(nominal, only, tared).u95["suction_pa"] == pytest.approx(1.96 * expected, rel=1e-3)


def test_what_sensors_of_one_make_do_alike_does_not_average_down(even_floor):
    areas = tap_loads(CAR, Table.of(np.ones((1, 4))), []).matrices[15].area_m2
    # derived: four loops of 6 Pa on the same side are one of 6 Pa under the whole floor
    loops = calibration(own=np.zeros((2, 2)), shared={}, hysteresis_pa=6.0)
    result = found(np.full((400, 4), 1000.0), loops)
    assert result.u95["downforce_n"] == pytest.approx(1.96 * 6 / np.sqrt(12) * areas.sum(), rel=1e-3)
    # and a course that is given counts by where on the range the car runs
    bent = calibration(own=np.zeros((2, 2)), shared={}, course_u_pa=np.linspace(0.0, 10.0, 11))
    for pa, expected in ((500.0, 2.5), (1500.0, 7.5)):
        result = found(np.full((400, 4), pa), bent)
        assert result.u95["downforce_n"] == pytest.approx(1.96 * expected * areas.sum(), rel=1e-3)


def test_a_curved_calibration_counts_by_the_mean_of_the_squares(even_floor):
    spread = np.diag([0.0, 0.0, 1e-12])
    line = np.array([0.0, 1.0, 0.0])
    curved = ColumnCalibration("x", line, spread, (0.0, 2000.0), 1.0, coverage_factor=1.959964)
    columns = {f"p{i + 1}": curved for i in range(4)}
    certificate = Calibration("2026-01-01T00:00:00Z", {}, 9.80665, "", columns)
    nominal = np.repeat([[0.0], [1000.0]], 200, axis=0) * np.ones((1, 4))
    # derived: half the rows at 1000 Pa: u(b2) mean(x^2) = 1e-6 * 5e5 Pa, not 1e-6 * (500 Pa)^2
    assert found(nominal, certificate).u95["suction_pa"] == pytest.approx(1.96 * 0.5, rel=1e-3)


def test_readings_of_a_dead_tap_do_not_count_as_pressure():
    certificate = calibration()
    nominal = np.full((1000, 4), 1000.0)
    good = found(nominal, certificate)
    dead = nominal.copy()
    dead[500:, 2] = 0.0
    faulted = [(2, 500, 1000)]
    # an even suction is known from the others, whatever the loose hose reads
    assert found(dead, certificate, faulted=faulted).u95["downforce_n"] == pytest.approx(
        good.u95["downforce_n"], rel=0.1
    )
    # pinned: counted as pressure it makes the taps differ by a quarter of their mean: 9 times as uncertain
    assert found(dead, certificate).u95["downforce_n"] > 5 * good.u95["downforce_n"]


def test_an_axle_without_a_tap_is_less_certain():
    certificate = calibration()
    nominal = uneven_run()
    faulted = [(tap, 1000, len(nominal)) for tap in (2, 3)]
    whole, part = found(nominal, certificate), found(nominal, certificate, faulted=faulted)
    # what the front taps tell of the rear is a guess: its load is the less certain, in every sense
    assert part.u95["rear_n"] > 2 * whole.u95["rear_n"]
    assert part.u95["rear_n"] > part.u95["front_n"]


def test_what_no_pair_of_taps_spans_is_not_measured():
    floor = [(0, -50), (200, -50), (200, 50), (0, 50)]
    one = found(np.full((400, 1), 1000.0), calibration(), car=bare_car(floor, [(50, 0)]))
    along = found(np.full((400, 2), 1000.0), calibration(), car=bare_car(floor, [(50, 0), (150, 9)]))
    aside = found(np.full((400, 2), 1000.0), calibration(), car=bare_car(floor, [(50, 10), (150, 30)]))
    both = found(np.full((400, 2), 1000.0), calibration(), car=bare_car(floor, [(50, -30), (150, 30)]))
    unknown = [{n for n, v in r.u95.items() if v is None} for r in (one, along, aside, both)]
    # derived: 9 mm are less than a tenth of a floor of 100 mm; taps on one side tell nothing of the other
    assert unknown == [
        {"x_mm", "y_mm", "left_n", "right_n"},
        {"y_mm", "left_n", "right_n"},
        {"left_n", "right_n"},
        set(),
    ]
    for result, names in zip((one, along, aside, both), unknown, strict=True):
        assert {n for n in QUANTITIES if getattr(result.means, n) is None} == names


def test_the_suction_is_that_of_the_taps_and_the_force_that_of_the_floor():
    result = found(uneven_run(), calibration())
    # derived: with the unseen floor left out, force is suction times area, and so is its uncertainty
    area = 0.38 * 0.16
    bare = np.hypot(*(result.sources_n[name] for name in ("calibration", "zero")))
    assert result.u95["suction_pa"] == pytest.approx(1.96 * bare / area, rel=1e-3)
    assert result.u95["downforce_n"] > 3 * result.u95["suction_pa"] * area


def test_few_taps_know_less():
    floor = [(0, -80), (320, -80), (320, 80), (0, 80)]
    spots = [(80, -40), (240, 40), (80, 40), (240, -40), (160, 0), (30, 0), (290, 0), (160, -65)]
    u95 = [
        found(np.full((400, n), 1000.0), certificate, car=bare_car(floor, spots[:n])).u95["downforce_n"]
        for n in (1, 2, 4, 8)
        for certificate in [dataclasses.replace(calibration(), columns=dict.fromkeys(COLUMNS, ALIKE))]
    ]
    # fewer know clearly less, one hardly more than the order of 51 N; taps that agree never make it certain
    assert all(few > 1.3 * more for few, more in itertools.pairwise(u95)), u95
    assert u95[0] > 0.15 * 51.2
    assert u95[-1] > 0


def test_without_a_calibration_nothing_is_claimed():
    pa = np.full((100, 4), 1000.0)
    suction = TapSuction(Table.of(pa), Table.of(pa), {}, {})
    result = mean_uncertainty(
        np.ones(100, bool), tap_loads(CAR, suction.pa, []), suction, untouched(4), CAR, None, 200.0
    )
    assert set(result.u95.values()) == {None}
    assert set(result.u95) == set(QUANTITIES)
    assert result.means.downforce_n == pytest.approx(1000 * 0.38 * 0.16)


ONE = np.ones((1, 1))


def ar1(phi, rows, n, rng):
    out = np.empty((rows, n))
    out[:, 0] = rng.normal(size=rows)
    kicks = rng.normal(scale=np.sqrt(1 - phi * phi), size=(rows, n))
    for k in range(1, n):
        out[:, k] = phi * out[:, k - 1] + kicks[:, k]
    return out


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.75])
def test_effective_rows_of_autocorrelated_noise(phi):
    # published: for AR(1) noise the effective number of rows is n (1 - phi)/(1 + phi) (Bayley and Hammersley
    # 1946, from memory); and by Monte Carlo, the standard deviation of 400 means
    n = 4000
    series = ar1(phi, 400, n, np.random.default_rng(5))
    guessed = [mean_scatter(one[:, None], ONE, 200.0) for one in series]
    actual = series.mean(axis=1).std(ddof=1)
    # 400 means know it to 3.5 %; batches of 50 rows miss 1/50 of a correlation of seven rows
    assert np.mean([g.standard[0] for g in guessed]) == pytest.approx(actual, rel=0.1)
    rows = np.median([g.effective_rows for g in guessed])
    assert rows == pytest.approx(n * (1 - phi) / (1 + phi), rel=0.15)


def test_throttle_work_is_no_noise():
    rng = np.random.default_rng(2)
    n = 20_000
    noise = rng.normal(size=n)
    work = 500 * (np.arange(n) // 2000 % 2) + 100 * np.sin(np.arange(n) / 3000)
    quiet, busy = (mean_scatter(s[:, None], ONE, 200.0).standard[0] for s in (noise, noise + work))
    assert busy == pytest.approx(quiet, rel=0.15)
    assert quiet == pytest.approx(1 / np.sqrt(n), rel=0.15)


def test_too_few_rows_claim_nothing():
    assert mean_scatter(np.ones((7, 1)), ONE, 200.0).batches == 0
    nominal = np.full((7, 4), 900.0)
    said = found(nominal, calibration()).notices
    assert any(notice.startswith("7 rows are too few") for notice in said)


@pytest.mark.parametrize("n", some([20], [8, 100, 1000]))
def test_intervals_of_short_runs_cover_what_they_say(n):
    rng = np.random.default_rng(n)
    hits = 0
    for _ in range(1000):
        noise = rng.normal(size=(n, 1))
        scatter = mean_scatter(noise, ONE, 200.0)
        hits += abs(noise.mean()) <= student_quantile(scatter.dof) * scatter.standard[0]
    # derived: binomial, 950 +- 6.9; three standard deviations below, and a few degrees of freedom cut to a
    # whole number make the interval too wide rather than too narrow
    assert 929 <= hits <= 985


def test_intervals_cover_what_they_say(even_floor):
    """95 % of the intervals hold the truth, with calibration and noise drawn anew each time."""
    truth_pa, root, rng = 900.0, np.linalg.cholesky(OWN), np.random.default_rng(3)
    certificate = calibration()
    area, hits, runs = 0.38 * 0.16, 0, 300
    for _ in range(runs):
        off = root @ rng.normal(size=2) + sum(rng.normal() * s for s in SHARED.values())
        b = (
            certificate.columns["p1"].coefficients + off
        )  # the true line; the certificate's is off by that much
        nominal = np.tile((truth_pa - b[0]) / b[1] + ar1(0.5, 1, 600, rng).T, (1, 4))
        result = found(nominal, certificate)
        hits += abs(result.means.downforce_n - truth_pa * area) <= result.u95["downforce_n"]
    # derived: binomial, 285 +- 3.8; three standard deviations, and intervals may be a little wide
    assert 273 <= hits <= 299


def test_noise_of_chosen_readings_is_that_of_a_copy_of_them():
    rng = np.random.default_rng(3)
    readings, rows = rng.normal(0, 1, (30_000, 4)), np.flatnonzero(rng.random(30_000) < 0.6)
    weights = rng.normal(0, 1, (3, 4))
    chosen, copied = (
        mean_scatter(readings, weights, 200.0, rows),
        mean_scatter(readings[rows], weights, 200.0),
    )
    np.testing.assert_array_equal(chosen.standard, copied.standard)
    assert (chosen.effective_rows, chosen.batches) == (copied.effective_rows, copied.batches)

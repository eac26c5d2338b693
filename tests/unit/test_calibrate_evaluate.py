"""From points to a calibration: known sensors are found again, bad points are refused."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from fakes.board import device_note
from undertray.acquire.device import Device
from undertray.calibrate.accuracy import depart_together, departs, made_worse, nominal_accuracies_pa
from undertray.calibrate.curve import hysteresis
from undertray.calibrate.evaluate import Setup, calibrate
from undertray.calibrate.findings import column_remarks
from undertray.calibrate.liquid_column import Budget, column_pressure_pa
from undertray.calibrate.points import Points
from undertray.errors import CalibrationError
from undertray.report.calibrationwords import details

HEIGHTS = np.array([0.0, 20, 40, 60, 80, 100, 80, 60, 40, 20, 0])
UP = np.arange(11) < 6
WHEN = "2026-05-02T10:15:00Z"


def sensor(b0=4.0, b1=1.03, b2=0.0, noise_pa=0.0, loop_pa=0.0, seed=0, heights=HEIGHTS, up=UP):
    """Nominal suction of a sensor whose calibration is b0 + b1 x + b2 x^2."""
    true = column_pressure_pa(heights, 20.0)
    x = (true - b0) / b1 if b2 == 0 else (-b1 + np.sqrt(b1**2 - 4 * b2 * (b0 - true))) / (2 * b2)
    x = x + np.random.default_rng(seed).normal(0, noise_pa, len(x)) if noise_pa else x
    return x + np.where(up, 0, loop_pa * np.sin(np.pi * heights / heights.max()))


def points(*sensors, heights=HEIGHTS, up=UP):
    return Points(tuple(f"p{i + 1}" for i in range(len(sensors))), heights, up, np.column_stack(sensors))


def one(nominal, setup=None, **kwargs):
    return calibrate(points(nominal, **kwargs), setup or Setup(), made_utc=WHEN).columns["p1"]


def test_a_perfect_sensor_is_found_again():
    column = one(sensor())
    np.testing.assert_allclose(column.coefficients, [4.0, 1.03], rtol=1e-9)
    assert column.residual_sd_pa < 1e-9
    assert column.hysteresis_pa == pytest.approx(0, abs=1e-9)
    assert column.repeatability_pa is None
    assert column.linearity_pa == pytest.approx(0, abs=1e-9)
    assert column.range_pa == pytest.approx((-4 / 1.03, (column_pressure_pa(100.0, 20.0) - 4) / 1.03))


def test_several_sensors_at_once():
    done = calibrate(
        points(sensor(), sensor(-7, 0.97)), Setup(), made_utc=WHEN, uid="ab", parts={"p2": "sdp"}
    )
    np.testing.assert_allclose(done.columns["p2"].coefficients, [-7, 0.97], rtol=1e-9)
    assert (done.uid, done.columns["p1"].part, done.columns["p2"].part) == ("ab", "", "sdp")
    text = "\n".join(details(done))
    assert "p1" in text
    assert "the column, not the sensor, is the limit" in text


def test_hysteresis_is_seen():
    column = one(sensor(loop_pa=5.0))
    # derived: the loop is 5 sin(pi h / 100), largest among the heights of 20 mm at 40 and 60
    assert column.hysteresis_pa == pytest.approx(5 * np.sin(0.4 * np.pi), rel=0.04)  # the 3 % is b1
    assert len(column.coefficients) == 2


def test_a_curved_sensor_gets_a_parabola_and_a_noisy_one_does_not():
    curved = one(sensor(b2=3e-5, noise_pa=0.3))
    assert len(curved.coefficients) == 3
    assert curved.coefficients[2] == pytest.approx(3e-5, rel=0.1)  # four of its standard errors
    assert curved.facts["curve_p_value"] < 1e-6
    assert len(one(sensor(noise_pa=2.0)).coefficients) == 2
    assert len(one(sensor(b2=3e-5, noise_pa=0.3), Setup(curve="line")).coefficients) == 2
    assert len(one(sensor(noise_pa=2.0), Setup(curve="parabola")).coefficients) == 3


@pytest.mark.parametrize(("sensors", "most"), [(100, 4), pytest.param(300, 9, marks=pytest.mark.statistics)])
def test_a_parabola_that_chance_would_give_is_rare(sensors, most):
    # derived: the test's own level is 1 %; 300 straight noisy sensors give 3 on average and, with
    # probability 0.999, at most 9, and 100 with 0.996 at most 4 (Poisson)
    taken = sum(len(one(sensor(noise_pa=1.0, seed=seed)).coefficients) == 3 for seed in range(sensors))
    assert taken <= most


def test_scatter_beyond_the_stated_errors_is_said_and_counts():
    calm = Setup(budget=Budget(reading_mm=0.05, zero_mm=0.05, sensor_pa=0.1))
    wild = one(sensor(noise_pa=8.0), calm)
    assert wild.facts["from_scatter"]
    assert wild.facts["p_value"] < 0.001
    assert wild.coverage_factor > 2.2  # Student's t for 9 degrees of freedom is 2.26
    assert wild.standard_uncertainty_pa(500.0) > 2
    quiet = one(sensor(noise_pa=0.3), calm)
    assert not quiet.facts["from_scatter"]
    assert quiet.coverage_factor == pytest.approx(1.96, abs=1e-3)


def test_shared_sources_are_part_of_the_covariance():
    column = one(sensor())
    shared = sum(np.outer(moved, moved) for moved in column.shared.values())
    rest = column.covariance - shared
    assert np.all(np.linalg.eigvalsh(rest) > 0)
    # a ruler 0.05 % too long (half width) makes every pressure too small by up to that
    assert column.shared["ruler"][1] / column.coefficients[1] == pytest.approx(5e-4 / 3**0.5, rel=1e-6)
    assert column.shared["ruler"][0] == pytest.approx(4.0 * 5e-4 / 3**0.5, rel=1e-6)


def test_open_ports_make_the_zero_certain():
    read = one(sensor())
    opened = one(sensor(), Setup(zero_open=True))
    assert opened.standard_uncertainty_pa(0.0) < 0.6 < 3 < read.standard_uncertainty_pa(0.0)


@pytest.mark.parametrize(
    ("keep", "said"),
    [
        (np.arange(4), "too few points, got '4', expected at least 5"),
        (
            np.arange(1, 10),
            "no zero point, got 'lowest height 20 mm', expected a reading at height 0, or below 5 mm",
        ),
        (np.array([0, 1, 9, 10, 1]), "too few heights"),
    ],
)
def test_points_that_cannot_carry_a_calibration(keep, said):
    with pytest.raises(CalibrationError, match=said):
        one(sensor()[keep], heights=HEIGHTS[keep], up=UP[keep])


def test_a_range_that_is_too_short():
    assert one(sensor(), Setup(working_pa=970.0))
    with pytest.raises(
        CalibrationError, match=r"do not cover the working suction.* raise the column to 123 mm"
    ):
        one(sensor(), Setup(working_pa=1200.0))  # 1200 / 9.7769 = 122.7


def test_swapped_ports_are_said_to_be_swapped():
    with pytest.raises(CalibrationError, match=r"p1: .*ports are swapped, got .* move the hose"):
        one(-sensor(noise_pa=1.0))


@pytest.mark.parametrize("nominal", [np.zeros(11), np.random.default_rng(1).normal(0, 1, 11)])
def test_a_sensor_off_its_hose(nominal):
    with pytest.raises(CalibrationError, match=r"does not (change|follow)"):
        one(nominal)


def test_same_points_same_bytes():
    first = calibrate(points(sensor(noise_pa=1.0)), Setup(), made_utc=WHEN).as_text()
    assert calibrate(points(sensor(noise_pa=1.0)), Setup(), made_utc=WHEN).as_text() == first


def test_hysteresis_needs_both_directions():
    assert hysteresis([]) is None


@pytest.mark.parametrize(
    ("factor", "how"),
    [(0.1, "cm for mm"), (0.5, "one meniscus of two"), (2.0, "the wrong range"), (1 / 25.4, "inches for mm")],
)
def test_a_factor_between_column_and_sensor_is_somebodys_slip(factor, how):
    with pytest.raises(CalibrationError, match="differ by a factor") as caught:
        one(sensor(), heights=HEIGHTS * factor)
    assert "heights are in mm" in str(caught.value)


def test_a_sensor_off_by_far_more_than_its_data_sheet_allows_is_still_calibrated():
    for b1 in (0.8, 1.3):
        assert one(sensor(b1=b1)).coefficients[1] == pytest.approx(b1)


def test_stated_errors_that_are_too_large_are_named_too():
    # 0.05 Pa of scatter where some 4 Pa are stated
    told = "\n".join(details(calibrate(points(sensor(noise_pa=0.05)), Setup(), made_utc=WHEN)))
    assert re.search(r"scatter only 0\.0\d times as much as was stated: the stated error of reading", told)
    # and what is as likely as not is called what was expected, on either side of the middle
    tails = [
        (0.949, "scatter as the stated errors predict"),
        (0.951, "looks too large"),
        (0.051, "scatter as the stated errors predict"),
    ]
    for p, words in tails:
        done = one(sensor(noise_pa=0.05))
        column = replace(done, facts={**done.facts, "p_value": p, "from_scatter": False})
        assert words in "\n".join(column_remarks(column))


@pytest.mark.parametrize(
    ("draws", "within"), [(100, 0.25), pytest.param(400, 0.15, marks=pytest.mark.statistics)]
)
def test_standardised_residuals_have_the_spread_they_claim(draws, within):
    setup = Setup(zero_open=True, curve="line")
    pa_per_mm = setup.tube.gain * setup.conditions.pa_per_mm
    u_pa = setup.budget.reading_pa(setup.tube, setup.conditions)
    shared = setup.budget.shared_pa(HEIGHTS, setup.tube, setup.conditions, zero_open=True)
    rng = np.random.default_rng(5)
    found = []
    for _ in range(draws):
        true = HEIGHTS * pa_per_mm + np.where(HEIGHTS > 0, rng.normal(0, u_pa, 11), 0)
        true = true + sum(rng.normal() * moved for moved in shared.values())
        column = one(true + rng.normal(0, setup.budget.sensor_pa, 11), setup)
        found.append([point["standardised_residual"] for point in column.points])
    # unit variance at every point, the ends and the open zeros too; 400 draws know it to 3.5 % (one sigma),
    # 100 to 7 %
    np.testing.assert_allclose(np.std(found, axis=0), 1, atol=within)


@pytest.mark.parametrize("wrong", [(), (0,), (3,), (5,), (2, 8), (5, 6)])
def test_points_that_stand_out_are_found(wrong):
    # one that ends the range pulls the curve to itself, and two hide each other: found all the same
    x = sensor(noise_pa=0.4, seed=3)
    x[list(wrong)] += 60.0
    column = one(x, Setup(zero_open=True))
    off = {
        k: point["off_the_others_pa"] for k, point in enumerate(column.points) if "off_the_others_pa" in point
    }
    assert tuple(off) == wrong
    # 60 Pa of nominal suction are 61.8 of the column; the curve of the others is known to some 4 Pa
    assert all(size == pytest.approx(-61.8, abs=5) for size in off.values())
    assert len(column.points) == 11


def test_points_that_all_scatter_are_no_slip_of_one():
    column = one(sensor(noise_pa=25.0, seed=3), Setup(zero_open=True))
    assert column.facts["from_scatter"]
    assert not any("off_the_others_pa" in point for point in column.points)


def test_chi_squared_falls_by_the_square_of_a_standardised_residual():
    setup = Setup(zero_open=True, curve="line")
    x = sensor(noise_pa=2.0, seed=1)
    whole = one(x, setup)
    keep = np.arange(11) != 4
    rest = one(x[keep], setup, heights=HEIGHTS[keep], up=UP[keep])
    # derived: deleting a row of a linear least squares problem; errors in x make it not quite linear
    fall = whole.facts["chi_squared"] - rest.facts["chi_squared"]
    assert fall == pytest.approx(whole.points[4]["standardised_residual"] ** 2, rel=1e-3)


def test_worse_than_the_part_itself():
    slipped = sensor()
    slipped[6:] = slipped[5:-1]
    bad = one(slipped)
    assert made_worse(bad).startswith("±")
    assert not made_worse(one(sensor()))
    # nothing is known of the part of a calibration of another program
    assert not made_worse(replace(bad, facts={}))
    column = Device.from_note(device_note()).columns[0]
    # derived: 2 % of (14745 - 1638) counts of 0.38 Pa; of -2500 to 2500 Pa
    assert nominal_accuracies_pa([column]) == {"p1": pytest.approx(99.6, abs=0.1)}
    compensated = replace(column, scale={"kind": "ms5525dso", "range_pa": 2500})
    assert nominal_accuracies_pa([compensated]) == {"p1": pytest.approx(100.0)}
    for scale in ({"kind": "new"}, {"range_pa": 10**400}, {**column.scale, "max": 10**400}):
        assert nominal_accuracies_pa([replace(column, scale=scale)]) == {}


def test_a_column_and_a_part_further_apart_than_the_part_can_be_off():
    # derived: 2 % of the span of -4000 to 4000 Pa
    own = {"accuracy_pa": {"p1": 160.0, "p2": 160.0}}

    def of(*sensors):
        return calibrate(points(*sensors), Setup(), made_utc=WHEN, **own)

    # 978 Pa at the top; alcohol taken for water reads 0.79 of it: 205 Pa less, on top of a zero of any size
    wrong = of(0.79 * sensor(), 0.79 * sensor(-7.0, 0.98))
    said = departs(wrong.columns["p1"])
    # derived: 977.7 (1 - 0.79 / 1.03) Pa
    assert said.startswith("the column says 1.304 times what the part reads, +228 Pa at 747 Pa")
    assert "within 160 Pa (2 % of its span); look at the liquid (--density, --water-c)" in said
    words = "\n".join(details(wrong))
    assert "CHECK THE COLUMN: all sensors depart" in words
    assert "factor (1.241 to 1.304): that points to the column, not to the sensors" in words
    assert words.count("\n  FAR OFF ITS OWN SCALE: the column says") == 2

    # an honest part that is off by 10 %, and a zero far off, are within it
    honest = of(sensor(b1=1.1), sensor(b0=300.0))
    assert not any("FAR OFF" in line or "CHECK" in line for line in details(honest))
    # one sensor alone, or two that differ: nothing points to the column
    for several in (of(sensor(b1=1.3), sensor()), of(sensor(b1=1.3), sensor(b1=0.8))):
        assert departs(several.columns["p1"])
        assert not depart_together(several.columns)
    # nothing is known of the part of a calibration of another program
    assert not departs(replace(wrong.columns["p1"], facts={}))

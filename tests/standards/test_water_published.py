"""Water, air, gravity and the column itself against published formulas and tables."""

from __future__ import annotations

import math

import numpy as np
import pytest

from undertray.calibrate.liquid_column import Conditions, Tube, column_pressure_pa
from undertray.calibrate.surroundings import (
    air_density_kg_m3,
    normal_gravity_m_s2,
    standard_pressure_pa,
    water_density_kg_m3,
)
from undertray.errors import CalibrationError
from undertray.units import FACTORS, G_N_M_S2


# published: M. Tanaka et al., Metrologia 38 (2001) 301-309, printed table, kg/m3 to 4 decimals
@pytest.mark.parametrize(
    ("t", "rho"), [(0, 999.8428), (10, 999.7027), (15, 999.1026), (20, 998.2067), (30, 995.6488)]
)
def test_water_density_as_printed(t, rho):
    assert water_density_kg_m3(t) == pytest.approx(rho, abs=5.1e-5)  # half a unit of the last digit


def test_water_is_densest_near_four_degrees():
    # published: Tanaka et al. 2001, maximum 999.974950 kg/m3 at 3.983035 degC
    grid = np.linspace(3.9, 4.1, 2001)
    densities = [water_density_kg_m3(t) for t in grid]
    assert grid[int(np.argmax(densities))] == pytest.approx(3.983035, abs=1e-4)
    assert max(densities) == pytest.approx(999.974950, abs=1e-6)


@pytest.mark.parametrize("t", range(0, 36, 5))
def test_water_density_against_iapws95(t):
    # reference library: PyPI iapws, IAPWS R6-95; the two agree to 0.7 ppm up to 35 degC
    iapws = pytest.importorskip("iapws")
    reference = iapws.IAPWS95(T=t + 273.15, P=0.101325).rho
    assert water_density_kg_m3(t) == pytest.approx(reference, rel=2e-6)


def test_water_density_against_kell(data_csv):
    # published: Kell, J. Chem. Eng. Data 20 (1975) 97; its maximum is 3 ppm below Tanaka's
    table = data_csv("water_density.csv")
    ours = np.array([water_density_kg_m3(t) for t in table.t90_degC])
    np.testing.assert_allclose(ours, table.rho_kell1975, rtol=5e-6)
    np.testing.assert_allclose(ours, table.rho_tanaka, atol=5.1e-5)


@pytest.mark.parametrize("t", [-0.1, 40.1, math.nan, math.inf])
def test_water_beyond_the_formula_is_refused(t):
    with pytest.raises(CalibrationError, match="0 to 40"):
        water_density_kg_m3(t)
    with pytest.raises(CalibrationError):
        column_pressure_pa(100, t)


# CIPM-2007 (Metrologia 45 (2008) 149) evaluated outside this project to 5 decimals, and the same
# state from the reference library CoolProp (HAPropsSI), an independent route
AIR_ROWS = [
    (101325, 20, 0.5, 1.19931, 1.19936),
    (101325, 20, 0.0, 1.20456, 1.20460),
    (101325, 15, 0.0, 1.22552, 1.22557),
    (101325, 25, 0.5, 1.17732, 1.17736),
    (100000, 23, 0.4, 1.17173, 1.17178),
    (84000, 20, 0.3, 0.99539, 0.99542),
]


@pytest.mark.parametrize(("p", "t", "h", "cipm", "coolprop"), AIR_ROWS)
def test_air_density(p, t, h, cipm, coolprop):
    ours = air_density_kg_m3(p, t, h)
    assert ours == pytest.approx(cipm, abs=5.1e-6)
    assert ours == pytest.approx(coolprop, rel=6e-5)
    # OIML R 111-1:2004, E.3, short form (constants from memory): within 2e-4 by its own statement
    short = (0.34848 * p / 100 - 0.009 * 100 * h * math.exp(0.061 * t)) / (273.15 + t)
    assert ours == pytest.approx(short, rel=2e-4)


def test_standard_atmosphere():
    # published: ISO 2533:1975 table by geopotential height (from memory), Pa
    assert standard_pressure_pa(0) == 101325
    assert standard_pressure_pa(1000) == pytest.approx(89874.6, rel=1e-6)
    assert standard_pressure_pa(5000) == pytest.approx(54019.9, rel=1e-6)


def test_gravity_of_the_ellipsoid(data_csv):
    # published constants NIMA TR8350.2; rows evaluated with PyPI boule, equal to 1e-8 m/s2
    table = data_csv("normal_gravity.csv")
    ours = [normal_gravity_m_s2(latitude) for latitude in table.latitude_deg]
    np.testing.assert_allclose(ours, table.g_wgs84, atol=6e-9)
    assert normal_gravity_m_s2(-90) == pytest.approx(9.8321849378, abs=1e-9)  # published: polar gravity


@pytest.mark.parametrize(("height", "g"), [(100, 9.805889), (1000, 9.803113), (3000, 9.796948)])
def test_gravity_falls_with_height(height, g):
    # reference library boule 0.6.0 (exact ellipsoidal field), agrees with the series to 1e-6
    assert normal_gravity_m_s2(45, height) == pytest.approx(g, abs=1.1e-6)


@pytest.mark.parametrize(("latitude", "pa"), [(45, 977.685), (0, 975.106), (90, 980.276), (-90, 980.276)])
def test_worked_column_of_100_mm(latitude, pa):
    # worked outside this project: Tanaka 998.2067, CIPM-2007 1.1993 kg/m3, WGS 84, 20 degC, sea level
    assert column_pressure_pa(100.0, 20.0, latitude) == pytest.approx(pa, abs=6e-4)


def test_worked_column_at_standard_gravity():
    known = Conditions(20.0, gravity_m_s2=G_N_M_S2)
    assert 100 * known.pa_per_mm == pytest.approx(977.73, abs=6e-3)  # worked, as above
    without_air = 100 * known.density_kg_m3 * known.gravity / 1000
    assert without_air == pytest.approx(978.906, abs=6e-4)  # worked: leaving the air out is +0.12 %


def test_a_height_is_not_the_unit():
    # worked: one real inch at 20 degC, 45 deg, in air is 248.33 Pa, 0.30 % below the unit
    real = column_pressure_pa(25.4, 20.0, 45)
    assert real == pytest.approx(248.33, abs=6e-3)
    assert real / FACTORS["pressure"]["inH2O"] - 1 == pytest.approx(-0.0030, abs=5e-5)


def test_column_takes_arrays_and_keeps_the_sign():
    heights = np.array([[0.0, 10.0], [-10.0, 2500.0]])
    pressures = column_pressure_pa(heights, 20.0)
    assert pressures.shape == heights.shape
    assert pressures[1, 0] == -pressures[0, 1] == -column_pressure_pa(10.0, 20.0)
    assert isinstance(column_pressure_pa(10.0, 20.0), float)


@pytest.mark.parametrize(
    "arguments",
    [(math.nan, 20), (100, 20, 91), (100, 20, math.nan), (100, 20, 45, 9001), (100, 20, 45, -501)],
)
def test_impossible_conditions_are_refused(arguments):
    with pytest.raises(CalibrationError):
        column_pressure_pa(*arguments)


# derived: gain 1/sin(angle), as manometer makers number their inclined tubes (common practice, no source)
@pytest.mark.parametrize(("angle", "gain"), [(5.739, 10.0), (14.478, 4.0), (30.0, 2.0), (90.0, 1.0)])
def test_inclined_tube(angle, gain):
    assert 1 / Tube(incline_deg=angle).gain == pytest.approx(gain, rel=2e-4)  # angle to 3 decimals


# derived: h = R (1 + (d/D)^2)
@pytest.mark.parametrize(("bore", "well", "percent"), [(6, 75, 0.64), (6, 40, 2.25), (10, 100, 1.0)])
def test_well_tube(bore, well, percent):
    assert Tube(limbs=1, bore_mm=bore, well_mm=well).gain == pytest.approx(1 + percent / 100, abs=5e-5)


def test_one_of_two_equal_limbs_counts_double():
    assert Tube(limbs=1).gain == 2.0


@pytest.mark.parametrize(("angle", "cost"), [(5.739, 0.0174), (14.478, 0.0068), (30.0, 0.0030)])
def test_an_angle_error_of_a_tenth_of_a_degree(angle, cost):
    # derived outside this project: d(sin a)/sin a
    assert Tube(incline_deg=angle).tilt_error(0.1) == pytest.approx(cost, abs=6e-5)


@pytest.mark.parametrize(("tilt", "percent"), [(1, 0.015), (2, 0.061)])
def test_tilt_of_an_upright_tube(tilt, percent):
    assert 100 * Tube().tilt_error(tilt) == pytest.approx(percent, abs=5e-4)  # derived: 1 - cos


def test_one_limb_that_leans_or_both():
    # derived: 60 mm read along two limbs at 30 degrees stand 30 mm high; with one of them upright each
    # meniscus has moved by 30 mm, one of them 15 mm in height: 45 mm
    assert 60 * Tube(incline_deg=30.0).gain == pytest.approx(30.0)
    assert 60 * Tube(incline_deg=30.0, leaning="both").gain == pytest.approx(30.0)
    assert 60 * Tube(incline_deg=30.0, leaning="one").gain == pytest.approx(45.0)
    # derived: one of two equal limbs read, 30 mm along it: 15 mm up, and the other falls 30 mm upright or 15
    assert 30 * Tube(limbs=1, incline_deg=30.0).gain == pytest.approx(45.0)
    assert 30 * Tube(limbs=1, incline_deg=30.0, leaning="both").gain == pytest.approx(30.0)
    # derived: only the leaning half tilts, so one limb that leans costs a third of what both do
    both, one = (Tube(incline_deg=30.0, leaning=how) for how in ("both", "one"))
    assert one.tilt_error(0.1) == pytest.approx(both.tilt_error(0.1) / 3, rel=1e-9)

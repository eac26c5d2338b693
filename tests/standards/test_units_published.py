"""Unit factors against NIST SP 811 and the trade's own rule of thumb."""

from __future__ import annotations

import pytest

from undertray.calibrate.liquid_column import Conditions, column_pressure_pa
from undertray.units import quantity


# published: NIST SP 811 (2008), B.8, to 7 digits (from memory where the data file does not list it)
@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("1 lbf", "N", 4.448222),
        ("1 ozf", "N", 2.780139e-1),
        ("1 kgf", "N", 9.80665),
        ("1 lb", "kg", 4.535924e-1),
        ("1 oz", "kg", 2.834952e-2),
        ("1 in2", "m2", 6.4516e-4),
        ("1 ft2", "m2", 9.290304e-2),
        ("1 psi", "Pa", 6.894757e3),
        ("1 psf", "Pa", 4.788026e1),
        ("1 inH2O", "Pa", 2.490889e2),
        ("1 mmH2O", "Pa", 9.80665),
        ("1 cmH2O", "Pa", 98.0665),
        ("1 mbar", "Pa", 100.0),
        ("1 mph", "m/s", 4.4704e-1),
        ("1 ft", "m", 3.048e-1),
    ],
)
def test_sp_811(text, unit, value):
    assert quantity(text, unit, "here") == pytest.approx(value, rel=2e-7)


@pytest.mark.parametrize(
    ("water_c", "row"),
    [
        (4.0, "inH2O_4C_tanaka"),
        (15.5556, "inH2O_60F_tanaka"),
        (20.0, "inH2O_20C_68F_tanaka"),
        (25.0, "inH2O_25C_tanaka"),
    ],
)
def test_an_inch_of_a_real_column(data_csv, water_c, row):
    # derived: Tanaka 2001 times standard gravity, in vacuum; SP 811 prints 249.082 (4), 248.84 (60 degF).
    # The program's column stands in air, whose own density comes off
    table = data_csv("pressure_units.csv").set_index("unit").pascal
    here = Conditions(water_c, gravity_m_s2=9.80665)
    in_vacuum = 25.4 * here.pa_per_mm + here.air_density_kg_m3 * 9.80665 * 0.0254
    assert in_vacuum == pytest.approx(table[row], abs=5.1e-5)
    # published: moist air of 20 degC, 101 325 Pa and half its moisture has 1.1993 kg/m3 (CIPM-2007)
    if water_c == 20.0:
        assert here.air_density_kg_m3 == pytest.approx(1.1993, abs=2e-4)


def test_ten_pounds_over_120_square_inches():
    # common practice, no source: 10 lbf over 120 in2 is "about 2.31 inches of water"
    pa = quantity("10 lbf", "N", "here") / quantity("120 in2", "m2", "here")
    assert pa == pytest.approx(quantity("2.31 inH2O", "Pa", "here"), rel=2e-3)
    # worked outside this project: 58.77 mm of a real column at 20 degC and 45 degrees, 58.59 as the unit
    assert pa == pytest.approx(column_pressure_pa(58.77, 20.0, 45), rel=1e-4)
    assert pa == pytest.approx(quantity("58.59 mmH2O", "Pa", "here"), rel=1e-4)


def test_reading_both_limbs_by_eye():
    # derived (GUM 4.3.7): half a millimetre each, rectangular, two limbs: 0.408 mm, 4.0 Pa
    from undertray.calibrate.liquid_column import Budget, Tube

    here = Conditions(20.0)
    u = Budget(reading_mm=0.5).reading_pa(Tube(), here)
    assert u / here.pa_per_mm == pytest.approx(0.408, abs=5.1e-4)
    assert u == pytest.approx(4.0, abs=0.02)

"""Unit factors against NIST SP 811 and the trade's own rule of thumb."""

from __future__ import annotations

import pytest

from undertray.calibrate.column import Conditions
from undertray.calibrate.fluid import water_density_kg_m3
from undertray.calibrate.water import column_pressure_pa
from undertray.units import FACTORS, G_N_M_S2, quantity

PRESSURE = FACTORS["pressure"]


# exact by the definitions of inch, pound and standard gravity; listed in NIST SP 811 (2008), B.8
@pytest.mark.parametrize(
    ("unit", "row"),
    [
        ("psi", "psi"),
        ("psf", "psf"),
        ("mbar", "mbar"),
        ("inH2O", "inH2O_conventional"),
        ("mmH2O", "mmH2O_conventional"),
        ("cmH2O", "cmH2O_conventional"),
    ],
)
def test_pressure_factors(data_csv, unit, row):
    table = data_csv("pressure_units.csv").set_index("unit").pascal
    assert PRESSURE[unit] == pytest.approx(table[row], rel=1e-15)


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
def test_inches_of_water_at_a_temperature(data_csv, water_c, row):
    # derived: Tanaka 2001 times standard gravity; SP 811 prints 249.082 (4 degC) and 248.84 (60 degF)
    table = data_csv("pressure_units.csv").set_index("unit").pascal
    ours = water_density_kg_m3(water_c) * G_N_M_S2 * 0.0254
    assert ours == pytest.approx(table[row], abs=5.1e-5)


def test_ten_pounds_over_120_square_inches():
    # common practice, no source: 10 lbf over 120 in2 is 0.0833 psi, "about 2.31 inches of water"
    pa = quantity("10 lbf", "N", "here") / quantity("120 in2", "m2", "here")
    assert pa / PRESSURE["psi"] == pytest.approx(1 / 12, rel=1e-14)
    assert pa / PRESSURE["psf"] == pytest.approx(12, rel=1e-14)
    assert pa == pytest.approx(574.5631, abs=5.1e-5)
    assert pa / PRESSURE["inH2O"] == pytest.approx(2.31, abs=5.1e-3)
    assert pa / PRESSURE["inH2O"] == pytest.approx(2.3067, abs=5.1e-5)  # derived, to more digits
    assert pa / column_pressure_pa(1.0, 20.0, 45) == pytest.approx(58.77, abs=5.1e-3)  # mm of real column
    assert pa / PRESSURE["mmH2O"] == pytest.approx(58.59, abs=5.1e-3)  # and as the unit: not the same


def test_reading_both_limbs_by_eye():
    # derived (GUM 4.3.7): half a millimetre each, rectangular, two limbs: 0.408 mm, 4.0 Pa
    from undertray.calibrate.budget import Budget
    from undertray.calibrate.column import Tube

    here = Conditions(20.0)
    u = Budget(reading_mm=0.5).reading_pa(Tube(), here)
    assert u / here.pa_per_mm == pytest.approx(0.408, abs=5.1e-4)
    assert u == pytest.approx(4.0, abs=0.02)

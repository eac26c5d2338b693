"""Leaks and fans: relations of the standards for airtightness of buildings, and orifices."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fakes.cars import bare_car
from undertray.errors import ReductionError
from undertray.reduce.leakage import LeakLaw, fan_flow_m3_s, fit_leak, leak_area_m2, orifice_flow_m3_s

FLOOR = [(0, 0), (100, 0), (100, 100), (0, 100)]


@pytest.mark.parametrize(("pa", "litre_s"), [(10, 0.2490), (100, 0.7875), (574.56, 1.8877), (1000, 2.4903)])
def test_flow_through_one_square_centimetre(pa, litre_s):
    # textbook orifice relation at Cd 0.61 and 1.2 kg/m3, worked outside this project
    assert orifice_flow_m3_s(1e-4, pa) * 1e3 == pytest.approx(litre_s, abs=6e-5)


def test_jet_speed_and_the_slit_of_free_streamline_theory():
    # a jet at 574.56 Pa: sqrt(2 dp/rho) = 30.95 m/s
    assert orifice_flow_m3_s(1.0, 574.56, 1.0) == pytest.approx(30.95, abs=0.005)
    # published: the jet of a slit contracts to pi/(pi + 2) of it (Kirchhoff); the sharp edge that the program
    # takes where nobody says better flows as that slit within the 0.60 to 0.62 that handbooks give
    slit = 30.95 * math.pi / (math.pi + 2)
    assert orifice_flow_m3_s(1.0, 574.56) == pytest.approx(slit, rel=0.01 / 0.61)


CFM = 0.3048**3 / 60  # m3/s by definition
IN2 = 0.0254**2


def test_effective_leakage_area_per_flow_at_50_pa():
    # published: with n = 0.65 and 1.2041 kg/m3 the area at 4 Pa in in2 is CFM50/18.2 (after ASHRAE Handbook
    # of Fundamentals 2009, equations 41 and 42 of its ventilation chapter)
    leak = LeakLaw(1000 * CFM / 50**0.65, 0.65)
    assert 1000 / (leak.area_m2() / IN2) == pytest.approx(18.2, abs=0.05)
    # common rule: the area at 10 Pa and Cd 0.611 is CFM50/10 within a few per cent (0.1032 computed)
    assert leak.area_m2(10.0, 0.611) / IN2 / 1000 == pytest.approx(0.1032, abs=5e-5)


@pytest.mark.parametrize(
    ("pa", "discharge", "cm2"), [(4.0, 1.0, 477.63), (10.0, 1.0, 548.01), (10.0, 0.611, 896.90)]
)
def test_reference_pressures_of_the_standards(pa, discharge, cm2):
    # ASTM E779 (4 Pa, 1), ISO 9972 (10 Pa, 1; this pair from memory) and the Canadian EqLA (10 Pa, 0.611);
    # worked outside this project for C = 0.05 m3/(s Pa^0.65), n = 0.65
    assert LeakLaw(0.05, 0.65).area_m2(pa, discharge) * 1e4 == pytest.approx(cm2, abs=0.006)


def test_a_leak_law_is_given_back():
    pa = np.array([60.0, 150.0, 400.0, 1200.0])
    found = fit_leak(0.004 * pa**0.58, pa)
    assert (found.coefficient, found.exponent) == pytest.approx((0.004, 0.58))
    with pytest.raises(ReductionError, match="too few"):
        fit_leak([0.1, 0.1, 0.1], [100.0, 100.0, 100.0])


def test_a_sharp_hole_is_found_at_any_speed():
    """The area comes back from where fan curve and orifice meet, whatever the speed."""
    car = bare_car(FLOOR, [(50, 50)], fan_curve=((0.0, 0.02), (1000.0, 0.012), (2200.0, 0.0)))
    area = 3e-4
    for speed in (0.4, 0.7, 1.0):
        low, high = 0.0, 2200.0 * speed**2
        for _ in range(100):
            middle = (low + high) / 2
            more = fan_flow_m3_s(car, middle, speed) > orifice_flow_m3_s(area, middle)
            low, high = (middle, high) if more else (low, middle)
        assert leak_area_m2(car, low, speed) == pytest.approx(area, rel=1e-9)
        # fan laws on one leak: dp ~ N^2
        if speed == 0.4:
            first = low
    assert first / low == pytest.approx(0.16, rel=1e-9)


def test_fan_laws_of_the_curve():
    # published: Q ~ N and dp ~ N^2; at 80 % speed 0.80 and 0.64
    car = bare_car(FLOOR, [(50, 50)], fan_curve=((0.0, 0.02), (1000.0, 0.012), (2200.0, 0.0)))
    assert fan_flow_m3_s(car, 640.0, 0.8) == pytest.approx(0.8 * 0.012)
    assert np.isnan(fan_flow_m3_s(car, 2201.0, 1.0))
    assert np.isnan(leak_area_m2(bare_car(FLOOR, [(50, 50)]), 500.0, 1.0))

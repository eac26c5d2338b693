"""The floor-field model against closed forms: it has to be right before it may judge anything."""

from __future__ import annotations

import numpy as np
import pytest

from fakes.floor_field import MU_PA_S, NU_M2_S, RHO_KG_M3, Fan, Plenum, drawn, solve

DEMO_MM = [(-45, -55), (-20, -85), (295, -85), (295, 85), (-20, 85), (-45, 55)]


def channel(height_m, flow_m3_s, roughness):
    """A slot 0.5 m long and 20 mm wide, open at x = 0 alone, sucked at its far end."""
    return Plenum(
        ((0, 0), (0.5, 0), (0.5, 0.02), (0, 0.02)),
        lambda x, y: height_m,
        lambda x, y: np.where(x < 1e-9, 0.003, 0.0),
        (Fan(0.485, 0.01, 0.012, flow_m3_s),),
        roughness,
        cell_m=0.005,
    )


def slope_pa_m(field):
    """Fall of head along the channel, between its inlet and its fan."""
    middle = (field.x_m > 0.1) & (field.x_m < 0.4)
    return np.polyfit(field.x_m[middle], field.head_pa[middle], 1)[0]


def test_a_laminar_channel_falls_as_plane_slot_flow():
    # published: flow between parallel plates, dp/dx = 12 mu q / h^3 (the crack-flow law of air leakage
    # handbooks; Reynolds 1886 without a moving wall). Cells of 5 mm cut the channel into equal strips: exact
    # to the 1e-4 that the solution stops at
    field = solve(channel(0.003, 2e-5, 0.0))
    assert slope_pa_m(field) == pytest.approx(12 * MU_PA_S * (2e-5 / 0.02) / 0.003**3, rel=1e-3)


def test_a_turbulent_channel_falls_as_darcy_and_weisbach_with_blasius():
    # derived: dp/dx = f / (2 h) rho u^2 / 2, f = 0.316 Re^-1/4 at the hydraulic diameter 2 h (Darcy and
    # Weisbach, Blasius), on top of the laminar part
    q, h = 0.03, 0.004
    field = solve(channel(h, q * 0.02, 1.0))
    f = 0.316 * (2 * q / NU_M2_S) ** -0.25
    expected = f / (2 * h) * RHO_KG_M3 * (q / h) ** 2 / 2 + 12 * MU_PA_S * q / h**3
    assert slope_pa_m(field) == pytest.approx(expected, rel=5e-3)
    # derived: Bernoulli, suction at the wall stands above the head by rho u^2 / 2
    middle = (field.x_m > 0.2) & (field.x_m < 0.3)
    above = (field.suction_pa - field.head_pa)[middle]
    assert above == pytest.approx(RHO_KG_M3 / 2 * (q / h) ** 2, rel=1e-2)


def test_a_round_slot_falls_with_the_logarithm_of_the_radius():
    # derived: q = Q / (2 pi r), so the head between two radii differs by 12 mu Q / (2 pi h^3) ln(r2 / r1); a
    # square grid of 4 mm round a disc of 120 mm radius is good for 2 %
    flow, h = 2e-4, 0.003
    ring = tuple((0.12 * np.cos(a), 0.12 * np.sin(a)) for a in np.linspace(0, 2 * np.pi, 72, endpoint=False))
    field = solve(
        Plenum(ring, lambda x, y: h, lambda x, y: 0.0005, (Fan(0.0, 0.0, 0.02, flow),), 0.0, cell_m=0.004)
    )
    r = np.hypot(field.x_m, field.y_m)
    between = (r > 0.035) & (r < 0.1)
    fall = -np.polyfit(np.log(r[between]), field.head_pa[between], 1)[0]
    assert fall == pytest.approx(12 * MU_PA_S * flow / (2 * np.pi * h**3), rel=0.02)


def test_a_high_slot_is_as_even_as_its_orifice_says():
    # published: Q = Cd A sqrt(2 dp / rho) : with 40 mm of height nothing else is left
    plenum = Plenum(
        ((0, 0), (0.3, 0), (0.3, 0.16), (0, 0.16)),
        lambda x, y: 0.04,
        lambda x, y: 0.0004,
        (Fan(0.15, 0.08, 0.05, 0.004),),
    )
    field = solve(plenum)
    expected = RHO_KG_M3 / 2 * (0.004 / (0.61 * 0.0004 * 0.92)) ** 2
    assert field.mean_pa == pytest.approx(expected, rel=0.01)
    assert field.downforce_n == pytest.approx(expected * 0.048, rel=0.01)


def test_air_that_leaks_in_is_air_that_the_fans_take():
    for seed in range(6):
        field = solve(drawn(seed, DEMO_MM, cell_m=0.012))
        # the solution stops within 1e-4 of its mean; the leak goes with the root of that
        assert field.leak_m3_s == pytest.approx(field.fan_m3_s, rel=1e-3)


def test_a_finer_grid_gives_the_same_force():
    # derived: halving the cells may move the force by what a fan's rim is blurred, well below what taps miss
    for seed in (1, 5):
        coarse, fine = (solve(drawn(seed, DEMO_MM, cell_m=d)) for d in (0.01, 0.005))
        assert coarse.downforce_n == pytest.approx(fine.downforce_n, rel=0.02)
        assert coarse.centre_m[0] == pytest.approx(fine.centre_m[0], abs=0.001)


def test_the_whole_floor_counts_and_axles_share_the_force():
    field = solve(drawn(3, DEMO_MM, cell_m=0.01))
    # derived: the demo's floor, a rectangle of 315 x 170 mm and a trapezium of 25 mm
    assert field.area_m2.sum() == pytest.approx(0.315 * 0.17 + 0.025 * (0.17 + 0.11) / 2, rel=1e-3)
    front, rear = field.axles_n(0.262)
    assert front + rear == pytest.approx(field.downforce_n, rel=1e-12)
    assert rear * 0.262 == pytest.approx(float((field.area_m2 * field.suction_pa) @ field.x_m), rel=1e-9)


def test_a_tap_reads_what_stands_at_its_place():
    field = solve(drawn(1, DEMO_MM, cell_m=0.01))
    inside = (np.abs(field.y_m) < 0.07) & (field.x_m > 0) & (field.x_m < 0.28)
    # derived: at the middle of a cell it is the cell's, half way between two their mean
    read = field.at(field.x_m[inside], field.y_m[inside])
    assert read == pytest.approx(field.suction_pa[inside], rel=1e-9)
    i = int(np.flatnonzero(inside)[40])
    beside = np.isclose(field.x_m, field.x_m[i] + field.step_m[0]) & np.isclose(field.y_m, field.y_m[i])
    other = int(np.flatnonzero(inside & beside)[0])
    half = field.at(np.array([field.x_m[i] + field.step_m[0] / 2]), np.array([field.y_m[i]]))
    assert half == pytest.approx((field.suction_pa[i] + field.suction_pa[other]) / 2, rel=1e-9)

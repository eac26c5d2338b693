"""The second generator's physics by themselves: balances, operating points, time constants, fan laws.

Every expected number here is derived; the derivation stands beside it. What the project's detector makes of
the runs is no matter of this file.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from fakes.cells import some
from worlds.driver import Pulses, duty
from worlds.mishaps import leak_m2, sized
from worlds.vehicle import (
    AIR_KG_M3,
    CELLS,
    STEP_S,
    Inputs,
    Motion,
    Vehicle,
    head_pa,
    hose,
    invented,
    operating_point,
    simulate,
    through_hoses,
    torque_nm,
)


def car(seed: int, **changes: object) -> Vehicle:
    """An invented car on rigid springs with an edge that does not move, unless told otherwise."""
    still = {"follow": 0.0, "lifted": 0.0, "porosity": (0.0,) * CELLS}
    return replace(invented(np.random.default_rng(seed)), **(still | changes))  # type: ignore[arg-type]


def run(one: Vehicle, duty_of_t: np.ndarray, **given: np.ndarray) -> Motion:
    steps = len(duty_of_t)
    zero = np.zeros((steps, 1), np.float32)
    cells = np.zeros((steps, CELLS, 1), np.float32)
    inputs = Inputs(
        duty_of_t[:, None].astype(np.float32),
        duty_of_t[:, None] > 0,
        given.get("drive_a", zero),
        given.get("push", np.zeros((steps, 3, 1), np.float32)),
        given.get("road_m", cells),
        given.get("opening_m2", cells),
    )
    return simulate([one], inputs, ledger=True)


SEEDS = some([0], range(1, 6))


@pytest.mark.parametrize("seed", SEEDS)
def test_air_is_conserved(seed: int) -> None:
    """What leaks in, less what the fan takes, is stored: to rounding, also while a skirt folds."""
    opening = np.zeros((1500, CELLS, 1), np.float32)
    opening[800:, 1] = 4e-4
    out = run(invented(np.random.default_rng(seed)), np.full(1500, 0.8), opening_m2=opening)
    leak, stored = out.ledger[20:, 0, 0], out.ledger[20:, 1, 0]
    # suction grows where the fan takes more than leaks in
    assert np.abs(out.flow_m3_s[20:, 0] - leak - stored).max() < 1e-12 * leak.max() + 1e-15


@pytest.mark.parametrize("seed", SEEDS)
def test_steady_state_is_where_fan_and_leak_cross(seed: int) -> None:
    """Against a bisection of fan curve and orifices in series: 0.1 %, the rest of the run-up after 8 s."""
    one = car(seed)
    out = run(one, np.full(8000, 0.7))
    flow, cells = operating_point(one, out.speed_rad_s[-1, 0], leak_m2(one))
    assert out.flow_m3_s[-1, 0] == pytest.approx(flow, rel=1e-3)
    np.testing.assert_allclose(out.suction_pa[-1, :, 0], cells, rtol=1e-3)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_finer_step_gives_the_same_run(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run-up, fold of 30 ms and coast at 1 ms and at 0.25 ms: within 1 % of the level, or a step in time."""
    one = invented(np.random.default_rng(seed))

    def at(step_s: float) -> np.ndarray:
        monkeypatch.setattr("worlds.vehicle.STEP_S", step_s)
        t = np.arange(0, 2.0, step_s)
        opening = np.zeros((len(t), CELLS, 1), np.float32)
        opening[:, 1, 0] = 5e-4 * np.clip((t - 1.2) / 0.03, 0, 1)
        return run(one, np.where(t < 1.6, 0.75, 0.0), opening_m2=opening).suction_pa[:, :, 0]

    coarse, fine = at(1e-3), at(2.5e-4)[3::4]
    off = np.abs(coarse - fine)[1:-1]
    step = np.abs(fine[2:] - fine[:-2])
    assert (off < 0.01 * coarse[1190].mean() + step).all()


def test_operating_point_solved_by_hand() -> None:
    """A fan of head H w^2 - F q^2 on one leak: q = S sqrt(p), so p = H w^2 / (1 + F S^2)."""
    one = car(1, swirl=0.0, incidence=0.0, stall_head=0.0, head=2e-4, duct_loss=1e6)
    area = np.full(CELLS, 5e-5)
    passage = np.full(CELLS, 4e5)
    one = replace(one, passage=tuple(passage), discharge=0.62)
    leak = AIR_KG_M3 / (2 * (0.62 * 5e-5) ** 2)
    whole = CELLS / math.sqrt(leak + 4e5)
    intake = 2e-4 * 2500**2 / (1 + 1e6 * whole**2)
    flow, cells = operating_point(one, 2500.0, area)
    assert flow == pytest.approx(whole * math.sqrt(intake), rel=1e-9)
    assert cells[0] == pytest.approx(intake * leak / (leak + 4e5), rel=1e-9)


def test_orifice_by_hand() -> None:
    """1000 Pa over 100 mm2 with C_d 0.61, air of 1.19 kg/m3: 41.0 m/s, 2.50 l/s (ISO 5167-1 eq. 1, eps 1)."""
    velocity = math.sqrt(2 * 1000 / 1.19)
    assert velocity == pytest.approx(41.0, abs=0.05)
    one = car(2, discharge=0.61, gap_m=(1e-4,) * CELLS, edge_m=(1.0,) * CELLS, passage=(1e-3,) * CELLS)
    out = run(one, np.full(6000, 0.7))
    pa = out.suction_pa[-1, 0, 0]
    assert out.flow_m3_s[-1, 0] == pytest.approx(6 * 0.61 * 1e-4 * math.sqrt(2 * pa / 1.19), rel=1e-3)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("k", [0.4, 1.7])
def test_fan_laws(seed: int, k: float) -> None:
    """Flow with speed, pressure and torque with its square (ISO 5801:2017, 17.2; Dixon and Hall, ch. 2)."""
    one = car(seed)
    for share in (0.1, 0.5, 1.0, 1.4):
        flow = share * one.design_flow * 2000
        assert head_pa(one, k * 2000, k * flow) == pytest.approx(k * k * head_pa(one, 2000, flow))
        assert torque_nm(one, k * 2000, k * flow) == pytest.approx(k * k * torque_nm(one, 2000, flow))
    slow, fast = operating_point(one, 1000, leak_m2(one)), operating_point(one, 1000 * k, leak_m2(one))
    assert fast[0] == pytest.approx(k * slow[0])
    np.testing.assert_allclose(fast[1], k * k * slow[1])


@pytest.mark.parametrize("seed", range(40))
def test_fan_curve_is_one_of_a_fan(seed: int) -> None:
    """It gives less than the shaft puts in, has a hump with a stall to its left, and falls to nothing."""
    one = invented(np.random.default_rng(seed))
    flow = np.linspace(0.01, 3, 300) * one.design_flow * 2000
    head = np.array([head_pa(one, 2000, q) for q in flow])
    shaft = np.array([torque_nm(one, 2000, q) for q in flow]) * 2000
    assert (head * flow < shaft).all()
    best = (head * flow / shaft).max()
    assert 0.4 < best < 0.9  # common practice for small fans: a half to three quarters
    assert head[-1] < 0
    assert 0 < int(np.argmax(head)) < 200


@pytest.mark.parametrize("seed", SEEDS)
def test_energy_of_a_run_up(seed: int) -> None:
    """Electric energy = copper + work on air and friction + rotor: to 1 %, of a 1 ms step."""
    one = car(seed)
    out = run(one, np.full(3000, 0.6))
    w, q, watts = out.speed_rad_s[:, 0], out.flow_m3_s[:, 0], out.ledger[:, 2, 0]
    amps = out.ledger[:, 3, 0]
    load = np.array([torque_nm(one, a, b) for a, b in zip(w, q, strict=True)]) + one.friction_nm
    spent = (amps**2 * one.motor_ohm + load * w).sum() * STEP_S + 0.5 * one.inertia_kg_m2 * w[-1] ** 2
    assert watts.sum() * STEP_S == pytest.approx(spent, rel=0.01)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_fan_that_coasts_slows_hyperbolically(seed: int) -> None:
    """J dw/dt = -c w^2 (by the fan laws q goes with w): w = w0 / (1 + c w0 t / J). 1 %, over a second."""
    one = car(seed, brakes=False, brakes_off=False, friction_nm=0.0)
    on = np.concatenate([np.full(4000, 0.7), np.zeros(1000)])
    w = run(one, on).speed_rad_s[:, 0]
    before = float(w[3999])
    c = torque_nm(one, before, operating_point(one, before, leak_m2(one))[0]) / before**2
    t = np.arange(1, 1001) * STEP_S
    np.testing.assert_allclose(w[4000:], before / (1 + c * before * t / one.inertia_kg_m2), rtol=0.01)


def test_a_motor_without_load_is_a_lag() -> None:
    """w = w_end (1 - exp(-t / T)), T = J (R + d^2 r) / Ke^2: within half a step of T, up and braked down."""
    free = {
        "head": 0.0,
        "swirl": 0.0,
        "incidence": 0.0,
        "duct_loss": 0.0,
        "disc_nm_s2": 0.0,
        "stall_head": 0.0,
    }
    one = car(3, friction_nm=0.0, polarisation_ohm=0.0, current_limit_a=1e3, brakes=True, charge=0.5, **free)
    on = np.concatenate([np.full(3000, 0.5), np.full(2000, 0.25)])
    w = run(one, on).speed_rad_s[:, 0]
    end = 0.5 * one.series * 3.84 / one.ke_v_s
    lag = one.inertia_kg_m2 * (one.motor_ohm + 0.25 * one.pack_ohm) / one.ke_v_s**2
    assert w[2999] == pytest.approx(end, rel=2e-3)
    assert np.searchsorted(w[:3000], 0.632 * w[2999]) * STEP_S == pytest.approx(lag, abs=2 * STEP_S)
    lag = one.inertia_kg_m2 * (one.motor_ohm + 0.0625 * one.pack_ohm) / one.ke_v_s**2
    fallen = (w[3000:] - w[-1]) / (w[2999] - w[-1])
    assert np.argmax(fallen < math.exp(-1)) * STEP_S == pytest.approx(lag, abs=2 * STEP_S)


def test_pack_sags_by_resistance_and_then_polarisation() -> None:
    """10 A out of a pack at rest: E - I r0 - I r1 (1 - exp(-t / T)); 1 mV, the drain of charge apart."""
    one = car(4, charge=0.5, capacity_ah=1e6, polarisation_s=2.0)
    v = run(one, np.zeros(4000), drive_a=np.full((4000, 1), 10.0, np.float32)).pack_v[:, 0]
    t = np.arange(4000) * STEP_S
    rest = one.series * 3.84
    expected = rest - 10 * one.pack_ohm - 10 * one.polarisation_ohm * (1 - np.exp(-t / 2.0))
    np.testing.assert_allclose(v, expected, atol=1e-3)


def test_springs_swing_at_their_frequency() -> None:
    """A car pushed by a step swings about push / W^2 with W sqrt(1 - z^2): seen as the gap's leak swings."""
    one = car(5, follow=0.02, ride_hz=(10.0, 10.0, 10.0), damping=(0.1, 0.1, 0.1), stick_m=0.0, slip_m=0.0)
    one = replace(one, mass_kg=1e6, inertia_pitch=1e6, inertia_roll=1e6)  # suction does not move it
    push = np.zeros((4000, 3, 1), np.float32)
    push[3000:, 0] = 1.0
    pa = run(one, np.full(4000, 0.7), push=push).suction_pa[3000:, 0, 0]
    lows = [k for k in range(1, 999) if pa[k - 1] > pa[k] <= pa[k + 1]]
    period = (lows[2] - lows[0]) / 2 * STEP_S
    assert period == pytest.approx(1 / (10 * math.sqrt(1 - 0.01)), abs=1.5e-3)


def test_suction_pulls_the_car_down_and_closes_the_gap() -> None:
    """Springs that give let the gap close to what it is pulled down; rigid ones keep it at ride height."""
    base = invented(np.random.default_rng(8))
    soft = car(8, follow=1.5 * min(base.gap_m) / base.ride_m, stick_m=0.0, slip_m=0.0)
    rigid = replace(soft, ride_hz=(100.0, 100.0, 100.0))
    down, up = (run(one, np.full(6000, 0.8)) for one in (soft, rigid))
    assert down.suction_pa[-1].mean() > 1.1 * up.suction_pa[-1].mean()
    # the spring's balance: suction times area over mass W^2 is the way down, and the gap follows it
    omega2 = (2 * math.pi * soft.ride_hz[0]) ** 2
    sunk = down.suction_pa[-1, :, 0].sum() * soft.cell_m2 / (soft.mass_kg * omega2)
    gap = np.array(soft.gap_m)
    gap = np.maximum(gap + soft.follow * (soft.ride_m - sunk), 0.4 * gap)
    flow, _ = operating_point(soft, down.speed_rad_s[-1, 0], gap * np.array(soft.edge_m))
    assert down.flow_m3_s[-1, 0] == pytest.approx(flow, rel=0.01)  # it also pitches and rolls a little


@pytest.mark.parametrize("damping", some([0.2, 1.0], [0.7, 3.0]))
def test_hose_step_response(damping: float) -> None:
    """Against the closed form of a second-order line (Doebelin 3.3), by scipy's matrix exponential."""
    from scipy.linalg import expm

    one = replace(car(6), hose_hz=(60.0,) * CELLS, hose_damping=(damping,) * CELLS)
    step = np.full((200, CELLS, 1), 100.0)
    seen = through_hoses([one], step)[:, 0, 0]
    w = 2 * math.pi * 60
    a = np.array([[0, 1], [-w * w, -2 * damping * w]])
    expected = [100 * (1 - (expm(a * (k + 1) * STEP_S) @ [1, 0])[0]) for k in range(200)]
    np.testing.assert_allclose(seen, expected, atol=0.1)


def test_hose_figures_by_hand() -> None:
    """0.3 m of 1 mm bore on 0.5 ml: C = (0.5e-6 + 0.118e-6) / 141855 = 4.36e-12 m3/Pa, I = 4.545e5 kg/m4,

    R = 128 * 1.82e-5 * 0.3 / (pi * 1e-12) = 2.225e8 Pa s/m3: 113.1 Hz, damping 0.345.
    """
    hz, damping = hose(0.3, 1e-3, 0.5e-6)
    assert hz == pytest.approx(113.1, abs=0.2)
    assert damping == pytest.approx(0.345, abs=0.002)


def test_controller_waits_then_ramps_in_steps() -> None:
    one = car(7, dead_time_s=0.03, slew_up=2.0, slew_down=10.0, duty_steps=100, arm_us=1050.0, least_duty=0.0)
    sent = Pulses(np.array([0.1, 1.0]), np.array([1950, 1000]))
    out = duty(one, sent, 2000)
    assert np.argmax(out > 0) * STEP_S == pytest.approx(0.13, abs=4e-3)  # a step of 1 % takes 2.5 ms
    assert out[380] == pytest.approx(0.5, abs=0.01)
    assert out[900] == 1.0
    assert np.argmax(out[1000:] < 0.5) * STEP_S == pytest.approx(0.03 + 0.05, abs=2e-3)
    np.testing.assert_allclose(out * 100, np.round(out * 100), atol=1e-9)


@pytest.mark.parametrize("drop", [0.2, 0.5, 0.8])
def test_an_opening_is_as_large_as_asked(drop: float) -> None:
    one = car(9)
    shares = np.array([0.6, 0.2, 0.2, 0, 0, 0])
    area = np.array(sized(one, shares, (0, 1, 4, 5), drop))
    taps = [0, 1, 4, 5]
    before = operating_point(one, 1500, leak_m2(one))[1][taps].mean()
    after = operating_point(one, 1500, leak_m2(one) + area)[1][taps].mean()
    assert 1 - after / before == pytest.approx(drop, abs=0.02)

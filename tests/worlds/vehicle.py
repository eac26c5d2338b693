"""The car of the second generator: pack, controller, motor, fan, floor, skirt, springs and hoses.

Everything is in SI units and from first principles; no law that relates suction to throttle is put in.
Suction is positive below ambient. Only + - * / and square roots act in the loop over time, so that the same
run comes out to the bit whatever runs are worked beside it.

Sources. Fan: Euler's turbomachine equation with incidence and friction losses (S. L. Dixon, C. A. Hall, Fluid
Mechanics and Thermodynamics of Turbomachinery, 7th ed. 2014, ch. 1 and 8); the fan laws follow and are
tested. Leak: the orifice equation q = C_d A sqrt(2 dp / rho), C_d 0.6 to 0.65 for a sharp edge (ISO
5167-1:2003, eq. 1 with expansibility 1; dp is 1 % of the atmosphere). Air in a cell: C = V / (gamma p0),
isentropic. Hose: R = 128 mu l / (pi d^4), I = rho l / A, the lumped second-order line of E. O. Doebelin,
Measurement Systems, 5th ed. 2004, ch. 6. Motor: the direct-current machine. Chapters from memory. Magnitudes
of the parts are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEP_S = 1e-3
AIR_KG_M3 = 1.19
AIR_PA = 101_325.0
GAMMA = 1.4
VISCOSITY_PA_S = 1.82e-5
CELLS = 6
# charge left, and volts of one lithium-polymer cell at rest (from memory; the shape matters, not the digits)
CHARGE = np.array([0.0, 0.03, 0.07, 0.15, 0.3, 0.5, 0.7, 0.85, 0.95, 1.0])
CELL_V = np.array([3.0, 3.35, 3.55, 3.68, 3.76, 3.84, 3.95, 4.06, 4.15, 4.2])
_LEAST_FLOW = 1e-7


@dataclass(frozen=True)
class Vehicle:
    """One car. Tuples have one entry a cell: front left, front right, middle left, ... rear right."""

    # pack
    series: int
    capacity_ah: float
    charge: float
    pack_ohm: float
    polarisation_ohm: float
    polarisation_s: float
    # controller
    dead_time_s: float
    slew_up: float  # duty a second
    slew_down: float
    duty_steps: int
    arm_us: float  # below it the bridge is off
    least_duty: float
    expo: float  # duty goes with the pulse to this power
    brakes: bool  # active freewheel: the motor generates when it turns too fast
    brakes_off: bool  # ... and is shorted when the bridge is off
    current_limit_a: float
    # motor and fan
    ke_v_s: float
    motor_ohm: float
    friction_nm: float
    inertia_kg_m2: float
    head: float  # Pa s2: Euler head at no flow is head * w^2
    swirl: float  # Pa s2/m3: and falls by swirl * w * q
    incidence: float  # Pa s2/m6
    design_flow: float  # m3 a radian
    duct_loss: float  # Pa s2/m6
    disc_nm_s2: float
    stall_flow: float  # m3 a radian
    stall_head: float  # Pa s2
    inertance: float  # Pa s2/m3
    # floor and skirt
    volume_m3: float  # of a cell
    hub_m3: float  # round the fan's intake
    passage: tuple[float, ...]  # Pa s2/m6 from cell to intake
    edge_m: tuple[float, ...]
    porosity: tuple[float, ...]  # m3/(s Pa): a brush lets air through
    discharge: float
    gap_m: tuple[float, ...]  # of the edge on a flat floor, pulled down
    follow: float  # how much of the ride height the gap sees, skirt on the ground
    settle_m_s: float  # how fast the edge falls back behind a bump
    lip_m: float  # and how far its lip still reaches
    lifted: float  # and beyond the reach of the skirt
    reach_m: float
    soft_m: float  # over which the one becomes the other
    stick_m: float
    slip_m: float
    cell_m2: float
    x_m: tuple[float, ...]  # rearward of the centre of mass
    y_m: tuple[float, ...]
    # springs
    mass_kg: float
    ride_hz: tuple[float, float, float]  # heave, pitch, roll
    damping: tuple[float, float, float]
    inertia_pitch: float
    inertia_roll: float
    ride_m: float  # height above the pulled-down state without suction
    # hoses, one a cell
    hose_hz: tuple[float, ...]
    hose_damping: tuple[float, ...]


def head_pa(car: Vehicle, speed_rad_s: float, flow_m3_s: float) -> float:
    """Pressure rise of the fan, Pa: Euler head less incidence, friction and stall."""
    w, q = speed_rad_s, flow_m3_s
    left = max(1.0 - q / (car.stall_flow * w), 0.0) if w > 0 else 0.0
    loss = car.incidence * (q - car.design_flow * w) ** 2 + car.duct_loss * q * q
    return (car.head * w - car.swirl * q) * w - loss - car.stall_head * (w * left) ** 2


def torque_nm(car: Vehicle, speed_rad_s: float, flow_m3_s: float) -> float:
    """Torque the air asks of the shaft, N m: Euler head times flow over speed, and disc friction."""
    w, q = speed_rad_s, flow_m3_s
    return (car.head * w - car.swirl * q) * q + car.disc_nm_s2 * w * w


def operating_point(
    car: Vehicle, speed_rad_s: float, area_m2: Array, passage: bool = True
) -> tuple[float, Array]:
    """Flow in m3/s and suction of the cells in Pa where fan curve and leaks cross; porosity left out.

    Each cell is two orifices in series: its leak 1 / (C_d A)^2 rho / 2 and its passage to the intake.
    """
    leak = AIR_KG_M3 / 2 / (car.discharge * area_m2) ** 2
    way = np.array(car.passage) if passage else np.zeros(CELLS)
    whole = float(np.sum(1 / np.sqrt(leak + way)))  # flow per square root of suction at the intake
    low, high = 0.0, 10 * car.design_flow * speed_rad_s
    for _ in range(200):
        middle = 0.5 * (low + high)
        if head_pa(car, speed_rad_s, middle) > (middle / whole) ** 2:
            low = middle
        else:
            high = middle
    intake = (low / whole) ** 2
    return low, intake * leak / (leak + way)


@dataclass
class Inputs:
    """What acts on the cars: first axis time, last axis the car, cells between. Float32 to save memory."""

    duty: NDArray[np.float32]
    bridge_on: NDArray[np.bool_]
    drive_a: NDArray[np.float32]  # current of the wheels' motor
    push: NDArray[np.float32]  # (T, 3, B): accelerations from outside in heave, pitch, roll
    road_m: NDArray[np.float32]  # (T, 6, B)
    opening_m2: NDArray[np.float32]  # (T, 6, B)


@dataclass
class Motion:
    """What came of it, first axis time, last axis the car."""

    suction_pa: Array  # (T, 6, B) in the cells
    speed_rad_s: Array
    flow_m3_s: Array
    pack_v: Array
    charge: Array  # at the end
    ledger: Array  # (T, 4, B) flow in by leaks, air stored a second, power to the motor, its current


def simulate(cars: Sequence[Vehicle], given: Inputs, ledger: bool = False) -> Motion:
    """March all cars through time.

    The pressures of a step are solved together and implicitly: every flow obeys its orifice law linearised
    about its last value, q = dp / (2 r q0) + q0 / 2 (Heron's square root, hence never negative and exact at
    rest), the cells are eliminated into the hub, and the hub's balance gives the rest. So air is conserved to
    rounding.
    """

    def of(name: str) -> Array:
        return np.array([getattr(c, name) for c in cars], dtype=float).T.copy()

    dt, steps, width = STEP_S, len(given.duty), len(cars)
    ke, rm, r0, friction = of("ke_v_s"), of("motor_ohm"), of("pack_ohm"), of("friction_nm")
    spin = dt / of("inertia_kg_m2")
    limit, series = of("current_limit_a"), of("series")
    floor_on, floor_off = -limit * of("brakes"), -limit * of("brakes_off")
    head, swirl, inc, design = of("head"), of("swirl"), of("incidence"), of("design_flow")
    h_ww = head - inc * design * design
    h_wq = 2 * inc * design - swirl
    h_qq = inc + of("duct_loss")
    disc, stall_q, stall_h = of("disc_nm_s2"), of("stall_flow"), of("stall_head")
    inert = of("inertance") / dt
    store = of("volume_m3") / (GAMMA * AIR_PA * dt)
    hub = of("hub_m3") / (GAMMA * AIR_PA * dt)
    way2, edge, porous = 2 * of("passage"), of("edge_m"), of("porosity")
    orifice = of("discharge") ** 2 * 2 / AIR_KG_M3
    gap, follow, lifted = of("gap_m"), of("follow"), of("lifted")
    least_gap = 0.4 * gap
    reach, soft2 = of("reach_m"), of("soft_m") ** 2
    stick, slip = of("stick_m"), of("slip_m")
    cell_m2, mass = of("cell_m2"), of("mass_kg")
    arms = np.stack([np.ones((CELLS, width)), of("x_m"), of("y_m")])
    weight = np.stack([mass, of("inertia_pitch"), of("inertia_roll")])
    press = arms * cell_m2 / weight[:, None, :]
    omega = 2 * math.pi * of("ride_hz")
    stiff, damp = omega * omega * dt, 2 * of("damping") * omega * dt
    ride = of("ride_m")
    polar_ohm, polar_rate = of("polarisation_ohm"), dt / of("polarisation_s")
    charge, drain = of("charge"), dt / (of("capacity_ah") * 3600)

    w, q = np.zeros(width), np.full(width, _LEAST_FLOW)
    hub_pa, pa = np.zeros(width), np.zeros((CELLS, width))
    leak, duct = np.full((CELLS, width), _LEAST_FLOW), np.full((CELLS, width), _LEAST_FLOW)
    modes, rate = np.zeros((3, width)), np.zeros((3, width))
    modes[0] = ride
    edge_at = np.repeat(ride[None], CELLS, axis=0)
    polar = np.zeros(width)
    rest = series * np.interp(charge, CHARGE, CELL_V)
    out_pa = np.empty((steps, CELLS, width))
    out_w, out_q, out_v = (np.empty((steps, width)) for _ in range(3))
    out_ledger = np.empty((steps if ledger else 0, 4, width))
    least = np.where(given.bridge_on, floor_on, floor_off)
    duty_all, drive_all = given.duty.astype(float), given.drive_a.astype(float)

    for k in range(steps):
        if k % 250 == 0:
            rest = series * np.interp(charge, CHARGE, CELL_V)
        duty, drive = duty_all[k], drive_all[k]
        # pack and motor: the sag under this very current is in the denominator
        inner = rest - polar - r0 * drive
        amps = (duty * inner - ke * w) / (rm + duty * duty * r0)
        amps = np.minimum(np.maximum(amps, least[k]), limit)
        # where the limit acts the bridge chops more than asked: what leaves the pack is what the motor takes
        motor_v = ke * w + rm * amps
        chopped = 2 * motor_v / (inner + np.sqrt(np.maximum(inner * inner - 4 * r0 * amps * motor_v, 0.0)))
        pack_a = chopped * amps + drive
        volts = inner - r0 * (chopped * amps)
        polar = polar + polar_rate * (polar_ohm * pack_a - polar)
        charge = charge - drain * pack_a
        # rotor
        torque = (head * w - swirl * q) * q + disc * w * w + friction
        w = np.maximum(w + spin * (ke * amps - torque), 0.0)
        # skirt: its edge sticks until the floor has moved away too far, then jumps
        height = np.add.reduce(arms * modes[:, None, :]) - given.road_m[k]
        away = height - edge_at
        edge_at = np.where(np.abs(away) > stick, height - np.copysign(slip, away), edge_at)
        over = edge_at - reach
        wide = np.maximum(gap + follow * edge_at, least_gap) + lifted * 0.5 * (
            over + np.sqrt(over * over + soft2)
        )
        area = edge * wide + given.opening_m2[k]
        # air
        g_leak = orifice * area * area / (2 * leak)
        g_duct = 1 / (way2 * duct)
        whole = store + g_leak + g_duct + porous
        alone = (store * pa + 0.5 * (duct - leak)) / whole
        share = g_duct / whole
        stalled = np.maximum(w - q / stall_q, 0.0)
        slope = np.maximum(2 * h_qq * q - h_wq * w, 0.0)
        rise = (h_ww * w + h_wq * q) * w - h_qq * q * q - stall_h * stalled * stalled
        g_fan = 1 / (inert + slope)
        q_fan = ((inert + slope) * q + rise) * g_fan
        from_cells = np.add.reduce(g_duct * alone - 0.5 * duct)
        hub_new = (hub * hub_pa + q_fan + from_cells) / (hub + g_fan + np.add.reduce(g_duct * (1 - share)))
        q = q_fan - g_fan * hub_new
        pa_new = alone + share * hub_new
        duct = g_duct * (hub_new - pa_new) + 0.5 * duct
        leak = g_leak * pa_new + 0.5 * leak
        if ledger:
            out_ledger[k, 0] = (leak + porous * pa_new).sum(axis=0)
            out_ledger[k, 1] = hub * (hub_new - hub_pa) + (store * (pa_new - pa)).sum(axis=0)
            out_ledger[k, 2] = chopped * amps * volts
            out_ledger[k, 3] = amps
        pa, hub_pa = pa_new, hub_new
        duct, leak = np.maximum(duct, _LEAST_FLOW), np.maximum(leak, _LEAST_FLOW)
        q = np.maximum(q, _LEAST_FLOW)
        # springs
        pull = np.add.reduce(press * pa, axis=1)
        target = modes.copy()
        target[0] -= ride
        rate = rate - stiff * target - damp * rate + dt * (given.push[k] - pull)
        modes = modes + dt * rate
        out_pa[k], out_w[k], out_q[k], out_v[k] = pa, w, q, volts
    return Motion(out_pa, out_w, out_q, out_v, charge, out_ledger)


def through_hoses(cars: Sequence[Vehicle], suction_pa: Array) -> Array:
    """What the sensors' diaphragms see: each cell's suction through its hose.

    Exact for a suction that is constant over a step: x'' = W^2 (u - x) - 2 z W x'. Shapes (T, 6, B).
    """
    hz = np.array([c.hose_hz for c in cars]).T
    zeta = np.array([c.hose_damping for c in cars]).T
    m = np.empty((2, 2, *hz.shape))
    for index in np.ndindex(hz.shape):
        omega = 2 * math.pi * hz[index]
        m[(slice(None), slice(None), *index)] = _transition(omega, zeta[index], STEP_S)
    off, speed = np.zeros(hz.shape), np.zeros(hz.shape)
    out = np.empty_like(suction_pa)
    for k, now in enumerate(suction_pa):
        off = off - now
        off, speed = m[0, 0] * off + m[0, 1] * speed, m[1, 0] * off + m[1, 1] * speed
        off = off + now
        out[k] = off
    return out


def _transition(omega: float, zeta: float, dt: float) -> Array:
    """exp(A dt) of the second-order line, by its two roots (equal roots are moved apart a little)."""
    zeta = zeta if abs(zeta - 1) > 1e-3 else 1.001
    root = np.sqrt(complex(zeta * zeta - 1))
    one, two = omega * (-zeta + root), omega * (-zeta - root)
    e1, e2 = np.exp(one * dt), np.exp(two * dt)
    a = (one * e2 - two * e1) / (one - two)
    b = (e1 - e2) / (one - two)
    return np.array([[a.real, b.real], [(-one * two * b).real, ((one * e1 - two * e2) / (one - two)).real]])


def hose(length_m: float, bore_m: float, cavity_m3: float) -> tuple[float, float]:
    """Natural frequency in Hz and damping ratio of a hose with the sensor's cavity at its end."""
    area = math.pi * bore_m**2 / 4
    resistance = 128 * VISCOSITY_PA_S * length_m / (math.pi * bore_m**4)
    inertance = AIR_KG_M3 * length_m / area
    store = (cavity_m3 + 0.5 * area * length_m) / (GAMMA * AIR_PA)
    return 1 / (2 * math.pi * math.sqrt(inertance * store)), 0.5 * resistance * math.sqrt(store / inertance)


def invented(rng: np.random.Generator) -> Vehicle:
    """A car drawn at random; every number of it is invented."""

    def u(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    series = int(rng.choice([2, 3]))
    volts = 3.85 * series
    top = u(2000, 3200)  # rad/s at full duty without load, about
    ke = volts * 0.93 / top
    # a fan that gives `full` Pa at `top`, with the leak it has to feed
    full = u(1000, 2300)
    flow = u(0.012, 0.024)
    head = full / top**2 * u(1.25, 1.45)
    design = flow / top
    swirl = head / design * u(0.12, 0.3)
    incidence = head / design**2 * u(0.12, 0.3)
    friction = head / design**2 * u(0.02, 0.08)
    disc = full * flow / top**3 * u(0.12, 0.25)
    shaft = full * flow / top * 1.6
    inertia = shaft * u(0.35, 1.5) / top
    load_a = shaft / ke
    motor_ohm = volts * u(0.04, 0.09) / load_a
    edges = np.array([0.19, 0.19, 0.1, 0.1, 0.19, 0.19]) * u(0.9, 1.1)
    # the edge's gap is what passes the design flow at the working suction
    working = 0.72 * full
    discharge = u(0.6, 0.65)
    leak_m2 = flow * 0.62 / (discharge * math.sqrt(2 * working / AIR_KG_M3))
    gap = leak_m2 / edges.sum()
    uneven = rng.uniform(0.8, 1.25, CELLS)
    porous = 0.0 if rng.random() < 0.5 else u(0.05, 0.25)
    passage = full / (flow / CELLS) ** 2 * rng.uniform(0.02, 0.07, CELLS)
    mass = u(2.3, 3.6)
    ride_hz = (u(9, 14), u(8, 13), u(9, 14))
    cell_m2 = 0.3 * 0.17 / CELLS
    pull = working * cell_m2 * CELLS
    sunk = pull / (mass * (2 * math.pi * ride_hz[0]) ** 2)
    hoses = [hose(u(0.12, 0.45), u(0.8e-3, 1.6e-3), u(0.4e-6, 2.0e-6)) for _ in range(CELLS)]
    return Vehicle(
        series=series,
        capacity_ah=u(1.0, 3.0),
        charge=u(0.35, 0.98),
        pack_ohm=volts * u(0.01, 0.03) / load_a,
        polarisation_ohm=volts * u(0.005, 0.015) / load_a,
        polarisation_s=u(4, 20),
        dead_time_s=u(0.002, 0.025),
        slew_up=float(rng.choice([2.0, 4.0, 8.0, 30.0])),
        slew_down=float(rng.choice([6.0, 12.0, 40.0])),
        duty_steps=int(rng.choice([64, 128, 256, 1024])),
        arm_us=u(1040, 1080),
        least_duty=u(0.04, 0.1),
        expo=float(rng.choice([1.0, u(0.8, 1.3)])),
        brakes=bool(rng.random() < 0.5),
        brakes_off=bool(rng.random() < 0.3),
        current_limit_a=load_a * u(3.5, 8),
        ke_v_s=ke,
        motor_ohm=motor_ohm,
        friction_nm=shaft * u(0.01, 0.03),
        inertia_kg_m2=inertia,
        head=head,
        swirl=swirl,
        incidence=incidence,
        design_flow=design,
        duct_loss=friction,
        disc_nm_s2=disc,
        stall_flow=design * u(0.3, 0.45),
        stall_head=head * u(0.02, 0.1),
        inertance=AIR_KG_M3 * u(0.04, 0.08) / 1.6e-3,
        volume_m3=cell_m2 * u(0.008, 0.016),
        hub_m3=u(3e-5, 8e-5),
        passage=tuple(float(v) for v in passage),
        edge_m=tuple(float(v) for v in edges),
        porosity=(float(porous * flow / CELLS / full),) * CELLS,
        discharge=discharge,
        gap_m=tuple(float(v) for v in gap * uneven),
        follow=float(gap / sunk * u(0.1, 0.5)),
        settle_m_s=u(0.025, 0.12),
        lip_m=u(0.1e-3, 0.4e-3),
        lifted=u(0.1, 0.35),
        reach_m=float(sunk + u(0.3e-3, 1.0e-3)),
        soft_m=2e-4,
        stick_m=float(sunk * u(0.01, 0.06)),
        slip_m=float(sunk * u(0.0, 0.008)),
        cell_m2=cell_m2,
        x_m=(-0.1, -0.1, 0.0, 0.0, 0.1, 0.1),
        y_m=(-0.05, 0.05, -0.05, 0.05, -0.05, 0.05),
        mass_kg=mass,
        ride_hz=ride_hz,
        damping=(u(0.2, 0.45), u(0.2, 0.45), u(0.2, 0.45)),
        inertia_pitch=mass * 0.011,
        inertia_roll=mass * 0.004,
        ride_m=float(sunk),
        hose_hz=tuple(h[0] for h in hoses),
        hose_damping=tuple(h[1] for h in hoses),
    )

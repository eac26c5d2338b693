"""Two fans of one make under one floor, each with a controller and a pack of its own: where they settle.

Parts of :mod:`worlds.vehicle`: Euler head less incidence, friction and stall, a direct-current motor, a pack
that gives in, an edge that leaks as an orifice and a brush that leaks in proportion, springs that the suction
closes the gap on. Balances of shafts and air are found by a root finder: no fan law, no share of shut-off and
no exponent is put in. A fan that cannot hold the suction lets air back through its passage. Numbers are
invented.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

from worlds.builder import builder_car
from worlds.vehicle import AIR_KG_M3, CELL_V, CHARGE, Vehicle, head_pa, torque_nm

__all__ = ["Pair", "Settled", "drawn_pair"]

_FULL_US = 2000.0


@dataclass(frozen=True)
class Settled:
    """Suction, Pa, and voltages of both packs under load, V."""

    suction_pa: float
    packs_v: tuple[float, float]


@dataclass(frozen=True)
class Pair:
    """Fans, motors and packs of two, on the floor of the first; ``open_way`` resists air that comes back."""

    fans: tuple[Vehicle, Vehicle]
    open_way: float  # Pa s2/m6

    def rest_v(self, fan: int) -> float:
        """Voltage of a pack at rest."""
        car = self.fans[fan]
        return float(car.series * np.interp(car.charge, CHARGE, CELL_V))

    def settled(self, throttles_us: tuple[float, float]) -> Settled | None:
        """Where two throttles lead; None where they come to no rest: the weaker fan stalls and recovers."""
        duties = [_duty(car, us) for car, us in zip(self.fans, throttles_us, strict=True)]

        def short(pa: float) -> float:
            pairs = enumerate(duties)
            return sum(self._moves(k, duty, pa)[0] for k, duty in pairs) - self._leaks_m3_s(pa)

        pa = 0.0 if not any(duties) else float(brentq(short, 1e-3, 20_000.0, xtol=1e-6))
        if abs(short(pa)) > 1e-3 * self._leaks_m3_s(pa):
            return None
        volts = [self._moves(k, duty, pa)[1] for k, duty in enumerate(duties)]
        return Settled(pa, (volts[0], volts[1]))

    def _leaks_m3_s(self, pa: float) -> float:
        car = self.fans[0]
        sunk_m = pa * car.cell_m2 * 6 / (car.mass_kg * (2 * math.pi * car.ride_hz[0]) ** 2)
        still = np.array(car.gap_m)
        gaps = np.maximum(still + car.follow * (car.ride_m - sunk_m), 0.4 * still)
        area = float((np.array(car.edge_m) * gaps).sum())
        return car.discharge * area * math.sqrt(2 * pa / AIR_KG_M3) + sum(car.porosity) * pa

    def _moves(self, fan: int, duty: float, pa: float) -> tuple[float, float]:
        """Flow of a fan whose shaft is in balance, and the voltage of its pack."""
        car, rest_v = self.fans[fan], self.rest_v(fan)
        inner_ohm = car.pack_ohm + car.polarisation_ohm
        if duty <= 0:
            return -math.sqrt(pa / self.open_way), rest_v

        def amps(speed: float) -> float:
            return (duty * rest_v - car.ke_v_s * speed) / (car.motor_ohm + duty * duty * inner_ohm)

        def spare_nm(speed: float) -> float:
            taken = torque_nm(car, speed, max(self._flow(car, speed, pa), 0.0))
            return car.ke_v_s * amps(speed) - car.friction_nm - taken

        speed = float(brentq(spare_nm, 1.0, 1.2 * duty * rest_v / car.ke_v_s, xtol=1e-9))
        return self._flow(car, speed, pa), rest_v - duty * amps(speed) * inner_ohm

    def _flow(self, car: Vehicle, speed: float, pa: float) -> float:
        """The greatest flow at which a fan gives a pressure; air that comes back where there is none."""
        stalls = car.stall_flow * speed
        if head_pa(car, speed, stalls) >= pa:
            return float(brentq(lambda q: head_pa(car, speed, q) - pa, stalls, 20 * car.design_flow * speed))
        none_pa = head_pa(car, speed, 0.0)
        if none_pa > pa:
            return float(brentq(lambda q: head_pa(car, speed, q) - pa, 0.0, stalls))
        return -math.sqrt((pa - none_pa) / self.open_way)


def _duty(car: Vehicle, throttle_us: float) -> float:
    share = (throttle_us - car.arm_us) / (_FULL_US - car.arm_us)
    return 0.0 if share <= 0 else car.least_duty + (1 - car.least_duty) * min(share, 1.0) ** car.expo


def drawn_pair(seed: int) -> Pair:
    """Two fans of one make, with twice the leak: heads alike to 2 %, flows to 3 %, motors to 2 and 5 %."""
    rng = np.random.default_rng([seed, 222])
    first = builder_car(seed)
    first = replace(
        first,
        # a curve that falls all the way: with a hump the weaker fan stalls, and comes to no rest
        stall_head=0.0,
        swirl=first.swirl + 2 * first.incidence * first.design_flow,
        edge_m=tuple(2 * edge for edge in first.edge_m),
        porosity=tuple(2 * each for each in first.porosity),
    )
    off = 1 + np.array([0.02, 0.03, 0.02, 0.05]) * rng.standard_normal(4)
    second = replace(
        first,
        head=first.head * off[0],
        design_flow=first.design_flow * off[1],
        stall_flow=first.stall_flow * off[1],
        ke_v_s=first.ke_v_s * off[2],
        motor_ohm=first.motor_ohm * off[3],
        charge=float(np.clip(first.charge - rng.uniform(0.0, 0.35), 0.3, 1.0)),
    )
    return Pair((first, second), (first.incidence + first.duct_loss) * rng.uniform(0.7, 4.0))

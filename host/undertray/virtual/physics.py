"""A virtual car: suction under a skirted floor, from throttle, fan, leaks and happenings.

This file runs unchanged under CPython and under MicroPython, so it uses neither numpy nor
typing nor dataclasses. Only the four basic operations and the square root occur, all of them
exactly rounded (IEEE 754), so that a run made twice is the same to the last bit on every
machine; that is why lags are stepped implicitly and noise is a sum of uniform numbers.

The model, in SI units:

- fan: speed ``s`` (share of full speed at the pack's nominal voltage) follows the throttle
  with a first-order lag, up and down with different time constants;
- fan curve at speed s: ``dp = s^2 P0 - R Q^2``, ``R = P0 / Q0^2`` (fan laws: pressure ~ N^2,
  flow ~ N), P0 the pressure with no flow, Q0 the flow with no pressure, at s = 1;
- leak: ``Q = Cd A sqrt(2 dp / rho)``; both together give
  ``dp = s^2 P0 / (1 + R (Cd A)^2 2 / rho)``: dp / s^2 depends on the leak area alone;
- the space under the floor fills with a first-order lag of some milliseconds;
- a second fan (``throttle2``) works on the same space, each with half of the flow: flows add at one suction,
  ``sqrt(S1 - y) + sqrt(S2 - y) = 2 sqrt(L y)`` for the squares S1 and S2 of their speeds, ``y = dp / P0``,
  ``L = R (Cd A)^2 2 / rho``; a fan that cannot hold the suction is shut by a flap (an invention);
- an accelerometer feels what the story says along the car's axes, in g, with noise and the bumps of the road;
- a tap reads ``dp`` times its own share, times what a folded skirt beside it leaves of it.
"""

from math import sqrt

MYPY = False
if MYPY:  # MicroPython has no typing module; type checkers take this branch
    from typing import Any

__all__ = ["Noise", "VirtualCar", "make_car"]

_CD = 0.61  # sharp-edged slit; free-streamline theory gives pi / (pi + 2) = 0.611
_RHO_KG_M3 = 1.2
_STEP_US = 2000
_MAX_STEPS = 500  # one call never integrates more than a second; an idle board catches up by repeated calls
_MASK32 = 0xFFFFFFFF


class Noise:
    """A seeded stream of nearly normal numbers (sum of four uniform ones, unit variance)."""

    def __init__(self, seed: int) -> None:
        self.state = (seed * 2654435761 + 88172645463) & _MASK32 or 1

    def uniform(self) -> float:
        """Draw the next number."""
        x = self.state
        x ^= (x << 13) & _MASK32
        x ^= x >> 17
        x ^= (x << 5) & _MASK32
        self.state = x
        return x / 4294967296.0

    def normal(self) -> float:
        """Draw a nearly normal number."""
        # the variance of one uniform number is 1/12, of the sum of four 1/3
        total = self.uniform() + self.uniform() + self.uniform() + self.uniform()
        return (total - 2.0) * 1.7320508075688772


def _between(points: "list[list[float]]", t_s: float) -> float:
    """Value at t_s of a polyline [[t, v], ...]; held before the first and after the last point."""
    before = points[0]
    for point in points:
        if point[0] > t_s:
            if point[0] == before[0]:
                return before[1]
            return before[1] + (point[1] - before[1]) * (t_s - before[0]) / (point[0] - before[0])
        before = point
    return before[1]


def _ramp(t_s: float, start_s: float, length_s: float) -> float:
    """0 before start_s, 1 after start_s + length_s, a straight line between."""
    if t_s <= start_s:
        return 0.0
    if length_s <= 0 or t_s >= start_s + length_s:
        return 1.0
    return (t_s - start_s) / length_s


class VirtualCar:
    """The world behind the sensors."""

    def __init__(self, spec: "dict[str, Any]") -> None:
        car = spec.get("car", {})
        self.fan_pa = car.get("fan_pa", 2200.0)
        self.fan_flow_m3_s = car.get("fan_flow_m3_s", 0.020)
        self.spin_up_s = car.get("spin_up_s", 0.16)
        self.spin_down_s = car.get("spin_down_s", 0.30)
        self.plenum_s = car.get("plenum_s", 0.006)
        self.leak_cm2 = car.get("leak_cm2", 3.0)
        self.noise_pa = car.get("noise_pa", 3.0)
        self.ripple = car.get("ripple", 0.006)
        self.ripple_hz = car.get("ripple_hz", 23.0)
        self.shares = car.get("tap_shares", [1.05, 1.02, 0.97, 0.94])
        self.sensor_gain = car.get("sensor_gain", [1.0] * len(self.shares))
        self.sensor_offset_pa = car.get("sensor_offset_pa", [0.0] * len(self.shares))
        self.full_mv = car.get("pack_full_mv", 8300)
        self.nominal_mv = car.get("pack_nominal_mv", 8000)
        self.load_mv = car.get("pack_load_mv", 350)
        self.drain_mv_s = car.get("pack_drain_mv_s", 1.5)
        self.throttle = spec.get("throttle", [[0.0, 1000]])
        self.throttle2 = spec.get("throttle2")
        self.felt_g = spec.get("felt_g", [[0.0, 0.0, 0.0, 1.0]])
        self.shake_g = car.get("shake_g", 0.02)
        self.happenings = spec.get("happenings", [])
        self.repeat_s = spec.get("repeat_s", 0)
        self.noise = Noise(spec.get("seed", 1))
        self.shake = Noise(spec.get("seed", 1) + 1)
        self.t_us = 0
        self.last_us = 0
        self.driven_us: "int | None" = None
        self.speed = 0.0
        self.suction_pa = 0.0
        self.throttle_us = self._throttle_at(0.0)
        self.pack_mv = self.full_mv
        self.speed2 = 0.0
        self.throttle2_us = self._throttle2_at(0.0)
        self.pack2_mv = self.full_mv

    def advance(self, ticks_us: int) -> None:
        """Bring the world to the board's clock."""
        ahead_us = (ticks_us - self.last_us) & 0x3FFFFFFF
        if ahead_us > 0x1FFFFFFF:
            return  # an earlier instant than the last one asked for
        self.last_us = ticks_us
        steps = 0
        while ahead_us > 0 and steps < _MAX_STEPS:
            step_us = ahead_us if ahead_us < _STEP_US else _STEP_US
            self._step(step_us)
            ahead_us -= step_us
            steps += 1
        self.t_us += ahead_us

    def story_s(self) -> float:
        """Time in the story, which may repeat."""
        t_s = self.t_us / 1000000.0
        return t_s - int(t_s / self.repeat_s) * self.repeat_s if self.repeat_s > 0 else t_s

    def drive(self, width_us: "int | None") -> None:
        """Let the board drive the fan controllers."""
        self.driven_us = width_us

    def _throttle_at(self, t_s: float) -> "int | None":
        if self.driven_us is not None:
            return self.driven_us
        for event in self.happenings:
            if event["kind"] == "signal-lost" and _active(event, t_s):
                return None
        return int(_between(self.throttle, t_s) + 0.5)

    def _throttle2_at(self, t_s: float) -> int:
        return 0 if self.throttle2 is None else int(_between(self.throttle2, t_s) + 0.5)

    def _step(self, step_us: int) -> None:
        self.t_us += step_us
        t_s = self.story_s()
        dt_s = step_us / 1000000.0
        self.throttle_us = self._throttle_at(t_s)
        pack_mv = self.full_mv - self.drain_mv_s * t_s - self.load_mv * self.speed * self.speed
        self.pack_mv = int(pack_mv)
        self.speed = self._spun(self.speed, self.throttle_us, pack_mv, dt_s)
        square = self.speed * self.speed
        if self.throttle2 is not None:
            self.throttle2_us = self._throttle2_at(t_s)
            pack2_mv = self.full_mv - self.drain_mv_s * t_s - self.load_mv * self.speed2 * self.speed2
            self.pack2_mv = int(pack2_mv)
            self.speed2 = self._spun(self.speed2, self.throttle2_us, pack2_mv, dt_s)
        area_m2 = self._leak_cm2(t_s) * 1e-4
        r = self.fan_pa / (self.fan_flow_m3_s * self.fan_flow_m3_s)
        lost = r * _CD * _CD * area_m2 * area_m2 * 2.0 / _RHO_KG_M3
        share = square / (1.0 + lost)
        if self.throttle2 is not None:
            share = _side_by_side(square, self.speed2 * self.speed2, lost)
        steady_pa = share * self.fan_pa
        self.suction_pa += (steady_pa - self.suction_pa) * dt_s / (self.plenum_s + dt_s)

    def _spun(self, speed: float, width_us: "int | None", pack_mv: float, dt_s: float) -> float:
        """Speed of a fan a step later."""
        command = 0.0 if width_us is None else (width_us - 1000) / 1000.0
        command = 0.0 if command < 0.0 else (1.0 if command > 1.0 else command)
        target = command * pack_mv / self.nominal_mv
        lag_s = self.spin_up_s if target > speed else self.spin_down_s
        return float(speed + (target - speed) * dt_s / (lag_s + dt_s))

    def acceleration_g(self) -> "list[float]":
        """What an accelerometer feels now along the car's axes: forward, right, up."""
        t_s = self.story_s()
        felt = [
            _between([[point[0], point[1 + i]] for point in self.felt_g], t_s)
            + self.shake.normal() * self.shake_g
            for i in range(3)
        ]
        for event in self.happenings:
            if event["kind"] == "bump":
                middle_s = event["at_s"] + event.get("over_s", 0.02) / 2.0
                off = (t_s - middle_s) / (event.get("over_s", 0.02) / 2.0)
                if -1.0 < off < 1.0:
                    felt[2] += event["g"] * (1.0 - (off if off > 0.0 else -off))
        return felt

    def _leak_cm2(self, t_s: float) -> float:
        leak_cm2: float = self.leak_cm2
        for event in self.happenings:
            if "leak_cm2" in event:
                leak_cm2 += event["leak_cm2"] * _share(event, t_s)
        return leak_cm2

    def _hose_off(self, tap: int) -> bool:
        t_s = self.story_s()
        return any(e["kind"] == "hose-off" and e["tap"] == tap and _active(e, t_s) for e in self.happenings)

    def tap_suction_pa(self, tap: int) -> float:
        """Suction at a tap now as its sensor reports it: with noise, gain and zero error."""
        felt_pa = self.noise.normal() * self.noise_pa
        if not self._hose_off(tap):
            felt_pa += self.true_tap_pa(tap)
        return float(self.sensor_offset_pa[tap] + self.sensor_gain[tap] * felt_pa)

    def true_tap_pa(self, tap: int) -> float:
        """Suction at a tap now as it truly is under the floor."""
        t_s = self.story_s()
        left, sucked_pa = 1.0, 0.0
        for event in self.happenings:
            if event["kind"] == "skirt-fold":
                left *= self._left_by_fold(event, tap, t_s)
            elif event["kind"] == "suck" and event["tap"] == tap:
                lost_pa = event.get("leak_pa_s", 0.0) * (t_s - event["at_s"])
                sucked_pa += (event["pa"] - lost_pa) * _share(event, t_s)
        ripple = self.ripple * _triangle(t_s * self.ripple_hz + 0.13 * tap)
        return float(self.suction_pa * self.shares[tap] * left * (1.0 + ripple) + sucked_pa)

    def _left_by_fold(self, event: "dict[str, Any]", tap: int, t_s: float) -> float:
        order = event["order"]
        place = order.index(tap) if tap in order else len(order)
        loss = event.get("near", 0.5) / (1.0 + place)
        left: float = 1.0 - loss * _share(event, t_s - place * event.get("spread_s", 0.012))
        flutter_s = event.get("flutter_s", 0.0)
        if place == 0 and flutter_s > 0 and event["at_s"] - flutter_s < t_s < event["at_s"]:
            grown = (t_s - event["at_s"] + flutter_s) / flutter_s
            left += 0.10 * grown * _triangle(t_s * 11.0)
        return left


def _side_by_side(one: float, other: float, lost: float) -> float:
    """Suction of two fans over that of both shut off at full speed, from the squares of their speeds."""
    high, low = (one, other) if one > other else (other, one)
    if high - low >= 4.0 * lost * low:
        return high / (1.0 + 4.0 * lost)  # the weaker one is shut
    whole, apart = high + low, high - low
    return (whole + sqrt(whole * whole - apart * apart * (1.0 + 1.0 / lost))) / (4.0 * (1.0 + lost))


def _active(event: "dict[str, Any]", t_s: float) -> bool:
    return bool(t_s >= event["at_s"] and (event.get("until_s") is None or t_s < event["until_s"]))


def _share(event: "dict[str, Any]", t_s: float) -> float:
    """How far an event has developed, 0 to 1; it closes again over ``close_s`` after ``until_s``."""
    share = _ramp(t_s, event["at_s"], event.get("over_s", 0.03))
    if event.get("until_s") is not None:
        share *= 1.0 - _ramp(t_s, event["until_s"], event.get("close_s", 0.15))
    return share


def _triangle(turns: float) -> float:
    """A triangle wave of period 1 and amplitude 1."""
    part = turns - int(turns)
    return 1.0 - 4.0 * (part - 0.5 if part > 0.5 else 0.5 - part)


def make_car(spec: "dict[str, Any]") -> VirtualCar:
    """Build a virtual car from a scenario."""
    return VirtualCar(spec)

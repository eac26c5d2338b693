"""What grip the suction buys: lateral acceleration, and the time to a speed."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from undertray.reduce.car import Car
from undertray.units import FACTORS, G_N_M_S2

__all__ = ["SPEEDS_M_S", "Grip", "SpeedTime", "grip"]

SPEEDS_M_S = (60 * FACTORS["speed"]["mph"], 100 * FACTORS["speed"]["km/h"])
"""The speeds whose times are stated where none is asked for: 60 mph and 100 km/h."""
_USUAL_WITHIN = 0.1  # of mu (common practice, no source)
_RECTANGLE_95 = 1.959964 / 3**0.5  # half width of a rectangle to that of a 95 % interval (GUM 4.3.7)
_Sum = Callable[[float, float], "float | None"]


@dataclass(frozen=True, slots=True)
class SpeedTime:
    """Time from rest to a speed, in s, as far as the tyres allow; None where they do not hold at all.

    Attributes
    ----------
    speed_m_s : float
        The speed.
    ground_s, surface_s : float or None
        On level ground, and on the car's own surface.
    ground_u95_s, surface_u95_s : float or None
        Half widths of their 95 % intervals.
    """

    speed_m_s: float
    ground_s: float | None
    surface_s: float | None
    ground_u95_s: float | None = None
    surface_u95_s: float | None = None


@dataclass(frozen=True, slots=True)
class Grip:
    """What the tyres can do with a suction force.

    Attributes
    ----------
    tyre_mu, downforce_n : float
        Friction number of the tyres and the suction force that this is for.
    ground_lateral_g, surface_lateral_g : float
        Largest lateral acceleration on level ground, and along the car's own surface (on a wall:
        level, along it), in units of 9.80665 m/s2.
    mu_within : float
        Half of the width that ``tyre_mu`` is taken to be known within.
    ground_lateral_u95_g, surface_lateral_u95_g : float or None
        Half widths of the 95 % intervals; None without a calibration.
    driven : str
        Driven wheels.
    to_speed : tuple of SpeedTime
        Times to each speed asked for.
    """

    tyre_mu: float
    downforce_n: float
    ground_lateral_g: float
    surface_lateral_g: float
    mu_within: float
    ground_lateral_u95_g: float | None
    surface_lateral_u95_g: float | None
    driven: str
    to_speed: tuple[SpeedTime, ...]


def grip(
    car: Car,
    downforce_n: float,
    front_n: float,
    rear_n: float,
    speeds_m_s: Sequence[float] = (),
    u95_n: tuple[float | None, float | None, float | None] = (None, None, None),
) -> Grip | None:
    """Work out the grip that a suction force buys.

    Parameters
    ----------
    car : Car
        Mass, weight on the front axle, surface angle, tyre mu, driven wheels.
    downforce_n, front_n, rear_n : float
        Suction force, and its share on each axle, N.
    speeds_m_s : sequence of float
        Speeds for the times, m/s; :data:`SPEEDS_M_S` if none is given, with the car's own
        ``target_speed`` in place of the first where that is given.
    u95_n : tuple of float or None
        Half widths of the 95 % intervals of the three forces, N.

    Returns
    -------
    Grip or None
        None for a car without a tyre mu.

    Notes
    -----
    Coulomb friction with one number for the tyres, the suction taken as constant. With the normal force
    ``N = D + W cos A`` and the pull of the weight along the surface ``P = W sin A``, what is left to
    accelerate along the level direction is ``sqrt((mu N)^2 - P^2)``, so the lateral limit is that over
    ``m``, and ``t = v m / sqrt(...)``. With one driven axle, N and P are that axle's share.
    The uncertainty is that of the force and of mu (``tyre_mu_within`` as half the width of a rectangle, a
    tenth of mu where it is not given), carried through by differences; what is left out is not in it.
    Power, drag, the height of the centre of gravity and the shift of load that comes with it, and the
    fall of mu with load are left out: the times are what the tyres would allow, and no more.

    References
    ----------
    Statics and Coulomb friction; any textbook.
    """
    if car.tyre_mu is None:
        return None
    wheels = {
        "all": (1.0, downforce_n, u95_n[0]),
        "front": (car.front_weight, front_n, u95_n[1]),
        "rear": (1 - car.front_weight, rear_n, u95_n[2]),
    }
    share, load_n, load_u95_n = wheels[car.driven]
    level, own = 0.0, car.surface_angle_deg
    within = _USUAL_WITHIN * car.tyre_mu if car.tyre_mu_within is None else car.tyre_mu_within

    def lateral_g(angle: float) -> _Sum:
        return lambda mu, n: _force_n(car, mu, 1.0, n, angle) / car.weight_n

    def time_s(speed: float, angle: float) -> _Sum:
        return lambda mu, n: _time_s(car, speed, _force_n(car, mu, share, n, angle))

    def doubt(of: _Sum, n: float, u95: float | None) -> float | None:
        return _u95(of, (car.tyre_mu or 0.0, within), (n, u95))

    speeds = tuple(speeds_m_s) or (car.target_speed_m_s, *SPEEDS_M_S[1:])
    mu = car.tyre_mu
    return Grip(
        tyre_mu=mu,
        downforce_n=downforce_n,
        ground_lateral_g=_force_n(car, mu, 1.0, downforce_n, level) / car.weight_n,
        surface_lateral_g=_force_n(car, mu, 1.0, downforce_n, own) / car.weight_n,
        mu_within=within,
        ground_lateral_u95_g=doubt(lateral_g(level), downforce_n, u95_n[0]),
        surface_lateral_u95_g=doubt(lateral_g(own), downforce_n, u95_n[0]),
        driven=car.driven,
        to_speed=tuple(
            SpeedTime(
                v,
                *(time_s(v, angle)(mu, load_n) for angle in (level, own)),
                *(doubt(time_s(v, angle), load_n, load_u95_n) for angle in (level, own)),
            )
            for v in speeds
        ),
    )


def _u95(of: _Sum, mu: tuple[float, float], load: tuple[float, float | None]) -> float | None:
    """Half width of the 95 % interval of a number of mu and load, by differences to both sides."""
    if load[1] is None:
        return None
    steps = ((mu[1] * _RECTANGLE_95, 0.0), (0.0, load[1]))
    total = 0.0
    for d_mu, d_n in steps:
        ends = [of(mu[0] + sign * d_mu, load[0] + sign * d_n) for sign in (1, -1)]
        known = [end for end in ends if end is not None]
        if len(known) < 2:
            return None  # at one end it does not hold at all: no number stands for how long it takes
        total += ((known[0] - known[1]) / 2) ** 2
    return math.sqrt(total)


def _force_n(car: Car, mu: float, share: float, suction_n: float, angle_deg: float) -> float:
    """Friction left for a level direction along the surface, of wheels with a share of the weight."""
    angle, weight_n = math.radians(angle_deg), share * car.weight_n
    most_n = mu * max(0.0, suction_n + weight_n * math.cos(angle))
    return math.sqrt(max(0.0, most_n**2 - (weight_n * math.sin(angle)) ** 2))


def _time_s(car: Car, speed_m_s: float, force_n: float) -> float | None:
    return speed_m_s * car.weight_n / G_N_M_S2 / force_n if force_n > 0 else None

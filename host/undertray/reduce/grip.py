"""What grip the suction buys: lateral acceleration, and the time to a speed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from undertray.reduce.car import Car
from undertray.units import FACTORS, G_N_M_S2

__all__ = ["SPEEDS_M_S", "Grip", "SpeedTime", "grip"]

SPEEDS_M_S = (60 * FACTORS["speed"]["mph"], 100 * FACTORS["speed"]["km/h"])
"""The speeds whose times are stated where none is asked for: 60 mph and 100 km/h."""


@dataclass(frozen=True, slots=True)
class SpeedTime:
    """Time from rest to a speed, in s, as far as the tyres allow; None where they do not hold at all.

    Attributes
    ----------
    speed_m_s : float
        The speed.
    ground_s, surface_s : float or None
        On level ground, and on the car's own surface.
    """

    speed_m_s: float
    ground_s: float | None
    surface_s: float | None


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
    driven : str
        Driven wheels.
    to_speed : tuple of SpeedTime
        Times to each speed asked for.
    """

    tyre_mu: float
    downforce_n: float
    ground_lateral_g: float
    surface_lateral_g: float
    driven: str
    to_speed: tuple[SpeedTime, ...]


def grip(
    car: Car, downforce_n: float, front_n: float, rear_n: float, speeds_m_s: Sequence[float] = ()
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
    Power, drag, the height of the centre of gravity and the shift of load that comes with it, and the
    fall of mu with load are left out: the times are what the tyres would allow, and no more.

    References
    ----------
    Statics and Coulomb friction; any textbook.
    """
    if car.tyre_mu is None:
        return None
    driven = {
        "all": (1.0, downforce_n),
        "front": (car.front_weight, front_n),
        "rear": (1 - car.front_weight, rear_n),
    }[car.driven]
    level, own = 0.0, car.surface_angle_deg
    speeds = tuple(speeds_m_s) or (car.target_speed_m_s, *SPEEDS_M_S[1:])
    return Grip(
        tyre_mu=car.tyre_mu,
        downforce_n=downforce_n,
        ground_lateral_g=_force_n(car, 1.0, downforce_n, level) / car.weight_n,
        surface_lateral_g=_force_n(car, 1.0, downforce_n, own) / car.weight_n,
        driven=car.driven,
        to_speed=tuple(
            SpeedTime(v, *(_time_s(car, v, _force_n(car, *driven, angle)) for angle in (level, own)))
            for v in speeds
        ),
    )


def _force_n(car: Car, share: float, suction_n: float, angle_deg: float) -> float:
    """Friction left for a level direction along the surface, of wheels with a share of the weight."""
    assert car.tyre_mu is not None
    angle, weight_n = math.radians(angle_deg), share * car.weight_n
    most_n = car.tyre_mu * max(0.0, suction_n + weight_n * math.cos(angle))
    return math.sqrt(max(0.0, most_n**2 - (weight_n * math.sin(angle)) ** 2))


def _time_s(car: Car, speed_m_s: float, force_n: float) -> float | None:
    return speed_m_s * car.weight_n / G_N_M_S2 / force_n if force_n > 0 else None

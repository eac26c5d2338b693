"""What it takes to stay on the surface: weight, angle, friction, axle by axle."""

from __future__ import annotations

import math
from dataclasses import dataclass

from undertray.reduce.car import Car

__all__ = ["HoldNeed", "hold_need"]


@dataclass(frozen=True, slots=True)
class HoldNeed:
    """Suction force needed at one surface angle, N.

    Attributes
    ----------
    whole_n : float
        By the whole car; the friction condition is in where the tyres' mu is known.
    front_n, rear_n : float
        By each axle, for it to stay on the surface.
    by_friction : bool
        Whether sliding is what sets ``whole_n``.
    """

    whole_n: float
    front_n: float
    rear_n: float
    by_friction: bool


def hold_need(car: Car) -> HoldNeed:
    """Suction force that holds a car at its surface angle.

    Parameters
    ----------
    car : Car
        Weight, weight on the front axle, allowance, surface angle, tyre mu.

    Returns
    -------
    HoldNeed
        Nothing below 0: on the ground the weight itself holds.

    Notes
    -----
    At the angle A (0 ground, 90 wall, 180 upside down) the weight presses with W cos A and pulls along
    the surface with W sin A. An axle with the share f of the weight keeps the spare force a f W on
    the surface when its suction load is at least f W (a - cos A), which is f W (1 + a) upside down; a is
    the allowance. The whole car does not slide, and keeps that spare, when mu (D + W cos A - a W) >=
    W sin A, so D >= W (a - cos A + sin A / mu). The shares are those of the car standing level: the
    height of its centre of gravity is not taken into account, and moves load between the axles on a
    wall.

    References
    ----------
    Statics of a rigid body on two supports; any textbook.
    """
    angle = math.radians(car.surface_angle_deg)
    cosine, sine = math.cos(angle), math.sin(angle)
    press = car.weight_n * (car.allowance - cosine)
    slide = 0.0 if sine < 1e-9 or car.tyre_mu is None else car.weight_n * sine / car.tyre_mu
    front = max(0.0, car.front_weight * press)
    rear = max(0.0, (1 - car.front_weight) * press)
    return HoldNeed(max(0.0, press + slide), front, rear, slide > 0 and press + slide > 0)

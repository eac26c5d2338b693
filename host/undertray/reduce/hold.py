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
    W sin A, so D >= W (a - cos A + sin A / mu). The shares are those of the car standing level. On a wall
    the weight also pulls at the height h of the centre of gravity and moves W sin A h / L from one axle to
    the other; which one depends on the way the car points, so either has to bear it. Without h that is
    left out.

    References
    ----------
    Statics of a rigid body on two supports; any textbook.
    """
    angle = math.radians(car.surface_angle_deg)
    cosine, sine = math.cos(angle), math.sin(angle)
    press = car.weight_n * (car.allowance - cosine)
    slide = 0.0 if sine < 1e-9 or car.tyre_mu is None else car.weight_n * sine / car.tyre_mu
    moved = 0.0 if sine < 1e-9 else car.weight_n * sine * (car.cg_height_mm or 0.0) / car.wheelbase_mm
    front = max(0.0, car.front_weight * press + moved)
    rear = max(0.0, (1 - car.front_weight) * press + moved)
    return HoldNeed(max(0.0, press + slide), front, rear, slide > 0 and press + slide > 0)

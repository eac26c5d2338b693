"""What it takes to stay on the surface: weight, angle, friction, axle by axle."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from undertray.calibrate.distributions import RECTANGLE_95
from undertray.errors import ReductionError
from undertray.reduce.car import Car
from undertray.reduce.loads import load_matrix

__all__ = ["HoldNeed", "Target", "hold_need", "target_suction", "whole_need_n"]


@dataclass(frozen=True, slots=True)
class HoldNeed:
    """Suction force needed at one surface angle, N, and what friction leaves the whole car's uncertain by."""

    whole_n: float
    front_n: float
    rear_n: float
    by_friction: bool
    whole_u95_n: float = 0.0


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

    The friction is known to within ``tyre_mu_within`` either way (a rectangle): the whole car's need is
    uncertain by ``W sin A / mu`` times that share of mu, in its half width for 95 % (GUM, 4.3.7 and 5.1.2).

    References
    ----------
    Statics of a rigid body on two supports; any textbook.

    Examples
    --------
    >>> from undertray import Car
    >>> round(hold_need(Car.from_toml("car.toml")).whole_n, 2)
    35.55
    """
    angle = math.radians(car.surface_angle_deg)
    cosine, sine = math.cos(angle), math.sin(angle)
    press = car.weight_n * (car.allowance - cosine)
    whole_n = float(whole_need_n(car, car.tyre_mu))
    moved = 0.0 if sine < 1e-9 else car.weight_n * sine * (car.cg_height_mm or 0.0) / car.wheelbase_mm
    front = max(0.0, car.front_weight * press + moved)
    rear = max(0.0, (1 - car.front_weight) * press + moved)
    within = 0.0 if not car.tyre_mu or sine < 1e-9 else RECTANGLE_95 * car.mu_within / car.tyre_mu
    whole_u95_n = within * car.weight_n * sine / (car.tyre_mu or 1.0) if whole_n > 0 else 0.0
    return HoldNeed(whole_n, front, rear, whole_n > max(0.0, press), whole_u95_n)


def whole_need_n(car: Car, tyre_mu: ArrayLike | None) -> NDArray[np.float64]:
    """What the whole car needs not to slide, N, by some friction numbers of its tyres; None: it cannot."""
    angle = math.radians(car.surface_angle_deg)
    press, sine = car.weight_n * (car.allowance - math.cos(angle)), math.sin(angle)
    slide = 0.0 if sine < 1e-9 or tyre_mu is None else car.weight_n * sine / np.asarray(tyre_mu, float)
    return np.asarray(np.maximum(0.0, press + slide))


# The even suction that would just hold a car.


@dataclass(frozen=True, slots=True)
class Target:
    """What a car needs to hold."""

    suction_pa: float
    downforce_n: float
    need: HoldNeed
    limited_by: str


def target_suction(car: Car) -> Target:
    """Even suction under the floor that meets every condition of hold.

    Parameters
    ----------
    car : Car
        The car, with surface angle and allowance.

    Returns
    -------
    Target

    Raises
    ------
    ReductionError
        When an axle needs hold that suction on this floor cannot give it.

    Notes
    -----
    ``p = max(front need / front N per Pa, rear need / rear N per Pa, whole need / area)``. An axle
    whose share of the floor is smaller than its share of the weight sets the suction.

    References
    ----------
    The needs: :func:`undertray.reduce.hold.hold_need`.

    Examples
    --------
    >>> from undertray import Car
    >>> round(target_suction(Car.from_toml("car.toml")).suction_pa, 1)
    653.6
    """
    need = hold_need(car)
    per_pa = load_matrix(car).matrix.sum(axis=1)
    whole, front, rear = (float(value) for value in per_pa[:3])
    asked = {
        "the front axle": (need.front_n, front),
        "the rear axle": (need.rear_n, rear),
        "sliding" if need.by_friction else "the weight of the whole car": (need.whole_n, whole),
    }
    suction = {}
    for name, (newton, newton_per_pa) in asked.items():
        if newton <= 0:
            suction[name] = 0.0
        elif newton_per_pa <= 0:
            raise ReductionError(
                f"suction on this floor does not load {name}",
                where=car.name,
                seen=f"{newton_per_pa:.2e} N per Pa",
                do="check where the floor lies relative to the axles",
            )
        else:
            suction[name] = newton / newton_per_pa
    limited_by = max(suction, key=lambda name: suction[name])
    most = suction[limited_by]
    return Target(most, most * whole, need, limited_by if most > 0 else "nothing: the weight itself holds")

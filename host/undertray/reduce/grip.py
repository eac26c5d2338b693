"""What grip the suction buys: lateral acceleration, and the time to a speed."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from undertray.calibrate.distributions import RECTANGLE_95
from undertray.reduce.car import Car
from undertray.reduce.summary import Estimate
from undertray.units import FACTORS, G_N_M_S2

__all__ = ["SPEEDS_M_S", "Grip", "SpeedTime", "driven_n", "friction_left_n", "grip", "speeds_asked"]

SPEEDS_M_S = (60 * FACTORS["speed"]["mph"], 100 * FACTORS["speed"]["km/h"])
"""The speeds whose times are stated where none is asked for: 60 mph and 100 km/h."""
_Of = Callable[[float, float, float, float], "float | None"]


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
    skirt_share : float or None
        Share of the suction force that the skirt carries and the tyres do not get; None where not measured.
    drag_n : float or None
        What brakes the car at this suction, N, taken off what drives it; None where not measured.
    braking_moves_n, braking_leaves_n : float or None
        Load that braking at the grip of all wheels on level ground moves from the rear axle to the front,
        and what it leaves on the rear, N: below 0 the rear lifts before the tyres slide. None without the
        height of the centre of gravity.
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
    skirt_share: float | None = None
    drag_n: float | None = None
    braking_moves_n: float | None = None
    braking_leaves_n: float | None = None


def grip(
    car: Car,
    downforce_n: float,
    front_n: float,
    rear_n: float,
    speeds_m_s: Sequence[float] = (),
    u95_n: tuple[float | None, float | None, float | None] = (None, None, None),
    skirt_share: Estimate | None = None,
    drag_n: Estimate | None = None,
) -> Grip | None:
    """Work out the grip that a suction force buys.

    Parameters
    ----------
    car : Car
        Mass, weight on the front axle, surface angle, tyre mu, driven wheels, height of the centre of
        gravity.
    downforce_n, front_n, rear_n : float
        Suction force, and its share on each axle, N.
    speeds_m_s : sequence of float
        Speeds for the times, m/s; :data:`SPEEDS_M_S` if none is given, with the car's own
        ``target_speed`` in place of the first where that is given.
    u95_n : tuple of float or None
        Half widths of the 95 % intervals of the three forces, N.
    skirt_share : Estimate or None
        Share of the suction force that the skirt carries; none of it where not measured.
    drag_n : Estimate or None
        What brakes the car at this suction, N; nothing where not measured.

    Returns
    -------
    Grip or None
        None for a car without a tyre mu.

    Notes
    -----
    Coulomb friction with one number for the tyres, the suction taken as constant. With the normal force
    ``N = (1 - s) D + W cos A``, s the share that the skirt carries, and the pull of the weight along the
    surface ``P = W sin A``, what is left to accelerate along the level direction is ``sqrt((mu N)^2 - P^2)``,
    so the lateral limit is that over ``m``, and ``t = v m / (sqrt(...) - F)``, F the drag. With one driven
    axle, N and P are that axle's share. The uncertainty is that of force, share, drag and mu
    (``tyre_mu_within`` as half the width of a rectangle, a tenth of mu where it is not given), carried
    through by differences; what is left out is not in it. The height h of the centre of gravity moves
    ``(T - F) h / L`` from the front axle to the rear where the car is driven by T, and the other way where it
    brakes: a driven axle has that more or less, and no T is larger than the one that lifts the front. Without
    h that is left out. Power, the skirt's own friction sideways, the load that a curve moves from side to
    side, and the fall of mu with load are left out: the times are what the tyres would allow, and no more.

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
    mu = Estimate(car.tyre_mu, car.mu_within * RECTANGLE_95)
    skirt, drag = (Estimate(0.0, 0.0) if one is None else one for one in (skirt_share, drag_n))
    # what each number rests on: mu, suction force, share of the skirt, drag
    whole = (mu, Estimate(downforce_n, u95_n[0]), skirt, Estimate(0.0, 0.0))
    driven = (mu, Estimate(load_n, load_u95_n), skirt, drag)

    def lateral_g(angle: float) -> _Of:
        return lambda m, n, s, _: _force_n(car, m, 1.0, (1 - s) * n, angle) / car.weight_n

    def time_s(speed: float, angle: float) -> _Of:
        return lambda m, n, s, f: _time_s(
            car, speed, driven_n(car, m, share, (1 - s) * n, angle, (1 - s) * front_n, f)
        )

    speeds = speeds_asked(car, speeds_m_s)
    moved_n = left_n = None
    if car.cg_height_mm is not None:
        held_n = _mean(lateral_g(level), whole) or 0.0
        moved_n = held_n * car.weight_n * car.cg_height_mm / car.wheelbase_mm
        left_n = (1 - skirt.mean) * rear_n + (1 - car.front_weight) * car.weight_n - moved_n
    return Grip(
        tyre_mu=car.tyre_mu,
        downforce_n=downforce_n,
        ground_lateral_g=_mean(lateral_g(level), whole) or 0.0,
        surface_lateral_g=_mean(lateral_g(own), whole) or 0.0,
        mu_within=car.mu_within,
        ground_lateral_u95_g=_u95(lateral_g(level), whole),
        surface_lateral_u95_g=_u95(lateral_g(own), whole),
        driven=car.driven,
        to_speed=tuple(
            SpeedTime(
                v,
                *(_mean(time_s(v, angle), driven) for angle in (level, own)),
                *(_u95(time_s(v, angle), driven) for angle in (level, own)),
            )
            for v in speeds
        ),
        skirt_share=None if skirt_share is None else skirt_share.mean,
        drag_n=None if drag_n is None else drag_n.mean,
        braking_moves_n=moved_n,
        braking_leaves_n=left_n,
    )


def speeds_asked(car: Car, speeds_m_s: Sequence[float] = ()) -> tuple[float, ...]:
    """Which speeds the times are for: those given, or else the car's own and the second of the usual ones."""
    return tuple(speeds_m_s) or (car.target_speed_m_s, *SPEEDS_M_S[1:])


def _mean(of: _Of, rests_on: Sequence[Estimate]) -> float | None:
    return of(*(one.mean for one in rests_on))


def _u95(of: _Of, rests_on: Sequence[Estimate]) -> float | None:
    """Half width of the 95 % interval of a number, by differences to both sides of what it rests on."""
    total = 0.0
    for place, one in enumerate(rests_on):
        if one.u95 is None:
            return None
        ends = []
        for sign in (1, -1):
            values = [other.mean for other in rests_on]
            values[place] += sign * one.u95
            ends.append(of(*values))
        known = [end for end in ends if end is not None]
        if len(known) < 2:
            return None  # at one end it does not hold at all: no number stands for how long it takes
        total += ((known[0] - known[1]) / 2) ** 2
    return math.sqrt(total)


def friction_left_n(
    car: Car, mu: ArrayLike, share: float, suction_n: ArrayLike, angle_deg: float
) -> NDArray[np.float64]:
    """Friction that is left for a level direction along the surface."""
    angle, weight_n = math.radians(angle_deg), share * car.weight_n
    most_n = np.asarray(mu, float) * np.maximum(
        0.0, np.asarray(suction_n, float) + weight_n * math.cos(angle)
    )
    return np.asarray(np.sqrt(np.maximum(0.0, most_n**2 - (weight_n * math.sin(angle)) ** 2)))


def _force_n(car: Car, mu: float, share: float, suction_n: float, angle_deg: float) -> float:
    return float(friction_left_n(car, mu, share, suction_n, angle_deg))


def driven_n(
    car: Car, mu: float, share: float, suction_n: float, angle_deg: float, front_n: float, drag_n: float
) -> float:
    """What the driven wheels push beyond the drag, with the load that this moves from the front to the rear.

    Parameters
    ----------
    car : Car
        Its weight, driven wheels, and the height of its centre of gravity.
    mu : float
        Friction number of the tyres.
    share : float
        Share of the weight on the driven wheels.
    suction_n, front_n : float
        Suction force on the driven wheels, and on the front axle, N.
    angle_deg : float
        Angle of the surface.
    drag_n : float
        What brakes the car, N.

    Returns
    -------
    float
        N; 0 and below where they do not hold it.

    Notes
    -----
    T solves ``T^2 = (mu (N + k (T - F)))^2 - P^2``, k = h/L for the rear wheels, -h/L for the front, 0 for
    all; the drag F acts at the surface.
    """
    height = (car.cg_height_mm or 0.0) / car.wheelbase_mm
    k = {"rear": height, "front": -height, "all": 0.0}[car.driven]
    angle, weight_n = math.radians(angle_deg), share * car.weight_n
    load_n = max(0.0, suction_n + weight_n * math.cos(angle) - k * drag_n)
    pull_n = weight_n * math.sin(angle)
    left2 = (mu * load_n) ** 2 - pull_n**2
    if left2 <= 0:
        return -drag_n
    less = math.sqrt(left2 + (mu * k * pull_n) ** 2) - mu**2 * load_n * k
    grip_n = left2 / less if less > 0 else math.inf  # the more it is driven, the more it grips: it tips first
    if height == 0:
        return grip_n - drag_n
    on_front_n = max(0.0, front_n + car.front_weight * car.weight_n * math.cos(angle))
    return min(grip_n - drag_n, on_front_n / height)


def _time_s(car: Car, speed_m_s: float, force_n: float) -> float | None:
    return speed_m_s * car.weight_n / G_N_M_S2 / force_n if force_n > 0 else None

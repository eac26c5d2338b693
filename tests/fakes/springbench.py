"""A car body on four sprung wheels, let go and waited for: the truth that ``undertray ride`` is asked for.

Newton's and Euler's equations for heave, pitch and roll, marched until nothing moves. Forces: weight, four
springs and dampers each at its own wheel, and a suction field as strips of floor each with its own push at
its own place. It knows no axle loads and no statics: where the car stands is where it comes to rest. Numbers
are invented. Nothing here is imported from undertray.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
G = 9.80665


@dataclass(frozen=True)
class Body:
    """A car: rates in N/m of the wheels front left, front right, rear left, rear right; lengths in m."""

    mass_kg: float
    front_weight: float
    wheelbase_m: float
    track_m: float
    wheel_n_m: tuple[float, float, float, float]
    clearance_m: tuple[float, float]  # front and rear, level, at rest, fans off
    angle_deg: float


def rest_gaps_m(
    body: Body,
    x_m: Floats,
    y_m: Floats,
    push_n: Floats,
    scales: Floats,
    axle_factor: tuple[Floats, Floats] | None = None,
) -> tuple[Floats, Floats]:
    """Gaps under both axles, m, once the car has come to rest: shape (k,) each, one for each scale of the
    push.

    ``x_m`` counts rearward from the front axle. ``axle_factor`` multiplies the rates of front and rear
    wheels, shape (k,) each; the car is then set down anew with the same clearances.
    """
    k = len(scales)
    back = (1 - body.front_weight) * body.wheelbase_m  # of the centre of mass, from the front axle
    along = np.array([0, 0, body.wheelbase_m, body.wheelbase_m]) - back
    side = np.array([-1, 1, -1, 1]) * body.track_m / 2
    rate = np.array(body.wheel_n_m)[:, None] * np.ones(k)
    if axle_factor is not None:
        rate = rate * np.stack([axle_factor[0], axle_factor[0], axle_factor[1], axle_factor[1]])
    # what each spring bears standing on the level: half of its axle's share
    share = np.array([body.front_weight, body.front_weight, 1 - body.front_weight, 1 - body.front_weight]) / 2
    rest_n = (share * body.mass_kg * G)[:, None]
    pitch_kg_m2, roll_kg_m2 = 0.08 * body.mass_kg * body.wheelbase_m**2, 0.1 * body.mass_kg * body.track_m**2
    fastest = np.sqrt(rate.sum(axis=0).max() / body.mass_kg * 12)
    dt = 0.2 / fastest
    damper = 0.9 * np.sqrt(rate * body.mass_kg / 4)
    pushed = np.stack(
        [push_n.sum() * scales, (push_n * (x_m - back)).sum() * scales, (push_n * y_m).sum() * scales]
    )
    weight_n = body.mass_kg * G * np.cos(np.deg2rad(body.angle_deg))  # towards the surface
    at, speed = np.zeros((3, k)), np.zeros((3, k))  # down, nose up, right side down
    for step in range(60_000):
        low = at[0] + along[:, None] * at[1] + side[:, None] * at[2]
        falls = speed[0] + along[:, None] * speed[1] + side[:, None] * speed[2]
        spring = rest_n + rate * low + damper * falls
        force = pushed[0] + weight_n - spring.sum(axis=0)
        pitch = pushed[1] - (along[:, None] * spring).sum(axis=0)
        roll = pushed[2] - (side[:, None] * spring).sum(axis=0)
        speed = speed + dt * np.stack([force / body.mass_kg, pitch / pitch_kg_m2, roll / roll_kg_m2])
        at = at + dt * speed
        if step % 100 == 99 and np.abs(speed).max() < 1e-9 and np.abs(force).max() < 1e-6:
            break
    else:
        raise RuntimeError("the car does not come to rest")
    return (
        body.clearance_m[0] - (at[0] - back * at[1]),
        body.clearance_m[1] - (at[0] + (body.wheelbase_m - back) * at[1]),
    )

"""Grip with the load that is on the tyres: what pulls told put into a reduction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from undertray.errors import quoted
from undertray.reduce.grip import Grip, grip
from undertray.reduce.summary import Estimate, Steady

if TYPE_CHECKING:
    from undertray.predict.drag import Drag
    from undertray.reduce.car import Car
    from undertray.reduce.run import Reduction

__all__ = ["pulled_car", "pulled_grip", "with_drag"]

_BEYOND = 1.1  # of the greatest suction pulled at: within it a line is no guess
_RECTANGLE_95 = 1.959964 / 3**0.5  # of the half width of a rectangle to that of a 95 % interval (GUM 4.3.7)


def pulled_car(car: Car, drag: Drag) -> Car:
    """A car with the friction of its tyres as it was pulled, in place of that of its file."""
    mu = drag.tyre_mu()
    if mu is None or mu.mean <= 0:
        return car
    within = car.tyre_mu_within if mu.u95 is None else mu.u95 / _RECTANGLE_95
    return replace(car, tyre_mu=mu.mean, tyre_mu_within=within)


def pulled_grip(steady: Steady, car: Car, drag: Drag, speeds_m_s: Sequence[float] = ()) -> Grip | None:
    """Grip that a suction buys, with the load that is on the tyres.

    Parameters
    ----------
    steady : Steady
        Forces of the steady part of a run.
    car : Car
        The car.
    drag : Drag
        What pulls told of it.
    speeds_m_s : sequence of float
        As for :func:`undertray.reduce.grip.grip`.

    Returns
    -------
    Grip or None
        None where neither the pulls nor the car file tell the friction of the tyres.

    Notes
    -----
    The tyres have ``W cos A + (1 - s) D``, and their friction number is that of the locked pulls where there
    are such. Drag is that of the free pulls that keep moving at this suction, or that just move where there
    are no others; it is taken as on level ground. The share, the force and the drag are taken as
    independent of one another. On a wall or upside down a skirt on springs gives some of the weight back to
    the tyres; that is left out, so they may have more.
    """
    forces = steady.downforce_n, steady.front_n, steady.rear_n
    share = drag.share and Estimate(min(1.0, max(0.0, drag.share.mean)), drag.share.u95)
    kind = "moving" if "moving.free.per_n" in drag.measured else None
    return grip(
        pulled_car(car, drag),
        forces[0].mean,
        forces[1].mean,
        forces[2].mean,
        speeds_m_s,
        (forces[0].u95, forces[1].u95, forces[2].u95),
        share,
        drag.force_n(steady.downforce_n.mean, kind=kind),
    )


def with_drag(reduction: Reduction, car: Car, drag: Drag, speeds_m_s: Sequence[float] = ()) -> Reduction:
    """Work out the grip of a run again, with the load that is on the tyres."""
    if reduction.steady is None:
        return reduction
    found = pulled_grip(reduction.steady, car, drag, speeds_m_s)
    said = []
    if drag.car != car.name:
        said.append(f"the pulls are of {quoted(drag.car)}, the run is of {quoted(car.name)}")
    if found is not None and drag.share is None:
        said.append(
            "grip is as if all suction pressed the tyres on: pulls did not tell what the skirt carries"
        )
    most_n = max((line.span.high_n for line in drag.lines if line.per_n is not None), default=0.0)
    suction_n = reduction.steady.downforce_n.mean
    if found is not None and found.drag_n is not None and suction_n > _BEYOND * most_n:
        said.append(
            f"the drag at {suction_n:.1f} N of suction is carried on beyond the pulls, which went up to"
            f" {most_n:.1f} N"
        )
    return replace(reduction, grip=found, notices=(*reduction.notices, *said))

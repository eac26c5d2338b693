"""The even suction that would just hold a car."""

from __future__ import annotations

from dataclasses import dataclass

from undertray.errors import ReductionError
from undertray.reduce.car import Car
from undertray.reduce.floor import load_matrix
from undertray.reduce.hold import HoldNeed, hold_need

__all__ = ["Target", "target_suction"]


@dataclass(frozen=True, slots=True)
class Target:
    """What a car needs to hold.

    Attributes
    ----------
    suction_pa : float
        Even suction under the whole floor, Pa.
    downforce_n : float
        The force it makes, N.
    need : HoldNeed
        What the whole car and each axle need of it. Where a single axle sets the suction, the force is more
        than that: an even suction then gives the other axle more than its need.
    limited_by : str
        Which condition asks for it.
    """

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

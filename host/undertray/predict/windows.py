"""The windows of one car over all angles, with the throttles that give their suctions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from undertray.errors import ReductionError, quoted
from undertray.predict.drivable import Forces, Window, drivable_window, forces_of, range_pa
from undertray.reduce.fanreference import take_reference

if TYPE_CHECKING:
    from undertray.predict.drag import Drag
    from undertray.reduce.car import Car
    from undertray.reduce.fan import FanReference
    from undertray.reduce.run import Reduction

__all__ = ["Windows"]

_STEP_DEG = 5


@dataclass(frozen=True, slots=True)
class Windows:
    """What the windows of a car are worked out from."""

    car: Car
    drag: Drag | None
    forces: Forces
    reference: FanReference | None
    most_pa: float
    places: tuple[tuple[float, float], ...]
    notices: tuple[str, ...]

    @classmethod
    def of(
        cls,
        car: Car,
        drag: Drag | None = None,
        reduction: Reduction | None = None,
        reference: FanReference | None = None,
    ) -> Windows:
        """Gather what is known."""
        notices = []
        if drag is not None and drag.car != car.name:
            notices.append(f"the pulls are of {quoted(drag.car)}, the car is {quoted(car.name)}")
        if reference is None and reduction is not None:
            try:
                reference = take_reference([reduction], car).reference
            except ReductionError:
                notices.append("no throttle is told: the run was never steady for long enough")
        steady = None if reduction is None else reduction.steady
        levels = (
            [] if steady is None else [steady.suction_pa.mean, *(one.suction_pa for one in steady.others)]
        )
        top_pa = max([*levels, 0.0 if reference is None else reference.top_pa])
        return cls(
            car=car,
            drag=drag,
            forces=forces_of(car, reduction),
            reference=reference,
            most_pa=range_pa(car, drag, top_pa),
            places=tuple((car.surface_angle_deg, pa) for pa in levels),
            notices=tuple(notices),
        )

    def at(self, angle_deg: float) -> Window:
        """The window at one angle."""
        return drivable_window(self.car, self.drag, angle_deg, self.forces, self.most_pa)

    def all_angles(self) -> list[Window]:
        """The windows from the ground to upside down."""
        return [self.at(float(angle)) for angle in range(0, 181, _STEP_DEG)]

"""Whether the sensors' ranges fit the suction that a car needs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from undertray.board.finding import Finding, Weight
from undertray.board.rehearsal import Rehearsal

if TYPE_CHECKING:
    from undertray.reduce.car import Car

__all__ = ["largest_suction_pa", "needed_suction_pa", "span_findings"]

_HEADROOM = 2.5
"""A good floor gives 2 to 2.5 times the suction it needs (common practice, no source)."""
_WASTE = 15
_ONE_SIDED = 0.02  # of the range: a part that ends this near to zero reads one way only


def needed_suction_pa(car: Car) -> float:
    """Even suction under the floor at which a car just holds.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    float
        Pa.

    Notes
    -----
    The largest of three: force needed by the whole car over the area, and by each axle over
    what the load matrix gives that axle for 1 Pa everywhere
    (:func:`undertray.reduce.hold.hold_need`, :func:`undertray.reduce.floor.load_matrix`).
    Infinite where the floor cannot load an axle at all.
    """
    from undertray.reduce.floor import load_matrix
    from undertray.reduce.hold import hold_need

    need = hold_need(car)
    gains = load_matrix(car).matrix.sum(axis=1)
    pairs = zip((need.whole_n, need.front_n, need.rear_n), gains, strict=False)
    return max(force / gain if gain > 0 else (float("inf") if force > 0 else 0.0) for force, gain in pairs)


def largest_suction_pa(column: Mapping[str, Any]) -> float:
    """Largest suction that a column can show.

    Parameters
    ----------
    column : mapping
        The column as the ``device`` note says it.

    Returns
    -------
    float
        Pa; negative or 0 for a part that measures only the other way.
    """
    return _ends_pa(column)[1]


def _ends_pa(column: Mapping[str, Any]) -> tuple[float, float]:
    """Least and largest suction that a column can show, Pa."""
    scale = column["scale"]
    sign = 1 if column["port"] == "low" else -1
    if "kind" in scale:
        return -float(scale["range_pa"]), float(scale["range_pa"])
    ends = sorted((scale[key] - scale["zero"]) * scale["pa_per_count"] * sign for key in ("min", "max"))
    return float(ends[0]), float(ends[1])


def span_findings(rehearsal: Rehearsal, car: Car | None) -> Iterator[Finding]:
    """Judge ranges, the alarm's limit and the names of the columns against a car.

    Parameters
    ----------
    rehearsal : Rehearsal
        The board.
    car : Car or None
        The car; without one only what is wrong on any car is found.

    Yields
    ------
    Finding
    """
    needed = None if car is None else needed_suction_pa(car)
    if car is not None and needed is not None:
        yield Finding(
            Weight.NOTE,
            "car",
            f"'{car.name}' needs {needed:.0f} Pa all over its floor at {car.surface_angle_deg:g} degrees",
        )
        yield _taps(car, needed)
        yield from _columns(rehearsal, car)
    for i, column in enumerate(rehearsal.columns):
        yield from _span(f"columns[{i}]", column, needed)
    alarm = rehearsal.board["alarm"]
    if alarm:
        yield from _alarm(alarm["alarm_pa"], rehearsal, car)


def _span(where: str, column: Mapping[str, Any], needed: float | None) -> Iterator[Finding]:
    least, largest = _ends_pa(column)
    part = f"{column['part']} {column['range']}".strip()
    if largest <= 0:
        yield Finding(
            Weight.FAULT,
            where,
            f"a {part} with the tap on its {column['port']} port shows no suction at all",
            "a differential part; a gauge part reads only a pressure above that of the room",
        )
    elif least > -_ONE_SIDED * largest:
        yield Finding(
            Weight.FAULT,
            where,
            f"a {part} is a gauge part: it measures what is on its one nipple above the room, and a suction "
            "there reads the wrong way round, below its zero and off its scale; 'port': \"low\" is its vent",
            "a differential part (D), which also shows where its zero stands",
        )
    elif not needed:
        return
    elif largest < needed:
        yield Finding(
            Weight.FAULT,
            where,
            f"a {part} ends at {largest:.0f} Pa, the car needs {needed:.0f} Pa",
            "a part with a larger range" + _divider(column, largest),
        )
    elif largest < _HEADROOM * needed:
        yield Finding(
            Weight.WARNING,
            where,
            f"a {part} ends at {largest:.0f} Pa: {largest / needed:.1f} times what the car needs, "
            f"and a good floor gives 2 to {_HEADROOM:g} times that: it saturates",
            f"a part that reaches {_HEADROOM * needed:.0f} Pa or more" + _divider(column, largest),
        )
    elif largest > _WASTE * needed:
        yield Finding(
            Weight.WARNING,
            where,
            f"a {part} reaches {largest:.0f} Pa, {largest / needed:.0f} times what the car needs: "
            "its error is a share of that range",
            f"a part of about {2 * _HEADROOM * needed:.0f} Pa",
        )


def _divider(column: Mapping[str, Any], largest: float) -> str:
    if column["part"] != "MPXV7002DP" or largest > 1900:
        return ""
    return ", or 10 kΩ and 20 kΩ in front of the pin ('divider': 1.5)"


def _alarm(alarm_pa: float, rehearsal: Rehearsal, car: Car | None) -> Iterator[Finding]:
    needed = 0.0 if car is None else needed_suction_pa(car)
    stay = 0.0 if car is None else needed_suction_pa(replace(car, allowance=0.0))
    reach = min(largest_suction_pa(column) for column in rehearsal.columns)
    if alarm_pa >= reach:
        yield Finding(
            Weight.FAULT,
            "alarm",
            f"alarm_pa {alarm_pa} is above the {reach:.0f} Pa that the sensors can show: never off",
            "a lower alarm_pa, or sensors with a larger range",
        )
    elif alarm_pa < stay:
        yield Finding(
            Weight.WARNING,
            "alarm",
            f"alarm_pa {alarm_pa} is below the {stay:.0f} Pa at which the car lets go",
            f"alarm_pa {stay * 1.1:.0f} or more, so that the alarm comes before the fall",
        )
    elif alarm_pa < needed:
        yield Finding(
            Weight.NOTE,
            "alarm",
            f"alarm_pa {alarm_pa} lies between the {stay:.0f} Pa at which the car lets go and the "
            f"{needed:.0f} Pa it needs with its allowance: the alarm comes when part of that is gone",
        )


def _taps(car: Car, needed_pa: float) -> Finding:
    """How well the taps can know the force, and whether that is more than is kept in hand."""
    from undertray.reduce.hold import hold_need
    from undertray.reduce.layout import force_bounds

    known, need, stay = force_bounds(car), hold_need(car), hold_need(replace(car, allowance=0.0))
    off_n = [known.front_n * needed_pa, known.rear_n * needed_pa]
    in_hand_n = min(need.front_n - stay.front_n, need.rear_n - stay.rear_n)
    count = f"its {len(car.taps)} taps see" if len(car.taps) > 1 else "its one tap sees"
    said = (
        f"{count} that force to ±{known.downforce_n * needed_pa:.1f} N, "
        f"the front axle to ±{off_n[0]:.1f} N, the rear axle to ±{off_n[1]:.1f} N (95 %, by where they are)"
    )
    if max(off_n) > in_hand_n > 0:
        return Finding(
            Weight.WARNING,
            "car",
            f"{said}: more than the {in_hand_n:.1f} N that the allowance keeps in hand",
            "more taps, and better places: undertray target --next-taps 2",
        )
    return Finding(Weight.NOTE, "car", said)


def _columns(rehearsal: Rehearsal, car: Car) -> Iterator[Finding]:
    there = [column["name"] for column in rehearsal.columns]
    for tap in car.taps:
        if tap.column not in there:
            yield Finding(
                Weight.FAULT,
                "car",
                f"tap '{tap.name}' is read from column {tap.column}, the board has {', '.join(there)}",
                "the tap's 'column' in car.toml, or one more entry in 'columns'",
            )
    used = {tap.column for tap in car.taps}
    for name in there:
        if name not in used:
            yield Finding(
                Weight.WARNING, "car", f"no tap is read from column {name}", "a [[tap]] for it in car.toml"
            )

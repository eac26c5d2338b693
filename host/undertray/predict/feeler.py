"""Gaps that a person read with feeler gauges: a small file, or options."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from undertray.errors import ReductionError, UndertrayError, quoted
from undertray.reduce.givenfiles import noted_fields, noted_lines
from undertray.units import FACTORS, quantity

__all__ = ["FEELER_WITHIN_MM", "Feeler", "feeler_of", "read_feelers"]

FEELER_WITHIN_MM = 0.05
"""Half of the width that a gap read with feeler gauges is known within, mm (common practice, no source)."""
_MOST_ROWS = 200
_MOST_MM, _MOST_US, _MOST_PA = 200.0, 5000.0, 1e5
_PLACES = ("throttle_us", *(f"suction_{unit.lower()}" for unit in FACTORS["pressure"]))
_GAPS = {"gap_mm": "mm", "gap_in": "in"}


@dataclass(frozen=True, slots=True)
class Feeler:
    """A gap read at an axle, mm, at a throttle, µs, or a suction, Pa."""

    throttle_us: float | None
    suction_pa: float | None
    axle: str
    gap_mm: float


def read_feelers(path: str | Path) -> tuple[Feeler, ...]:
    """Read a file of gaps."""
    where = Path(path).name
    lines = noted_lines(path, "gaps", _MOST_ROWS)
    head = [field.strip().lower() for field in lines[0][1].split(",")]
    if len(head) != 3 or head[0] not in _PLACES or head[1] != "axle" or head[2] not in _GAPS:
        raise ReductionError(
            "unknown header",
            where=f"{where}, line {lines[0][0]}",
            seen=lines[0][1],
            expected="throttle_us,axle,gap_mm",
        )
    return tuple(_line(line, head, f"{where}, line {number}") for number, line in lines[1:])


def _line(line: str, head: Sequence[str], where: str) -> Feeler:
    fields = noted_fields(line, where)
    if len(fields) != 3:
        raise ReductionError("no gap", where=where, seen=quoted(line), expected=",".join(head))
    try:
        place, gap = float(fields[0]), float(fields[2])
    except ValueError:
        raise ReductionError("no gap", where=where, seen=quoted(line), expected=",".join(head)) from None
    if head[0] == "throttle_us":
        return _feeler(place, None, fields[1], gap * FACTORS["length"][_GAPS[head[2]]] * 1e3, where)
    factor = next(f for unit, f in FACTORS["pressure"].items() if head[0] == f"suction_{unit.lower()}")
    return _feeler(None, place * factor, fields[1], gap * FACTORS["length"][_GAPS[head[2]]] * 1e3, where)


def feeler_of(given: str, where: str) -> Feeler:
    """Read a gap as an option gives it."""
    fields = [field.strip() for field in given.split(",")] if len(given) <= 120 else []
    if len(fields) != 3:
        raise ReductionError("no gap", where=where, seen=given, expected="1600,front,1.2 mm")
    try:
        gap_mm = _number(fields[2], "mm", where)
        bare = fields[0].replace(".", "", 1).isdigit() or fields[0].endswith("us")
        place = _number(fields[0], "us" if bare else "Pa", where)
    except UndertrayError as error:
        raise ReductionError(str(error), do="write 1600,front,1.2 mm") from error
    return _feeler(place if bare else None, None if bare else place, fields[1], gap_mm, where)


def _number(text: str, unit: str, where: str) -> float:
    try:
        return quantity(float(text), unit, where)
    except ValueError:
        return quantity(text, unit, where)


def _feeler(
    throttle_us: float | None, suction_pa: float | None, axle: str, gap_mm: float, where: str
) -> Feeler:
    place = throttle_us if suction_pa is None else suction_pa
    most = _MOST_US if suction_pa is None else _MOST_PA
    if axle not in ("front", "rear") or not 0 <= gap_mm <= _MOST_MM or not 0 < (place or 0.0) <= most:
        raise ReductionError(
            "no gap",
            where=where,
            seen=f"{place},{axle},{gap_mm:g} mm",
            expected=f"a throttle or suction above 0, front or rear, and 0 to {_MOST_MM:g} mm",
        )
    return Feeler(throttle_us, suction_pa, axle, gap_mm)

"""Calibration points: steady readings of the column and of every sensor on it."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from undertray.errors import CalibrationError
from undertray.units import FACTORS

__all__ = ["Dropped", "Points", "read_points"]

Array = NDArray[np.float64]
_MOST_BYTES = 1_000_000
_MOST_ROWS = 1000
_MOST_COLUMNS = 16
_MOST_MM = 10_000.0
_MOST_PA = 1e6
_HEIGHT_UNITS = {
    f"height_{unit}": FACTORS["length"][unit] / FACTORS["length"]["mm"] for unit in ("mm", "cm", "in")
}


@dataclass(frozen=True, slots=True)
class Dropped:
    """A reading that was taken back."""

    height_mm: float
    upward: bool
    nominal_pa: tuple[float, ...]
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """n steady readings of N sensors teed on one column."""

    columns: tuple[str, ...]
    height_mm: Array
    upward: NDArray[np.bool_]
    nominal_pa: Array
    mean_sd_pa: Array | None = None
    dropped: tuple[Dropped, ...] = ()
    places: tuple[str, ...] = ()
    doubts: tuple[tuple[str, ...], ...] = ()


def read_points(path: str | Path) -> Points:
    """Read points from a CSV file."""
    where = Path(path).name
    lines = _lines(Path(path), where)
    number, header = lines[0]
    fields = [field.strip() for field in header]
    names = _names(fields, f"{where}, line {number}")
    to_mm = _HEIGHT_UNITS[fields[0]]
    rows = [_row(row, len(fields), f"{where}, line {number}") for number, row in lines[1:]]
    if len(rows) > _MOST_ROWS:
        raise CalibrationError(
            "too many points", where=where, seen=len(rows), expected=f"at most {_MOST_ROWS}"
        )
    for (number, _), (height, _, _) in zip(lines[1:], rows, strict=True):
        if not 0 <= height * to_mm <= _MOST_MM:
            raise CalibrationError(
                "column height out of range",
                where=f"{where}, line {number}",
                seen=height,
                expected=f"0 to {_MOST_MM / to_mm:g}",
                do="give the height difference as its size, without a sign",
            )
    return Points(
        columns=names,
        height_mm=np.array([row[0] for row in rows], float) * to_mm,
        upward=np.array([row[1] for row in rows], bool),
        nominal_pa=np.array([row[2] for row in rows], float).reshape(len(rows), len(names)),
        places=tuple(f"line {number}" for number, _ in lines[1:]),
    )


def _lines(path: Path, where: str) -> list[tuple[int, list[str]]]:
    try:
        with path.open("rb") as file:
            raw = file.read(_MOST_BYTES + 1)
        text = raw.decode("utf-8-sig")
    except OSError as error:
        raise CalibrationError(
            f"the points cannot be read: {error.strerror}", where=str(path), do="check the path"
        ) from None
    except UnicodeDecodeError:
        raise CalibrationError(
            "the points are not text", where=where, expected="a CSV file in UTF-8"
        ) from None
    if len(raw) > _MOST_BYTES:
        raise CalibrationError(
            "the points file is too large", where=where, expected=f"at most {_MOST_BYTES} bytes"
        )
    found = []
    for number, line in enumerate(text.splitlines(), 1):
        if line.strip() and not line.startswith("#"):
            try:
                found.append((number, next(csv.reader([line], strict=True))))
            except csv.Error as error:
                raise CalibrationError(
                    f"malformed CSV ({error})", where=f"{where}, line {number}", seen=line
                ) from None
    if not found:
        raise CalibrationError(
            "no points", where=where, expected="a header height_mm,direction,p1_pa,... and rows below it"
        )
    return found


def _names(fields: list[str], where: str) -> tuple[str, ...]:
    sensors = fields[2:]
    good = (
        len(fields) >= 3
        and fields[0] in _HEIGHT_UNITS
        and fields[1] == "direction"
        and all(3 < len(name) <= 40 and name.endswith("_pa") for name in sensors)
        and len(set(sensors)) == len(sensors) <= _MOST_COLUMNS
    )
    if not good:
        raise CalibrationError(
            "the header is another",
            where=where,
            seen=",".join(fields),
            expected="height_mm,direction,p1_pa,p2_pa,... with up to 16 different names",
        )
    return tuple(name.removesuffix("_pa") for name in sensors)


def _row(row: list[str], width: int, where: str) -> tuple[float, bool, list[float]]:
    if len(row) != width:
        raise CalibrationError(
            "wrong number of fields",
            where=where,
            seen=",".join(row),
            expected=f"{width} fields as in the header",
        )
    direction = row[1].strip()
    if direction not in ("up", "down"):
        raise CalibrationError("bad direction", where=where, seen=row[1], expected="'up' or 'down'")
    return (
        _number(row[0], _MOST_MM, "column height", where),
        direction == "up",
        [_number(field, _MOST_PA, "nominal suction in Pa", where) for field in row[2:]],
    )


def _number(field: str, most: float, name: str, where: str) -> float:
    try:
        value = float(field) if len(field) <= 40 else math.nan
    except ValueError:
        value = math.nan
    if not abs(value) <= most:
        raise CalibrationError(f"bad {name}", where=where, seen=field, expected=f"a number up to {most:g}")
    return value

"""Calibration points: read, and refused where no honest calibration can be made of them."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.fit import SCATTER_LEVEL, Fit
from undertray.errors import CalibrationError, CalibrationRefused
from undertray.units import FACTORS

__all__ = ["NEAR_ZERO", "Dropped", "Points", "check_points", "check_reading", "outlying", "read_points"]

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


# Points that the others disagree with: to be looked at, never dropped.

_STANDS_OUT = 3.5  # standard deviations: one of 15 sound points is as far off in one calibration of 150
_MOST_SHARE = 4  # at most one point of so many: more are no slips


def outlying(fitted: Callable[[NDArray[np.bool_]], Fit], x: Array, y: Array) -> dict[int, float]:
    """Find the few points without which the rest scatters as stated.

    Parameters
    ----------
    fitted : callable
        Takes a mask of the points to fit, shape (n,), and returns the fit through them.
    x, y : ndarray of float64, shape (n,)
        All points.

    Returns
    -------
    dict of int to float
        Which points, and how far each lies off the curve through the rest, unit of y. Empty
        where no point stands out, and where the rest would still scatter more than stated:
        then it is no slip of one or two points.

    Notes
    -----
    The point with the largest standardised residual is taken out and the rest fitted again, as
    long as that is above 3.5 and not more than a quarter of the points are out. So two slips
    cannot hide each other, nor can one at the end of the range, which pulls the curve to itself.
    """
    kept = np.ones(len(x), dtype=bool)
    try:
        fit = fitted(kept)
        while (sizes := np.abs(fit.standardised)).max() > _STANDS_OUT:
            if (~kept).sum() >= len(x) // _MOST_SHARE:
                return {}
            kept[np.flatnonzero(kept)[np.argmax(sizes)]] = False
            fit = fitted(kept)
    except CalibrationError:
        return {}  # the rest carries no curve
    if fit.p_value < SCATTER_LEVEL:
        return {}
    off = y - fit.value(x)
    return {int(k): float(off[k]) for k in np.flatnonzero(~kept)}


_LEAST_POINTS = 5
_LEAST_LEVELS = 3
NEAR_ZERO = 0.05  # of the highest: near enough for a line to tell zero (common practice, no source)
_LEAST_CHANGE_PA = 0.01  # a thousandth of a millimetre of water
_FOLLOWS = 0.9  # correlation of reading and column below which a hose is off or leaks

# By its own scale a sensor is good to a few per cent of its range (their data sheets); half or twice is a
# slip: one meniscus read for two, heights in cm or inches, the wrong range in board.json
_LEAST_GAIN, _MOST_GAIN = 0.7, 1.4


def check_points(height_mm: Array, column_pa: Array, working_pa: float | None) -> None:
    """Refuse points that cannot carry a calibration."""
    count = len(height_mm)
    if count < _LEAST_POINTS:
        raise CalibrationRefused(
            "too few points",
            seen=count,
            expected=f"at least {_LEAST_POINTS}",
            do="take more heights, up and down",
        )
    if height_mm.min() > NEAR_ZERO * height_mm.max():
        raise CalibrationRefused(
            "no zero point",
            seen=f"lowest height {height_mm.min():g} mm",
            expected=f"a reading at height 0, or below {NEAR_ZERO * height_mm.max():.3g} mm",
            do="open both ports to the room and take one",
        )
    heights = len(np.unique(height_mm))
    if heights < _LEAST_LEVELS:
        raise CalibrationRefused("too few heights", seen=heights, expected=f"at least {_LEAST_LEVELS}")
    if working_pa is not None and column_pa.max() < working_pa:
        needed_mm = math.ceil(working_pa / column_pa.max() * height_mm.max())
        raise CalibrationRefused(
            "the points do not cover the working suction",
            seen=f"{column_pa.max():.1f} Pa at most",
            expected=f"{working_pa:.1f} Pa",
            do=f"raise the column to {needed_mm} mm or more",
        )


# Sound readings scatter about their line by a per cent or two of the range. This stands for some 5 %, so that
# a hose that leaks is not told away by leaving out one point.
_FITS = 0.99


def check_reading(points: Points, i: int, column_pa: Array) -> None:
    """Refuse a sensor that does not go with the column, and name the one point that is to blame.

    Parameters
    ----------
    points : Points
        All readings.
    i : int
        Which sensor.
    column_pa : ndarray of float64, shape (n,)
        Pressure of the liquid column, Pa.

    Raises
    ------
    CalibrationRefused
        The reading does not change with the column, does not follow it, goes the other way, or is off by
        a factor. Where all the others go with it once exactly one point is left out, that point is named.
    """
    name, nominal = points.columns[i], points.nominal_pa[:, i]
    try:
        _check_direction(name, nominal, column_pa)
        _check_gain(name, nominal, column_pa)
    except CalibrationRefused:
        slip = _only_slip(nominal, column_pa)
        if slip is None:
            raise
        rest = np.arange(len(nominal)) != slip
        slope, offset = np.polyfit(nominal[rest], points.height_mm[rest], 1)
        place = f"{points.places[slip]}: " if points.places else ""
        raise CalibrationRefused(
            "one point does not go with all the others",
            where=name,
            seen=f"{place}{points.height_mm[slip]:g} mm, at {nominal[slip]:.1f} Pa",
            expected=f"about {offset + slope * nominal[slip]:.0f} mm by the others",
            do="look at that height and that reading again: a digit too many, another unit, another line",
        ) from None


def _only_slip(nominal: Array, column_pa: Array) -> int | None:
    """The one point without which the rest lie on the line of a sound sensor; None for none, or several."""
    found = []
    for k in range(len(nominal)):
        x, y = np.delete(nominal, k), np.delete(column_pa, k)
        try:
            _check_direction("", x, y)
            _check_gain("", x, y)
        except CalibrationRefused:
            continue
        if np.ptp(y) > 0 and float(np.corrcoef(x, y)[0, 1]) > _FITS:
            found.append(k)
    return found[0] if len(found) == 1 else None


def _check_direction(name: str, nominal: Array, column_pa: Array) -> None:
    """Refuse a sensor that does not follow the column, or goes the wrong way."""
    if np.ptp(nominal) < _LEAST_CHANGE_PA:
        raise CalibrationRefused(
            "the reading does not change with the column",
            where=name,
            seen=f"{nominal[0]:g} Pa",
            do="check the hose and the sensor",
        )
    follows = float(np.corrcoef(nominal, column_pa)[0, 1])
    if follows < -_FOLLOWS:
        raise CalibrationRefused(
            "the reading falls as the column rises: the sensor's ports are swapped",
            where=name,
            seen=f"{nominal[np.argmax(column_pa)]:.1f} Pa at the greatest height",
            expected="a reading that rises",
            do="move the hose to the other port, or name the other port in board.json",
        )
    if follows < _FOLLOWS:
        raise CalibrationRefused(
            "the reading does not follow the column",
            where=name,
            seen=f"correlation {follows:.2f}",
            expected=f"above {_FOLLOWS}",
            do="look for a hose that is off, leaks or is kinked, and for heights typed in a wrong order",
        )


def _check_gain(name: str, nominal: Array, column_pa: Array) -> None:
    """Refuse a sensor that is off by a factor: not its error, but somebody's slip.

    Parameters
    ----------
    name : str
        The pressure column, for the error line.
    nominal : ndarray of float64, shape (n,)
        Nominal suction of the sensor, Pa; not all the same.
    column_pa : ndarray of float64, shape (n,)
        Pressure of the liquid column, Pa.

    Raises
    ------
    CalibrationRefused
        The column rises by less than 0.7 or more than 1.4 Pa for each Pa of the sensor.

    Notes
    -----
    The gain is the slope of the least-squares line of the column's pressure over the reading.
    """
    about = nominal - nominal.mean()
    gain = float(about @ (column_pa - column_pa.mean()) / (about @ about))
    if not _LEAST_GAIN <= gain <= _MOST_GAIN:
        raise CalibrationRefused(
            "the column and the sensor differ by a factor",
            where=name,
            seen=f"{gain:.3g} Pa of the column for each Pa of the sensor",
            expected=f"{_LEAST_GAIN:g} to {_MOST_GAIN:g}",
            do="check that heights are in mm and the whole difference of both menisci (--limbs), the liquid "
            "(--density), and the sensor's range in board.json",
        )

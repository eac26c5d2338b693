"""What a calibration is worth, and what it found: a sentence, a table, and the details."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from undertray.calibrate.accuracy import depart_together, departs, made_worse, worst_u95_pa
from undertray.calibrate.calibration import Calibration, ColumnCalibration
from undertray.calibrate.findings import (
    column_alarms,
    column_remarks,
    doubted_directions,
    left_out,
    liquid_line,
    own_scale_pa,
    shared_alarms,
)
from undertray.reduce.loads import load_matrix
from undertray.report.comparewords import text_table
from undertray.report.display import SI, Display, span_of

if TYPE_CHECKING:
    from undertray.reduce.car import Car

__all__ = ["curve_words", "details", "figure_words", "in_one_line", "sensor_table", "told_fine"]


# What a calibration is worth, in one sentence.

_GOOD, _FAIR = 0.02, 0.05  # of the highest suction that it covers; common practice, no source


def in_one_line(
    done: Calibration, car: Car | None = None, shown: Display = SI, called: Callable[[str], str] = str
) -> str:
    """What it is worth: its largest uncertainty, and what that is in force under the whole floor."""
    name, column = max(done.columns.items(), key=lambda one: worst_u95_pa(one[1])[0])
    u95_pa, _ = worst_u95_pa(column)
    top_pa = float(column.apply(np.array(column.range_pa[1])))
    top_pa = min(top_pa, column.facts.get("working_pa") or top_pa)
    word = "Good" if u95_pa <= _GOOD * top_pa else "Fair" if u95_pa <= _FAIR * top_pa else "Poor"
    doubtful = [
        called(key)
        for key, one in done.columns.items()
        if departs(one)
        or made_worse(one)
        or any("doubt" in p or "off_the_others_pa" in p for p in one.points)
    ]
    if doubted_directions(done):
        doubtful.append("the directions")
    if doubtful or depart_together(done.columns):
        word = f"Look again at {', '.join(doubtful) or 'the column'}, as said below"
    force = ""
    if car is not None:
        per_pa = float(load_matrix(car).matrix[0].sum())
        force = f", about {shown.n(u95_pa * per_pa)} on your car"
    return f"{word}: ±{shown.pa(u95_pa)} at most ({called(name)}), up to {shown.pa(top_pa)}{force}."


def sensor_table(done: Calibration, shown: Display = SI) -> list[str]:
    """What each sensor was off by its own scale, and what it is within now: lines of a table."""
    columns = done.columns.values()
    ends_pa = [float(one.apply(np.array(one.range_pa[1]))) for one in columns]
    at_pa = min(one.facts.get("working_pa") or end_pa for one, end_pa in zip(columns, ends_pa, strict=True))
    heads = (
        "sensor",
        "own scale off at rest",
        f"off at {shown.pa(at_pa)}",
        "calibrated within",
        "covers up to",
    )
    rows = [
        (
            f"{name} {column.part}".strip(),
            _signed_pa(own_scale_pa(column, 0.0), shown),
            _signed_pa(own_scale_pa(column, at_pa), shown),
            f"±{shown.pa(worst_u95_pa(column)[0])}",
            shown.pa(end_pa),
        )
        for (name, column), end_pa in zip(done.columns.items(), ends_pa, strict=True)
    ]
    return list(text_table(heads, rows, numbers_right=False))


def _signed_pa(value_pa: float, shown: Display) -> str:
    return ("+" if value_pa > 0 else "") + shown.pa(value_pa)


# The details: what must not be overlooked, the figures of each sensor, and what there is to say of them.

_FINER = 2  # decimals more in inH2O than a suction has: errors are a hundredth of it
_NUMBER = re.compile(r"(?<![\w.])[+\-]?\d+(?:\.\d+)?(?:e[+\-]?\d+)?(?![\w.]*\d)")


def told_fine(text: str, shown: Display) -> str:
    """A sentence of a calibration in the units shown, as fine as its errors are."""
    return shown.told(text, _FINER)


def details(done: Calibration, shown: Display = SI) -> list[str]:
    """What a calibration found; nothing is left out that only the file would tell of a doubt."""
    lines = [
        liquid_line(done, shown.length, shown.length_mm),
        *(line for alarm in shared_alarms(done) for line in ("", alarm)),
    ]
    alarms = {name: column_alarms(column) for name, column in done.columns.items()}
    for name, column in done.columns.items():
        if alarms[name]:
            lines += ["", f"{name} {column.part}".strip(), *(f"  {alarm}" for alarm in alarms[name])]
    remarks = _said_once({name: column_remarks(column) for name, column in done.columns.items()})
    remarks += [f"{name}: {line}" for name, column in done.columns.items() for line in left_out(column)]
    lines += ["", *_figures(done, shown), *([""] if remarks else []), *remarks]
    return [told_fine(line, shown) for line in lines]


def _figures(done: Calibration, shown: Display) -> list[str]:
    """A line a sensor."""
    factors = sorted({f"{column.coverage_factor:.2f}" for column in done.columns.values()})
    heads = ("", "suction from x, its own scale", "scatter", "non-linear", "hysteresis", "repeats")
    rows = [
        (
            name,
            curve_words(column, shown, errors=True),
            *(
                figure_words(value_pa, shown).removesuffix(f" {shown.pressure}")
                for value_pa in (
                    column.residual_sd_pa,
                    column.linearity_pa,
                    column.hysteresis_pa,
                    column.repeatability_pa,
                )
            ),
        )
        for name, column in done.columns.items()
    ]
    return [
        f"in {shown.pressure}; standard errors in brackets; ± above: 95 %, k = {' and '.join(factors)}",
        *text_table(heads, rows, numbers_right=False),
    ]


def curve_words(column: ColumnCalibration, shown: Display = SI, errors: bool = False) -> str:
    """The curve in the units shown: suction from x, what the sensor's own scale says."""
    own = np.sqrt(np.diag(column.covariance))
    said = []
    for power, (in_pa, error_in_pa) in enumerate(zip(column.coefficients, own, strict=True)):
        factor = shown.pressure_pa ** (1 - power)
        value, error = in_pa / factor, float(error_in_pa) / factor
        term = ("", " x", " x²")[power]
        said.append(f"{_to_its_error(value, error)}({error:.2g}){term}" if errors else f"{value:+.4g}{term}")
    return " ".join(said if errors else [said[0], *(f"{one[0]} {one[1:]}" for one in said[1:])])


def _to_its_error(value: float, error: float) -> str:
    """A coefficient with the decimals of two digits of its error: the file has them all."""
    places = 1 - math.floor(math.log10(error)) if error > 0 else 6
    return f"{value:+.{places}f}" if 0 <= places <= 6 else f"{value:+.3g}"


def figure_words(value_pa: float | None, shown: Display = SI) -> str:
    """A figure that points may not show."""
    return "not shown" if value_pa is None else f"{shown.pa_text(value_pa, '', finer=2)} {shown.pressure}"


def _said_once(remarks: Mapping[str, Sequence[str]]) -> list[str]:
    """The remarks on all sensors: one that differs only in its numbers is said once, with their ranges."""
    alike: dict[str, dict[str, str]] = {}
    for name, lines in remarks.items():
        for line in lines:
            alike.setdefault(_NUMBER.sub("#", line), {})[name] = line
    said = []
    for of in alike.values():
        who = "all sensors" if len(of) == len(remarks) > 1 else ", ".join(of)
        said.append(f"{who}: {_ranged(list(of.values()))}")
    return said


def _ranged(lines: Sequence[str]) -> str:
    """One line for several that differ in their numbers: each from its least to its greatest."""
    numbers = zip(*(_NUMBER.findall(line) for line in lines), strict=True)
    spans = iter([span_of(min(each, key=float), max(each, key=float)) for each in numbers])
    return _NUMBER.sub(lambda _: next(spans), lines[0])

"""The certificate of a calibration: its verdict and a page a sensor, as PDF or PNG, always the same bytes."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from undertray.calibrate.accuracy import depart_together, departs, made_worse, worse_heading, worst_u95_pa
from undertray.calibrate.calibration import Calibration, ColumnCalibration
from undertray.calibrate.findings import (
    column_alarms,
    column_remarks,
    doubted_directions,
    findings,
    missing_end_zero,
    own_scale_pa,
    shown_pa,
)
from undertray.errors import CalibrationError
from undertray.files import write_whole
from undertray.reduce.loads import load_matrix
from undertray.report.comparewords import text_table
from undertray.report.display import SI, Display
from undertray.report.style import EVENT, GRID, INK, LIMIT, SERIES, settings

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from undertray.reduce.car import Car

__all__ = ["certificate_page", "in_one_line", "kind_of_certificate", "sensor_table", "write_certificate"]


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


# The page.

_A4_IN = (8.27, 11.69)
_DPI = 150
_LEFT, _MIDDLE = 0.08, 0.57  # of the page's width: where words begin, and the readings beside them
_MOST_ROWS = 23
_MOST_LINES = 25
_ROW = 0.0132  # of the page's height
_LOWER = 0.372
_UP, _DOWN = SERIES[0], SERIES[1]
_DRAWN = frozenset({"height_mm", "direction", "nominal_pa", "column_pa", "residual_pa"})
_NOTE = (
    "Made in a workshop against a liquid column; not the certificate of an accredited laboratory."
    " Expanded uncertainties are for 95 % coverage."
)
_TERMS = (
    "x: suction by the sensor's own scale, as its data sheet has it. Less curve: what the column gave, less"
    " what the calibration makes of x. Non-linearity: how far the points depart from the straight line that"
    " fits best. Hysteresis: how far rising and falling column are apart. ±: the interval that holds the true"
    " suction 95 times in 100."
)
_OWN_SCALE = "x, suction by the sensor's own scale, Pa"
_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)


def write_certificate(
    calibration: Calibration,
    path: str | Path,
    *,
    car: Car | None = None,
    shown: Display = SI,
    notes: Sequence[str] = (),
) -> list[Path]:
    """Write the certificate: one PDF with a page a sensor, or a PNG a sensor."""
    path = Path(path)
    kind = kind_of_certificate(path)
    with settings():
        pages = {
            name: certificate_page(calibration, name, car=car, shown=shown, notes=notes)
            for name in calibration.columns
        }
        try:
            return (_write_pdf if kind == ".pdf" else _write_png)(pages, path)
        except OSError as error:
            raise CalibrationError(
                f"the certificate cannot be written: {error.strerror}", where=str(path), do="check the folder"
            ) from None


def kind_of_certificate(path: Path) -> str:
    """How a certificate is written; refused where the name does not say so."""
    kind = path.suffix.lower()
    if kind not in (".pdf", ".png"):
        raise CalibrationError(
            "unknown kind of certificate", seen=path.name, expected="a name that ends in .pdf or .png"
        )
    return kind


def _write_pdf(drawn: Mapping[str, Figure], path: Path) -> list[Path]:
    from matplotlib.backends.backend_pdf import PdfPages

    no_date: dict[str, Any] = {"CreationDate": None, "Creator": None, "Producer": None}
    whole = BytesIO()  # the library that draws cannot cope with a disk that fills up
    with PdfPages(whole, metadata=no_date) as pages:
        for figure in drawn.values():
            pages.savefig(figure)
    write_whole(path, whole.getvalue())
    return [path]


def _write_png(drawn: Mapping[str, Figure], path: Path) -> list[Path]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    written = []
    for name, figure in drawn.items():
        own = path if len(drawn) == 1 else path.with_stem(f"{path.stem}-{name}")
        FigureCanvasAgg(figure)
        whole = BytesIO()
        figure.savefig(whole, dpi=_DPI, format="png", metadata={"Software": None})
        write_whole(own, whole.getvalue())
        written.append(own)
    return written


def certificate_page(
    calibration: Calibration,
    name: str,
    *,
    car: Car | None = None,
    shown: Display = SI,
    notes: Sequence[str] = (),
) -> Figure:
    """Draw the certificate of one sensor, under the name of its tap where the car is known."""
    from matplotlib.figure import Figure

    column = calibration.columns[name]
    figure = Figure(figsize=_A4_IN)
    doubts = [worse_heading(column)] if made_worse(column) else []
    if departs(column):
        together = depart_together(calibration.columns)
        doubts.append("check the column: all sensors are off alike" if together else "far off its own scale")
    if doubts:
        heading = "; ".join(doubts).capitalize()
        figure.text(_LEFT, 0.99, heading, size=13, weight="bold", color=EVENT["seal-loss"], va="top")
    taps = {} if car is None else {tap.column: _safe(tap.name) for tap in car.taps}
    tap = taps.get(name, "")
    sensor = f"{_safe(name)} {_safe(column.part)}".strip()
    figure.text(_LEFT, 0.953, f"Calibration of {tap or sensor}", size=16, weight="bold")
    board = f"board {_safe(calibration.uid)}" if calibration.uid else "board not known"
    of = f"sensor {sensor}, {board}" if tap else board
    figure.text(_LEFT, 0.935, f"{of}, {_date(calibration.made_utc)}", color=LIMIT)
    verdict = in_one_line(calibration, car, shown, lambda key: f"{_safe(key)} {taps.get(key, '')}".strip())
    whole = "All sensors. " if len(calibration.columns) > 1 else ""
    verdict_lines = textwrap.wrap(_paper(f"{whole}{verdict}"), 94)[:3]
    figure.text(_LEFT, 0.92, "\n".join(verdict_lines), size=9.5, weight="bold", va="top", linespacing=1.3)
    _write_summary(figure, column, 0.92 - 0.0175 * len(verdict_lines) - 0.008)
    figure.text(_LEFT, 0.802, _paper(_safe(findings(calibration)[0], 160)), size=8, color=LIMIT)
    scale = _Scale.of(calibration)
    _draw_curve(figure.add_axes((0.11, 0.625, 0.83, 0.165)), column, scale)
    _draw_residuals(figure.add_axes((0.11, 0.44, 0.83, 0.135)), column, scale)
    told = [doubted_directions(calibration), missing_end_zero(calibration)]
    _write_words(figure, [*column_alarms(column), *filter(None, told), *column_remarks(column), *notes])
    _draw_table(figure, _kept(column))
    for k, line in enumerate(reversed(textwrap.wrap(_TERMS, 130))):
        figure.text(_LEFT, 0.035 + 0.0125 * k, line, size=7.5)
    figure.text(_LEFT, 0.02, _NOTE, size=6.5, color=LIMIT)
    return figure


def _kept(column: ColumnCalibration) -> list[Mapping[str, Any]]:
    return [point for point in column.points if "dropped" not in point and set(point) >= _DRAWN]


def _date(made_utc: str) -> str:
    """The day and the time as they are spoken; as they stand where they are none."""
    try:
        at = datetime.strptime(made_utc, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)
    except ValueError:
        return _safe(made_utc)
    return f"{at.day} {_MONTHS[at.month - 1]} {at.year}, {at:%H:%M} UTC"


def _paper(text: str) -> str:
    """Words of the screen for paper: without the names of options, and with the sign for minus."""
    text = re.sub(r",? \(--[^()]*\)|: --log[^()]*", "", text)
    return re.sub(r"(?<![\w.])-(?=[\d. ])", "−", text)


@dataclass(frozen=True, slots=True)
class _Scale:
    """Limits that all pages share, so that sensors can be laid side by side."""

    nominal_pa: tuple[float, float]
    residual_pa: float

    @classmethod
    def of(cls, calibration: Calibration) -> _Scale:
        columns = calibration.columns.values()
        low, high = min(c.range_pa[0] for c in columns), max(c.range_pa[1] for c in columns)
        edge = 0.03 * (high - low)
        reach = [
            *(float(_band(column, np.linspace(*column.range_pa, 201)).max()) for column in columns),
            *(
                abs(float(point["residual_pa"])) + _BAR * float(point.get("u_pa", 0.0))
                for column in columns
                for point in _kept(column)
            ),
        ]
        return cls((low - edge, high + edge), 1.08 * max(*reach, 1e-3))


def _safe(text: str, limit: int = 60) -> str:
    """Foreign text for the page: printable, on one line, of bounded length."""
    return "".join(c if c.isprintable() else "?" for c in text[:limit])


def _directions(kept: list[Mapping[str, Any]], key: str, direction: str) -> tuple[np.ndarray, np.ndarray]:
    chosen = [point for point in kept if point.get("direction") == direction and key in point]
    return (
        np.array([point["nominal_pa"] for point in chosen], float),
        np.array([point[key] for point in chosen], float),
    )


_BAR = 2  # standard uncertainties of a point's own bar


def _draw_points(axes: Axes, kept: list[Mapping[str, Any]], key: str, bar: int) -> None:
    """Points by direction, with ``bar`` times their own standard uncertainty."""
    for direction, marker, colour in (("up", "^", _UP), ("down", "v", _DOWN)):
        x, y = _directions(kept, key, direction)
        u = _directions(kept, "u_pa", direction)[1]
        axes.errorbar(
            x,
            y,
            yerr=bar * u if bar and len(u) == len(y) else None,
            fmt=marker,
            color=colour,
            markersize=5,
            elinewidth=0.7,
            capsize=2,
            label=f"{'rising' if direction == 'up' else 'falling'} column",
        )


def _draw_curve(axes: Axes, column: ColumnCalibration, scale: _Scale) -> None:
    grid = np.linspace(*column.range_pa, 201)
    axes.plot(grid, column.apply(grid), color=INK, lw=1, label="calibration")
    _draw_points(axes, _kept(column), "column_pa", 0)
    axes.set_xlim(scale.nominal_pa)
    axes.set_xlabel(_OWN_SCALE)
    axes.set_ylabel("column, Pa")
    axes.grid(color=GRID, lw=0.5)
    axes.legend(frameon=False, loc="upper left", fontsize=8)


def _band(column: ColumnCalibration, grid: np.ndarray) -> np.ndarray:
    row = column.powers(grid)
    variance = np.einsum("ni,ij,nj->n", row, column.covariance, row)
    return np.asarray(column.coverage_factor * np.sqrt(variance))


def _draw_residuals(axes: Axes, column: ColumnCalibration, scale: _Scale) -> None:
    grid = np.linspace(*column.range_pa, 201)
    band = _band(column, grid)
    axes.fill_between(grid, -band, band, color=GRID, lw=0, label="95 % band of the curve, all sources")
    axes.axhline(0, color=INK, lw=0.8)
    _draw_points(axes, _kept(column), "residual_pa", _BAR)
    axes.set_xlim(scale.nominal_pa)
    axes.set_ylim(-scale.residual_pa, 1.6 * scale.residual_pa)  # room for the legend
    axes.set_xlabel(_OWN_SCALE)
    axes.set_ylabel("column less curve, Pa")
    axes.legend(frameon=False, loc="upper center", ncols=3, fontsize=8)


def _write_summary(figure: Figure, column: ColumnCalibration, top: float) -> None:
    """The figures of this sensor, in two columns."""
    u95_pa, at_pa = worst_u95_pa(column)
    low, high = column.range_pa
    terms = zip(column.coefficients, ("", " x", " x²"), strict=False)
    first, *more = (f"{b:+.4g}{term}" for b, term in terms)
    curve = " ".join([first.removeprefix("+"), *(f"{term[0]} {term[1:]}" for term in more)])
    rows = (
        ("this sensor, 95 %", f"±{u95_pa:.1f} Pa at most, at {at_pa:.0f} Pa"),
        ("suction, from x", f"{curve} Pa"),
        ("covers", f"{low:.1f} to {high:.1f} Pa"),
        ("non-linearity", shown_pa(column.linearity_pa)),
        ("hysteresis", shown_pa(column.hysteresis_pa)),
        ("scatter", f"{column.residual_sd_pa:.2f} Pa (standard deviation)"),
    )
    for k, (label, value) in enumerate(rows):
        left, y = (_LEFT, _MIDDLE)[k // 3], top - 0.0175 * (k % 3)
        figure.text(left, y, label, size=9, va="top", color=LIMIT)
        figure.text(left + (0.15, 0.12)[k // 3], y, _paper(value), size=9, va="top")


def _write_words(figure: Figure, findings_: Sequence[str]) -> None:
    """Findings as a list, each with its own mark and a hanging indent."""
    figure.text(_LEFT, 0.388, "Findings", weight="bold", va="top")
    line = 0
    for finding in findings_:
        words = textwrap.wrap(_paper(_safe(finding, 400)), 57) or [""]
        if line + len(words) > _MOST_LINES - 1:
            figure.text(_LEFT, _LOWER - _ROW * line, "and more in the calibration file", size=8, va="top")
            return
        figure.text(_LEFT, _LOWER - _ROW * line, "•", size=8, va="top")
        for text in words:
            figure.text(_LEFT + 0.014, _LOWER - _ROW * line, text, size=8, va="top")
            line += 1


def _draw_table(figure: Figure, kept: list[Mapping[str, Any]]) -> None:
    figure.text(_MIDDLE, 0.388, "Readings", weight="bold", va="top")
    heads = ("mm", "", "column, Pa", "x, Pa", "less curve")
    places = (0.61, 0.625, 0.75, 0.845, 0.94)
    rows = [
        (
            f"{point['height_mm']:.1f}",
            str(point["direction"]),
            *(f"{point[key]:.2f}" for key in ("column_pa", "nominal_pa", "residual_pa")),
        )
        for point in kept[:_MOST_ROWS]
    ]
    for k, row in enumerate((heads, *rows)):
        for place, text in zip(places, row, strict=True):
            figure.text(
                place,
                _LOWER - _ROW * k,
                _paper(_safe(text)),
                size=7.5,
                va="top",
                ha="left" if place == places[1] else "right",
            )
    if len(kept) > _MOST_ROWS:
        below = _LOWER - _ROW * (_MOST_ROWS + 1)
        figure.text(
            _MIDDLE, below, f"and {len(kept) - _MOST_ROWS} more in the calibration file", size=7.5, va="top"
        )

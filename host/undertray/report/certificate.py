"""The certificate of a calibration: a page a sensor, as PDF or PNG, always the same bytes."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from undertray.calibrate.accuracy import depart_together, departs, made_worse, worse_heading, worst_u95_pa
from undertray.calibrate.calibration import Calibration, ColumnCalibration
from undertray.calibrate.findings import column_alarms, column_remarks, left_out, liquid_line, shared_alarms
from undertray.errors import CalibrationError
from undertray.files import write_whole
from undertray.report.calibrationwords import curve_words, figure_words, in_one_line, told_fine
from undertray.report.display import SI, Display
from undertray.report.style import EVENT, GRID, INK, LIMIT, SERIES, settings

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from undertray.reduce.car import Car

__all__ = ["certificate_page", "kind_of_certificate", "write_certificate"]


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
_OWN_SCALE = "x, suction by the sensor's own scale"
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
    _write_summary(figure, column, 0.92 - 0.0175 * len(verdict_lines) - 0.008, shown)
    liquid = _paper(_safe(told_fine(liquid_line(calibration, shown.length, shown.length_mm), shown), 160))
    figure.text(_LEFT, 0.802, liquid, size=8, color=LIMIT)
    scale = _Scale.of(calibration, shown)
    _draw_curve(figure.add_axes((0.11, 0.625, 0.83, 0.165)), column, scale, shown)
    _draw_residuals(figure.add_axes((0.11, 0.44, 0.83, 0.135)), column, scale, shown)
    own = [*column_remarks(column), *left_out(column)]
    said = [*column_alarms(column), *shared_alarms(calibration), *own, *notes]
    _write_words(figure, [told_fine(line, shown) for line in said])
    _draw_table(figure, _kept(column), shown)
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
    """Limits that all pages share, so that sensors can be laid side by side; in the units shown."""

    nominal: tuple[float, float]
    residual: float

    @classmethod
    def of(cls, calibration: Calibration, shown: Display) -> _Scale:
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
        unit_pa = shown.pressure_pa
        return cls(((low - edge) / unit_pa, (high + edge) / unit_pa), 1.08 * max(*reach, 1e-3) / unit_pa)


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


def _draw_points(axes: Axes, kept: list[Mapping[str, Any]], key: str, bar: int, unit_pa: float) -> None:
    """Points by direction, with ``bar`` times their own standard uncertainty."""
    for direction, marker, colour in (("up", "^", _UP), ("down", "v", _DOWN)):
        x, y = _directions(kept, key, direction)
        u = _directions(kept, "u_pa", direction)[1]
        axes.errorbar(
            x / unit_pa,
            y / unit_pa,
            yerr=bar * u / unit_pa if bar and len(u) == len(y) else None,
            fmt=marker,
            color=colour,
            markersize=5,
            elinewidth=0.7,
            capsize=2,
            label=f"{'rising' if direction == 'up' else 'falling'} column",
        )


def _draw_curve(axes: Axes, column: ColumnCalibration, scale: _Scale, shown: Display) -> None:
    grid, unit_pa = np.linspace(*column.range_pa, 201), shown.pressure_pa
    axes.plot(grid / unit_pa, column.apply(grid) / unit_pa, color=INK, lw=1, label="calibration")
    _draw_points(axes, _kept(column), "column_pa", 0, unit_pa)
    axes.set_xlim(scale.nominal)
    axes.set_xlabel(f"{_OWN_SCALE}, {shown.pressure}")
    axes.set_ylabel(f"column, {shown.pressure}")
    axes.grid(color=GRID, lw=0.5)
    axes.legend(frameon=False, loc="upper left", fontsize=8)


def _band(column: ColumnCalibration, grid: np.ndarray) -> np.ndarray:
    row = column.powers(grid)
    variance = np.einsum("ni,ij,nj->n", row, column.covariance, row)
    return np.asarray(column.coverage_factor * np.sqrt(variance))


def _draw_residuals(axes: Axes, column: ColumnCalibration, scale: _Scale, shown: Display) -> None:
    grid, unit_pa = np.linspace(*column.range_pa, 201), shown.pressure_pa
    band = _band(column, grid) / unit_pa
    axes.fill_between(
        grid / unit_pa, -band, band, color=GRID, lw=0, label="95 % band of the curve, all sources"
    )
    axes.axhline(0, color=INK, lw=0.8)
    _draw_points(axes, _kept(column), "residual_pa", _BAR, unit_pa)
    axes.set_xlim(scale.nominal)
    axes.set_ylim(-scale.residual, 1.6 * scale.residual)  # room for the legend
    axes.set_xlabel(f"{_OWN_SCALE}, {shown.pressure}")
    axes.set_ylabel(f"column less curve, {shown.pressure}")
    axes.legend(frameon=False, loc="upper center", ncols=3, fontsize=8)


def _write_summary(figure: Figure, column: ColumnCalibration, top: float, shown: Display) -> None:
    """The figures of this sensor, in two columns."""
    u95_pa, at_pa = worst_u95_pa(column)
    low, high = column.range_pa
    rows = (
        ("this sensor, 95 %", told_fine(f"±{u95_pa:.1f} Pa at most, at {at_pa:.0f} Pa", shown)),
        ("suction, from x", f"{curve_words(column, shown).removeprefix('+')} {shown.pressure}"),
        ("covers", told_fine(f"{low:.1f} to {high:.1f} Pa", shown)),
        ("non-linearity", figure_words(column.linearity_pa, shown)),
        ("hysteresis", figure_words(column.hysteresis_pa, shown)),
        ("scatter", f"{figure_words(column.residual_sd_pa, shown)} (standard deviation)"),
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


def _draw_table(figure: Figure, kept: list[Mapping[str, Any]], shown: Display) -> None:
    figure.text(_MIDDLE, 0.388, "Readings", weight="bold", va="top")
    heads = (shown.length, "", f"column, {shown.pressure}", f"x, {shown.pressure}", "less curve")
    places = (0.61, 0.625, 0.75, 0.845, 0.94)
    rows = [
        (
            shown.mm_text(point["height_mm"], "", finer=1),
            str(point["direction"]),
            *(shown.pa_text(point[key], "", finer=2) for key in ("column_pa", "nominal_pa", "residual_pa")),
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

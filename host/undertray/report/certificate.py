"""The certificate of a calibration: one page a sensor, as PDF or PNG, the same bytes each time."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from undertray.calibrate.accuracy import depart_together, departs, made_worse, worse_heading
from undertray.calibrate.calibration import Calibration, ColumnCalibration
from undertray.calibrate.findings import column_findings, findings
from undertray.errors import CalibrationError
from undertray.files import write_whole
from undertray.report.style import EVENT, GRID, INK, LIMIT, SERIES, settings

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["certificate_page", "write_certificate"]

_A4_IN = (8.27, 11.69)
_DPI = 150
_MOST_ROWS = 23
_MOST_LINES = 26
_ROW = 0.0132  # of the page's height
_TOP = 0.368
_UP, _DOWN = SERIES[0], SERIES[1]
_DRAWN = frozenset({"height_mm", "direction", "nominal_pa", "column_pa", "residual_pa"})
_NOTE = (
    "Made in a workshop against a liquid column; not the certificate of an accredited laboratory."
    " Expanded uncertainties are for 95 % coverage."
)


def write_certificate(calibration: Calibration, path: str | Path) -> list[Path]:
    """Write the certificate: one PDF with a page a sensor, or a PNG a sensor."""
    path = Path(path)
    kind = path.suffix.lower()
    if kind not in (".pdf", ".png"):
        raise CalibrationError(
            "unknown kind of certificate", seen=path.name, expected="a name that ends in .pdf or .png"
        )
    try:
        return (_write_pdf if kind == ".pdf" else _write_png)(calibration, path)
    except OSError as error:
        raise CalibrationError(
            f"the certificate cannot be written: {error.strerror}", where=str(path), do="check the folder"
        ) from None


def _write_pdf(calibration: Calibration, path: Path) -> list[Path]:
    from matplotlib.backends.backend_pdf import PdfPages

    no_date: dict[str, Any] = {"CreationDate": None, "Creator": None, "Producer": None}
    drawn = BytesIO()  # the library that draws cannot cope with a disk that fills up
    with settings(), PdfPages(drawn, metadata=no_date) as pages:
        for name in calibration.columns:
            pages.savefig(certificate_page(calibration, name))
    write_whole(path, drawn.getvalue())
    return [path]


def _write_png(calibration: Calibration, path: Path) -> list[Path]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    written = []
    with settings():
        for name in calibration.columns:
            own = path if len(calibration.columns) == 1 else path.with_stem(f"{path.stem}-{name}")
            figure = certificate_page(calibration, name)
            FigureCanvasAgg(figure)
            drawn = BytesIO()
            figure.savefig(drawn, dpi=_DPI, format="png", metadata={"Software": None})
            write_whole(own, drawn.getvalue())
            written.append(own)
    return written


def certificate_page(calibration: Calibration, name: str) -> Figure:
    """Draw the certificate of one sensor."""
    from matplotlib.figure import Figure

    column = calibration.columns[name]
    figure = Figure(figsize=_A4_IN)
    kept = [point for point in column.points if "dropped" not in point and set(point) >= _DRAWN]
    figure.text(0.08, 0.955, f"Calibration of {_safe(name)} {_safe(column.part)}", size=16, weight="bold")
    board = f"board {_safe(calibration.uid)}" if calibration.uid else "board not known"
    figure.text(0.08, 0.935, f"{board}, {_safe(calibration.made_utc)}", color=LIMIT)
    doubts = [worse_heading(column)] if made_worse(column) else []
    if departs(column):
        together = depart_together(calibration.columns)
        doubts.append("check the column: all sensors are off alike" if together else "far off its own scale")
    if doubts:
        heading = "; ".join(doubts).capitalize()
        figure.text(0.08, 0.99, heading, size=13, weight="bold", color=EVENT["seal-loss"], va="top")
    figure.text(0.08, 0.917, _safe(findings(calibration)[0], 160), size=8)
    _draw_curve(figure.add_axes((0.11, 0.66, 0.83, 0.23)), column, kept)
    _draw_residuals(figure.add_axes((0.11, 0.44, 0.83, 0.17)), column, kept)
    _write_words(figure, column)
    _draw_table(figure, kept)
    figure.text(0.08, 0.025, _NOTE, size=6.5, color=LIMIT)
    return figure


def _safe(text: str, limit: int = 60) -> str:
    """Foreign text for the page: printable, on one line, of bounded length."""
    return "".join(c if c.isprintable() else "?" for c in text[:limit])


def _directions(kept: list[Mapping[str, Any]], key: str, direction: str) -> tuple[np.ndarray, np.ndarray]:
    chosen = [point for point in kept if point.get("direction") == direction and key in point]
    return (
        np.array([point["nominal_pa"] for point in chosen], float),
        np.array([point[key] for point in chosen], float),
    )


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


def _draw_curve(axes: Axes, column: ColumnCalibration, kept: list[Mapping[str, Any]]) -> None:
    grid = np.linspace(*column.range_pa, 201)
    axes.plot(grid, column.apply(grid), color=INK, lw=1, label="calibration")
    _draw_points(axes, kept, "column_pa", 0)
    axes.set_ylabel("column pressure, Pa")
    axes.grid(color=GRID, lw=0.5)
    axes.legend(frameon=False, loc="upper left")


def _draw_residuals(axes: Axes, column: ColumnCalibration, kept: list[Mapping[str, Any]]) -> None:
    grid = np.linspace(*column.range_pa, 201)
    row = column.powers(grid)
    band = column.coverage_factor * np.sqrt(np.einsum("ni,ij,nj->n", row, column.covariance, row))
    axes.fill_between(grid, -band, band, color=GRID, lw=0, label="95 % band of the curve, all sources")
    axes.axhline(0, color=INK, lw=0.8)
    _draw_points(axes, kept, "residual_pa", 2)
    axes.set_xlabel("nominal suction, Pa")
    axes.set_ylabel("residual, Pa")
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.35 * (high - low))  # room for the legend
    axes.legend(frameon=False, loc="upper center", ncols=3, fontsize=8)


def _write_words(figure: Figure, column: ColumnCalibration) -> None:
    lines: list[str] = []
    for line in column_findings(column):
        lines += textwrap.wrap(_safe(line, 400), 62, subsequent_indent="   ") or [""]
    figure.text(0.08, 0.385, "Findings", weight="bold", va="top")
    if len(lines) > _MOST_LINES:
        lines[_MOST_LINES - 1 :] = ["and more in the calibration file"]
    figure.text(0.08, _TOP, "\n".join(lines), size=7, va="top", linespacing=1.35)


def _draw_table(figure: Figure, kept: list[Mapping[str, Any]]) -> None:
    figure.text(0.57, 0.385, "Readings", weight="bold", va="top")
    heads = ("mm", "", "column, Pa", "nominal, Pa", "residual, Pa")
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
                _TOP - _ROW * k,
                _safe(text),
                size=7,
                va="top",
                ha="left" if place == places[1] else "right",
            )
    if len(kept) > _MOST_ROWS:
        below = _TOP - _ROW * (_MOST_ROWS + 1)
        figure.text(
            0.57, below, f"and {len(kept) - _MOST_ROWS} more in the calibration file", size=7, va="top"
        )

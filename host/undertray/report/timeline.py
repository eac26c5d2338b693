"""The time picture: suction per tap, downforce, margins and throttle, with every event marked."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from undertray.errors import ReductionError
from undertray.files import write_whole
from undertray.report.display import SI, Display
from undertray.report.picture import Picture, Thinner, svg_text
from undertray.report.style import (
    DASHES,
    EVENT,
    GRID,
    INK,
    LEGEND_ROW_IN,
    LIMIT,
    MARKERS,
    SERIES,
    settings,
    short,
    stacked,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from undertray.reduce.car import Car
    from undertray.reduce.run import Reduction

__all__ = ["MOST_NAMED", "close_up", "draw_timeline", "mark_events", "run_picture", "tap_lines", "timeline"]


# Events marked in the pictures over time: shaded, numbered and named.

MOST_NAMED = 14
"""Most events that are called by their kind; of more, only the numbers are shown."""
_MOST_NAME_ROWS = 5
_NAME_ROW = 0.085  # of the height of the panel
_SIGN = 0.0105  # width of a letter of that size, of the width of the panel


def mark_events(panels: Sequence[Axes], reduction: Reduction, numbered: bool) -> None:
    """Shade every event in every panel."""
    t_s = reduction.series.t_s
    if len(t_s) == 0:
        return
    last_s = float(t_s[-1])
    for event in reduction.events:
        end_s = last_s if event.end_s is None else max(event.end_s, event.onset_s)
        colour = EVENT.get(event.kind, LIMIT)
        for panel in panels:
            panel.axvspan(event.onset_s, end_s, color=colour, alpha=0.16, linewidth=0)
            panel.axvline(event.onset_s, color=colour, linewidth=0.9)
    if numbered and 0 < len(reduction.events) <= 4 * MOST_NAMED:
        _name_events(panels[0], reduction.events, float(t_s[0]), last_s)


def _name_events(panel: Axes, events: Sequence[Any], first_s: float, last_s: float) -> None:
    """Numbers and kinds in a strip of their own above the lines: as many rows of it as keep them apart."""
    span_s = (last_s - first_s) or 1.0
    words = len(events) <= MOST_NAMED
    taken: list[float] = []  # where each row is free from, as a share of the width
    names: list[tuple[int, float, str, bool]] = []
    for place, event in enumerate(events):
        name = f" {place + 1} {event.kind if words else ''}".rstrip() + " "
        at = (event.onset_s - first_s) / span_s
        left = at < 0.75
        start = at if left else at - _SIGN * len(name)
        row = next((r for r, free in enumerate(taken) if free <= start), len(taken))
        row = row if row < _MOST_NAME_ROWS else place % _MOST_NAME_ROWS
        taken[row : row + 1] = [start + _SIGN * len(name)]
        names.append((row, event.onset_s, name, left))
    low, high = panel.get_ylim()
    panel.set_ylim(low, low + (high - low) / (1 - _NAME_ROW * len(taken)))
    for row, onset_s, name, left in names:
        panel.text(
            onset_s,
            0.98 - _NAME_ROW * row,
            name,
            transform=panel.get_xaxis_transform(),
            fontsize=8,
            va="top",
            ha="left" if left else "right",
            color=INK,
        )


Array = NDArray[np.float64]


def timeline(reduction: Reduction, units: Display = SI) -> Picture:
    """Draw a whole run over time.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    units : Display
        Units of the axes.

    Returns
    -------
    Picture

    Notes
    -----
    A run of more than 2000 rows is drawn by the lowest and the highest value of each of 1000
    equal pieces, so that a dip of a single row still shows; the table holds the same.
    """
    series = reduction.series
    thinner = Thinner(series.t_s)
    table: dict[str, Any] = {"time s": thinner.time()}
    for place, name in enumerate(reduction.taps):
        table |= thinner.columns(
            f"{name} {units.pressure}", series.tap_suction_pa[:, place] / units.pressure_pa
        )
    for name, values in (
        ("downforce", series.downforce_n[:]),
        ("front axle", series.front_n),
        ("rear axle", series.rear_n),
    ):
        table |= thinner.columns(f"{name} {units.force}", values / units.force_n)
    table |= thinner.columns("throttle us", series.throttle_us)
    named = ", ".join(f"{e.kind} at {e.onset_s:.2f} s" for e in reduction.events[:MOST_NAMED])
    count = len(reduction.events)
    return Picture(
        key="run",
        title="The run over time",
        caption="From the top: suction at each tap; downforce against what the car needs; what each axle has "
        "to spare; throttle. Shaded: events, numbered as in their table.",
        words=f"Four panels over {reduction.duration_s:.1f} s; {units.n(reduction.hold.required_n)} needed. "
        + (f"Events: {named}{' and more' if count > MOST_NAMED else ''}." if count else "No event."),
        svg=svg_text(draw_timeline(reduction, units)),
        table=table,
    )


def draw_timeline(reduction: Reduction, units: Display = SI, title: str = "") -> Figure:
    """Draw the four panels."""
    series = reduction.series
    thinner = Thinner(series.t_s)
    with settings():
        top_in = _legend_in(reduction, 4) + (0.3 if title else 0.0)
        figure, panels = stacked(7.6, (2.2, 1.5, 1.5, 0.8), (top_in, 0.32, 0.32, 0.14))
        if title:
            figure.text(0.5, 1 - 0.08 / figure.get_figheight(), title, ha="center", va="top", fontsize=10)
        tap_lines(panels[0], reduction, thinner, units)
        _plot(panels[1], thinner, series.downforce_n[:] / units.force_n, 7, "downforce")
        panels[1].axhline(
            reduction.hold.required_n / units.force_n,
            color=LIMIT,
            linestyle=(0, (5, 2)),
            linewidth=1.1,
            label="needed to hold, with allowance",
        )
        panels[1].set_ylabel(f"downforce / {units.force}")
        for place, (name, load_n) in enumerate((("front", series.front_n), ("rear", series.rear_n))):
            margin = (load_n - reduction.axles[name].required_n) / units.force_n
            _plot(panels[2], thinner, margin, place, f"{name} axle")
        panels[2].axhline(0, color=LIMIT, linewidth=1.0)
        panels[2].set_ylabel(f"margin / {units.force}")
        _plot(panels[3], thinner, series.throttle_us, 7, "throttle", marker="")
        if not np.isfinite(series.throttle_us).any():
            panels[3].text(0.5, 0.5, "no throttle logged", transform=panels[3].transAxes, ha="center")
            panels[3].set_yticks([])
        panels[3].set_ylabel("throttle / µs")
        panels[3].set_xlabel("board time / s")
        for panel in panels[:3]:
            _legend(panel)
        for panel in panels:
            _grid(panel)
        if len(series.t_s) > 1:
            panels[3].set_xlim(float(series.t_s[0]), float(series.t_s[-1]))
        mark_events(panels, reduction, numbered=True)
    return figure


def close_up(reduction: Reduction, place: int, units: Display = SI) -> Picture:
    """Draw one event enlarged."""
    event = reduction.events[place]
    start_s, stop_s = _window(reduction, event)
    t_s = reduction.series.t_s
    first, last = np.searchsorted(t_s, [start_s, stop_s])
    rows = slice(int(first), int(max(last, first + 1)))
    thinner = Thinner(t_s[rows])
    with settings():
        figure, panels = stacked(5.0, (1.8, 0.6), (_legend_in(reduction, 2) + 0.17, 0.14))
        tap_lines(panels[0], reduction, thinner, units, rows)
        _plot(panels[1], thinner, reduction.series.throttle_us[rows], 7, "throttle", marker="")
        panels[1].set_ylabel("throttle / µs")
        panels[1].set_xlabel("board time / s")
        panels[1].set_xlim(start_s, stop_s)
        _legend(panels[0], 2, 1.09)
        for panel in panels:
            _grid(panel)
            panel.axvline(event.onset_s, color=EVENT[event.kind], linewidth=1.2)
            panel.axvline(event.bottom_s, color=EVENT[event.kind], linewidth=1.2, linestyle=(0, (3, 2)))
        top = panels[0].get_xaxis_transform()
        panels[0].text(event.onset_s, 1.0, "onset ", transform=top, ha="right", va="bottom", fontsize=8)
        panels[0].text(event.bottom_s, 1.0, " bottom", transform=top, ha="left", va="bottom", fontsize=8)
    table: dict[str, Any] = {"time s": thinner.time()}
    for tap, name in enumerate(reduction.taps):
        values = reduction.series.tap_suction_pa[rows, tap] / units.pressure_pa
        table |= thinner.columns(f"{name} {units.pressure}", values)
    table |= thinner.columns("throttle us", reduction.series.throttle_us[rows])
    return Picture(
        key=f"event-{place + 1}",
        title=f"Event {place + 1}, {event.kind}, enlarged",
        caption="Suction at each tap round the event; below, the throttle. Full line: onset; dashed: bottom.",
        words=f"From {start_s:.2f} to {stop_s:.2f} s. Mean suction before {units.pa(event.from_pa)}, after "
        f"{units.pa(event.to_pa)}; onset at {event.onset_s:.3f} s, bottom at {event.bottom_s:.3f} s.",
        svg=svg_text(figure),
        table=table,
        size="middle",
    )


def tap_lines(
    panel: Axes, reduction: Reduction, thinner: Thinner, units: Display, rows: slice = slice(None)
) -> None:
    """Draw the suction at every tap."""
    for place, name in enumerate(reduction.taps):
        values = reduction.series.tap_suction_pa[rows, place] / units.pressure_pa
        _plot(panel, thinner, values, place, name)
    panel.set_ylabel(f"suction at the tap / {units.pressure}")


def _window(reduction: Reduction, event: Any) -> tuple[float, float]:
    length_s = max(event.bottom_s - event.onset_s, 0.0)
    around_s = min(max(0.3, 0.6 * length_s), 5.0)
    before_s = max(around_s, min((event.warning_s or 0.0) + 0.2, 5.0))
    after_s = around_s
    if event.end_s is not None and event.end_s - event.bottom_s < 2.0:
        after_s = max(after_s, event.end_s - event.bottom_s + 0.2)
    t_s = reduction.series.t_s
    start_s = max(float(t_s[0]), event.onset_s - before_s)
    stop_s = min(float(t_s[-1]), event.bottom_s + after_s)
    return start_s, max(stop_s, start_s + 0.05)


def _plot(
    panel: Axes, thinner: Thinner, values: Array, place: int, label: str, marker: str | None = None
) -> None:
    place %= len(SERIES)
    line = thinner.zigzag(values)
    every = max(1, len(line) // 7)
    panel.plot(
        thinner.t_s,
        line,
        color=SERIES[place],
        linestyle=DASHES[place] if thinner.whole and marker is None else "-",
        linewidth=1.0,
        marker=MARKERS[place] if marker is None else marker,
        markevery=(place * every // 8, every),
        markersize=4,
        label=short(label),
    )


def _legend_in(reduction: Reduction, columns: int) -> float:
    """Room for the legend of the taps, inches."""
    return -(-len(reduction.taps) // columns) * LEGEND_ROW_IN + 0.1


def _legend(panel: Axes, columns: int = 4, above: float = 1.0) -> None:
    panel.legend(
        loc="lower left",
        bbox_to_anchor=(0, above),
        ncols=columns,
        fontsize=8,
        frameon=False,
        borderaxespad=0.1,
    )


def _grid(panel: Axes) -> None:
    panel.grid(visible=True, color=GRID, linewidth=0.6)
    panel.set_axisbelow(True)


# The picture of a run as a PNG file.


def run_picture(reduction: Reduction, car: Car, path: str | Path, units: Display = SI) -> None:
    """Draw one run: suction, downforce against what is needed, axle margins, throttle.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    car : Car
        The car it was reduced with.
    path : str or Path
        Where the PNG goes; an existing file is replaced.
    units : Display
        Units of the axes.

    Raises
    ------
    ReductionError
        When the file cannot be written.

    Notes
    -----
    The picture of :func:`undertray.report.timeline.timeline` with a heading. The file holds no
    date: the same run gives the same bytes.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    from undertray.report.style import drawing, short

    state = "calibrated" if reduction.calibrated else "UNCALIBRATED"
    angle = f"surface at {reduction.hold.surface_angle:g}°"
    title = f"{short(car.name, 60)}: {short(reduction.run, 60)} ({state}, {angle})"
    figure = draw_timeline(reduction, units, title)
    FigureCanvasAgg(figure)
    try:
        drawn = BytesIO()
        with drawing():
            figure.savefig(drawn, dpi=130, format="png", metadata={"Software": None})
        write_whole(path, drawn.getvalue())
    except OSError as error:
        raise ReductionError(f"cannot write the picture: {error.strerror}", where=str(path)) from error

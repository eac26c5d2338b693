"""The time picture: suction per tap, downforce, margins and throttle, with every event marked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from undertray.report.display import SI, Display
from undertray.report.eventmarks import MOST_NAMED, mark_events
from undertray.report.ink import DASHES, EVENT, GRID, LIMIT, MARKERS, SERIES, settings, short
from undertray.report.layout import LEGEND_ROW_IN, stacked
from undertray.report.picture import Picture
from undertray.report.thin import Thinner
from undertray.report.vector import svg_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from undertray.reduce.run import Reduction

__all__ = ["close_up", "draw_timeline", "tap_lines", "timeline"]

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
    """Draw the four panels.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    units : Display
        Units of the axes.
    title : str
        Stands above them; nothing if left out.

    Returns
    -------
    Figure
    """
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
    """Draw one event enlarged.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    place : int
        Which event, from 0.
    units : Display
        Units of the axes.

    Returns
    -------
    Picture
    """
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
    """Draw the suction at every tap.

    Parameters
    ----------
    panel : Axes
        Where.
    reduction : Reduction
        The reduced run.
    thinner : Thinner
        Made for the time of ``rows``.
    units : Display
        Units of the axis.
    rows : slice
        Rows to draw; all if left out.
    """
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

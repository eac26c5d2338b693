"""The time picture: suction per tap, downforce, margins and throttle, with every event marked."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.drive import stretches
from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.warning import sign_before
from undertray.report.display import LONG_RUN_S, SI, Display, clock_text
from undertray.report.eventgroups import let_go_s
from undertray.report.floorplan import cells
from undertray.report.picture import Picture, Thinner, write_figure
from undertray.report.style import (
    DASHES,
    EVENT,
    GRID,
    INK,
    LEGEND_ROW_IN,
    LIMIT,
    MARKERS,
    PAPER,
    SERIES,
    THEME,
    settings,
    short,
    stacked,
)
from undertray.report.words import data_gaps, fault_taps, told_events

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from undertray.reduce.car import Car
    from undertray.reduce.loss import Loss
    from undertray.reduce.run import Reduction
    from undertray.reduce.series import Series

__all__ = [
    "close_up",
    "draw_timeline",
    "lasts_until_s",
    "least_close_up",
    "mark_events",
    "run_picture",
    "shown_span",
    "time_axis",
    "timeline",
    "touch_numbers",
]


# Events marked in the pictures over time: shaded while they last, numbered and named.

MOST_NAMED = 14
"""Most events that are called by their kind; of more, only the numbers are shown."""
_MOST_MARKED = 150
_MOST_NAME_ROWS = 5
_NAME_ROW_IN = 0.15
_SIGN_IN = 0.072  # a letter of that size
_DRAWN_PIECES = 400
_MARK = (0, (1, 2.5))
_CLOCK_STEPS_S = (10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600)


def mark_events(
    panels: Sequence[Axes], reduction: Reduction, numbered: bool, marks_s: Sequence[float] = ()
) -> None:
    """Shade every event in every panel for as long as it lasts; times without rows have no number.

    ``marks_s`` are moments that the driver marked.
    """
    t_s = reduction.series.t_s
    if len(t_s) == 0:
        return
    events = told_events(reduction)[:_MOST_MARKED]
    for event in events:
        colour, until_s = EVENT.get(event.kind, LIMIT), lasts_until_s(reduction, event)
        for panel in panels:
            panel.axvspan(event.onset_s, until_s, color=colour, alpha=0.16, linewidth=0)
            if event.kind != "throttle-cut" or len(events) <= 4 * MOST_NAMED:
                panel.axvline(event.onset_s, color=colour, linewidth=0.9)
    for panel in panels:
        _shade_gaps(panel, reduction)
    named = [(at_s, f"mark {k}") for k, at_s in enumerate(marks_s[:_MOST_MARKED], 1)]
    for at_s, _ in named:
        for panel in panels:
            panel.axvline(at_s, color=INK, linewidth=1.0, linestyle=_MARK)
    if len(events) <= 4 * MOST_NAMED:
        words = len(events) <= MOST_NAMED
        named += [
            (event.onset_s, f"{place + 1} {event.kind}" if words else str(place + 1))
            for place, event in enumerate(events)
        ]
    if numbered and named:
        _name_moments(panels[0], sorted(named), float(t_s[0]), float(t_s[-1]))


def _shade_gaps(panel: Axes, reduction: Reduction) -> None:
    """Cover every time without rows, a short one as wide as can be seen; one that reaches the next is one."""
    t_s = reduction.series.t_s
    least_s = float(t_s[-1] - t_s[0]) * _LEAST_GAP
    spans: list[list[float]] = []
    for gap in data_gaps(reduction):
        until_s = max(lasts_until_s(reduction, gap), gap.onset_s + least_s)
        if spans and gap.onset_s <= spans[-1][1]:
            spans[-1][1] = max(until_s, spans[-1][1])
        else:
            spans.append([gap.onset_s, until_s])
    if spans:
        bars, across = [(a, b - a) for a, b in spans], panel.get_xaxis_transform()
        for colour, alpha in ((PAPER, 1.0), (EVENT["data-gap"], 0.5)):
            look: Any = {"color": colour, "alpha": alpha, "linewidth": 0, "zorder": 3}
            panel.broken_barh(bars, (0, 1), transform=across, **look)


_LEAST_GAP = 1 / 250


# Laps: on a long run every short time with the fans down would be a line from the top to the bottom.

_BRIEF = 1 / 60  # of what is shown
_MOST_RESTS = 2000


def _rests(reduction: Reduction) -> list[tuple[int, int]]:
    """First row and end of each time in which nothing is judged and no loss of the seal goes on.

    None where it cannot be told, or where there are too many of them for a page.
    """
    found, t_s = reduction.holding, reduction.series.t_s
    if isinstance(found, str) or not found.throttle:
        return []
    kept = found.judged.copy()
    for event in reduction.events:
        if event.kind in LOSS_KINDS:
            first, last = np.searchsorted(t_s, [event.onset_s, lasts_until_s(reduction, event)]).tolist()
            kept[first : last + 1] = True
    rests = [(a, b) for a, b in stretches(~kept) if b - a > 1]
    return rests if len(rests) <= _MOST_RESTS else []


def _brief(rests: Sequence[tuple[int, int]], t_s: Array) -> list[tuple[int, int]]:
    """Those that are too short to be drawn in a picture of the whole run."""
    least_s = _BRIEF * float(t_s[-1] - t_s[0]) if len(t_s) else 0.0
    return [(a, b) for a, b in rests if t_s[b - 1] - t_s[a] < least_s]


def lasts_until_s(reduction: Reduction, event: Loss) -> float:
    """Until when an event lasts: a cut until its bottom, a loss without end until the throttle goes down."""
    if event.end_s is not None:
        return float(max(event.end_s, event.onset_s))
    if event.kind == "throttle-cut":
        return float(event.bottom_s)
    last_s = float(reduction.series.t_s[-1])
    if event.kind not in LOSS_KINDS:
        return last_s
    cuts = [e.onset_s for e in reduction.events if e.kind == "throttle-cut" and e.onset_s > event.onset_s]
    found = reduction.holding
    if not isinstance(found, str) and found.until_s > event.onset_s:
        cuts.append(found.until_s)
    return float(min(cuts, default=last_s))


def _name_moments(panel: Axes, named: Sequence[tuple[float, str]], first_s: float, last_s: float) -> None:
    """Names in rows of their own above the lines; what finds no room in five of them is left out."""
    width_in, height_in = _size_in(panel)
    span_s = (last_s - first_s) or 1.0
    taken: list[float] = []  # where each row is free from, as a share of the width
    placed: list[tuple[int, float, str, bool]] = []
    for at_s, name in named:
        at, size = (at_s - first_s) / span_s, _SIGN_IN * (len(name) + 2) / width_in
        left = at + size <= 1
        start = at if left else at - size
        row = next((r for r, free in enumerate(taken) if free <= start), len(taken))
        if row < _MOST_NAME_ROWS:
            taken[row : row + 1] = [start + size]
            placed.append((row, at_s, name, left))
    share = _NAME_ROW_IN / height_in
    low, high = panel.get_ylim()
    panel.set_ylim(low, low + (high - low) / max(0.3, 1 - share * len(taken)))
    for row, at_s, name, left in placed:
        panel.annotate(
            name,
            (at_s, 1 - share * (row + 0.1)),
            xycoords=panel.get_xaxis_transform(),
            xytext=(3 if left else -3, 0),
            textcoords="offset points",
            fontsize=8,
            va="top",
            ha="left" if left else "right",
            color=INK,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6},
        )


def _size_in(panel: Axes) -> tuple[float, float]:
    figure = panel.get_figure(root=True)
    assert figure is not None
    width_in, height_in = figure.get_size_inches()
    box = panel.get_position()
    return float(width_in * box.width), float(height_in * box.height)


def time_axis(panel: Axes, first_s: float, last_s: float) -> None:
    """Board time along the bottom: seconds, on a long run minutes and seconds."""
    panel.set_xlabel("board time / s")
    if last_s > first_s:
        panel.set_xlim(first_s, last_s)
    if last_s - first_s < LONG_RUN_S:
        return
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    step = next((step for step in _CLOCK_STEPS_S if (last_s - first_s) / step <= 9), 7200)
    panel.xaxis.set_major_locator(MultipleLocator(step))
    panel.xaxis.set_major_formatter(FuncFormatter(lambda t_s, _: clock_text(t_s)))
    panel.set_xlabel("board time / min:s" if last_s < 3600 else "board time / h:min:s")


Array = NDArray[np.float64]


def timeline(reduction: Reduction, units: Display = SI, marks_s: Sequence[float] = ()) -> Picture:
    """Draw a whole run over time.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    units : Display
        Units of the axes.
    marks_s : sequence of float
        Moments that the driver marked, s.

    Returns
    -------
    Picture

    Notes
    -----
    A run of more than 800 rows is drawn by the lowest and the highest value of each of 400 equal pieces, so
    that a dip of a single row still shows; the table holds 1000 pieces of a run of more than 2000. The lines
    of such a run, but for the throttle's, leave out each time with the fans down, or spinning up, that is
    shorter than a sixtieth of it: an hour of laps would be as many strokes from the top to the bottom.
    """
    series = reduction.series
    brief = not Thinner(series.t_s, _DRAWN_PIECES).whole and _brief(_rests(reduction), series.t_s)
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
    for name, width_us in _throttles(series):
        table |= thinner.columns(f"{name} us", width_us)
    events = told_events(reduction)
    named = ", ".join(f"{e.kind} at {e.onset_s:.2f} s" for e in events[:MOST_NAMED])
    return Picture(
        key="run",
        title="The run over time",
        caption="From the top: suction at each tap; downforce against what the car needs; margin of each "
        "axle, ringed where it is least; throttle. Shaded while they last: events, numbered as below."
        + (f" {_LEFT_OUT}" if brief else "")
        + (" Grey: no rows came." if data_gaps(reduction) else "")
        + (" Dotted: moments that were marked." if marks_s else ""),
        words=f"Four panels over {reduction.duration_s:.1f} s; {units.n(reduction.hold.required_n)} needed. "
        + (f"Events: {named}{' and more' if len(events) > MOST_NAMED else ''}." if events else "No event."),
        figure=draw_timeline(reduction, units, marks_s=marks_s),
        table=table,
    )


_LEFT_OUT = (
    "Lines are broken where the fans were down, or spun up, for less than a sixtieth of the run; no loss is "
    "left out."
)
_ON_PAPER_IN = (0.8, 0.5, 0.64, 0.28)
_ALONE_IN = (1.7, 1.0, 1.3, 0.5)


def draw_timeline(
    reduction: Reduction, units: Display = SI, title: str = "", marks_s: Sequence[float] = ()
) -> Figure:
    """Draw the four panels: with a title as a picture of its own, else as wide and low as a printed page."""
    series = reduction.series
    whole = Thinner(series.t_s, _DRAWN_PIECES)
    thinner = Thinner.without(series.t_s, _DRAWN_PIECES, _brief(_rests(reduction), series.t_s))
    with settings():
        top_in = _legend_in(reduction, 4) + (0.3 if title else 0.0)
        above_in = (top_in, 0.26, 0.26, 0.2 if series.throttles_us is None else 0.26)
        figure, panels = stacked(7.4, _ALONE_IN if title else _ON_PAPER_IN, above_in)
        if title:
            figure.text(0.5, 1 - 0.08 / figure.get_figheight(), title, ha="center", va="top", fontsize=10)
        tap_lines(panels[0], reduction, thinner, units)
        _plot(panels[1], thinner, series.downforce_n[:] / units.force_n, 7, "downforce")
        panels[1].axhline(reduction.hold.required_n / units.force_n, label="needed", **_NEED_LINE)
        if reduction.hold.stay_n < reduction.hold.required_n:
            panels[1].axhline(reduction.hold.stay_n / units.force_n, label="lets go below", **_STAY_LINE)
        margin_lines(panels[2], reduction, thinner, units)
        for number, (name, width_us) in enumerate(_throttles(series)):
            _plot(panels[3], whole, width_us, (7, 0, 1)[number], name, marker="")
        if series.throttles_us is not None:
            _legend(panels[3])
        if not np.isfinite(series.throttle_us).any():
            panels[3].text(0.5, 0.5, "no throttle logged", transform=panels[3].transAxes, ha="center")
            panels[3].set_yticks([])
        for panel in panels[:2]:
            panel.set_ylim(bottom=min(0.0, panel.get_ylim()[0]))
        for panel in panels[:3]:
            _legend(panel, 4 if panel is panels[0] else 5)
        quantities = (
            f"suction at the tap / {units.pressure}",
            f"downforce / {units.force}",
            f"margin / {units.force}",
            "throttle / µs",
        )
        for panel, quantity in zip(panels, quantities, strict=True):
            _grid(panel, least=2)
            # above it, for beside a low panel it would reach into the next one
            panel.set_title(quantity, loc="right", fontsize=8, fontweight="normal", pad=2)
        if len(series.t_s):
            time_axis(panels[3], float(series.t_s[0]), float(series.t_s[-1]))
        mark_events(panels, reduction, numbered=True, marks_s=marks_s)
    return figure


def _throttles(series: Series) -> list[tuple[str, Array]]:
    """The throttle, and where two fans have their own the mean of both and each."""
    if series.throttles_us is None:
        return [("throttle", series.throttle_us)]
    return [
        ("throttle, mean", series.throttle_us),
        *zip(("fan 1", "fan 2"), series.throttles_us, strict=True),
    ]


_NEED_LINE: Any = {"color": INK, "linewidth": 1.1, "linestyle": (0, (5, 2))}
_STAY_LINE: Any = {"color": INK, "linewidth": 1.1, "linestyle": (0, (1.5, 1.5))}


def margin_lines(
    panel: Axes, reduction: Reduction, thinner: Thinner, units: Display, rows: slice = slice(None)
) -> None:
    """Draw the margin of each axle, the lines below which it lets go, and a ring where it is least."""
    loads = {"front": reduction.series.front_n, "rear": reduction.series.rear_n}
    panel.axhline(0, label="needed", **_NEED_LINE)
    for place, (name, load_n) in enumerate(loads.items()):
        axle = reduction.axles[name]
        _plot(panel, thinner, (load_n[rows] - axle.required_n) / units.force_n, place, f"{name} axle")
    lower = {name: reduction.axles[name].stay_n - reduction.axles[name].required_n for name in loads}
    for place, stay_n in enumerate(lower.values()):
        if stay_n < 0:
            line = {**_STAY_LINE, "color": SERIES[place], "label": "" if place else "lets go below, by axle"}
            panel.axhline(stay_n / units.force_n, **line)
    found = reduction.holding
    if not isinstance(found, str):
        least = found.least
        panel.plot(
            [least.at_s],
            [least.margin_n / units.force_n],
            "o",
            markersize=9,
            markerfacecolor="none",
            markeredgecolor=INK,
            markeredgewidth=1.4,
            label=f"least {units.n(least.margin_n, signed=True)}",
        )


def close_up(reduction: Reduction, place: int, units: Display = SI) -> Picture:
    """Draw one of the told events enlarged."""
    event = told_events(reduction)[place]
    moments = event_moments(reduction, event)
    start_s, stop_s = shown_span(reduction, event)
    figure, table = _enlarged(reduction, units, start_s, stop_s, moments)
    said = "; ".join(f"{name} at {at_s:.3f} s" for at_s, name in moments)
    return Picture(
        key=f"event-{place + 1}",
        title=f"Event {place + 1}, {event.kind}, enlarged",
        caption="From the top: suction at each tap, margin of each axle, throttle.",
        words=f"From {start_s:.2f} to {stop_s:.2f} s. Mean suction before {units.pa(event.from_pa)}, after "
        f"{units.pa(event.to_pa)}; {said}.",
        figure=figure,
        table=table,
        size="middle",
    )


def least_close_up(reduction: Reduction, units: Display = SI) -> Picture | None:
    """Draw the moment of least margin enlarged; nothing where no margin can be told."""
    found = reduction.holding
    if isinstance(found, str):
        return None
    t_s, least = reduction.series.t_s, found.least
    start_s = max(float(t_s[0]), least.at_s - _AROUND_LEAST_S)
    stop_s = max(min(float(t_s[-1]), least.at_s + _AROUND_LEAST_S), start_s + 0.05)
    figure, table = _enlarged(reduction, units, start_s, stop_s, [(least.at_s, "least margin")])
    return Picture(
        key="least",
        title="The least margin, enlarged",
        caption="From the top: suction at each tap, margin of each axle, throttle.",
        words=f"From {start_s:.2f} to {stop_s:.2f} s. {units.n(least.margin_n, signed=True)}, {least.who}, "
        f"at {least.at_s:.3f} s.",
        figure=figure,
        table=table,
        size="middle",
    )


_AROUND_LEAST_S = 0.4


def event_moments(reduction: Reduction, event: Loss) -> list[tuple[float, str]]:
    """The moments of an event in order: first sign, onset, where it fell below its need, bottom."""
    moments = [(event.onset_s, "onset")]
    if event.kind != "sensor-fault":
        moments.append((event.bottom_s, "bottom"))
    if event.kind in LOSS_KINDS:
        ahead_s = event.warning_s
        sign = None if ahead_s is None else sign_before(event, reduction.series)
        if sign is not None and ahead_s is not None:
            moments += [(sign.at_s, "first sign"), (sign.at_s + ahead_s, "below its need")]
        elif (found := reduction.holding) and not isinstance(found, str):
            t_s = reduction.series.t_s
            a, b = np.searchsorted(t_s, [event.onset_s, lasts_until_s(reduction, event)]).tolist()
            if found.below[a:b].any():
                moments.append((float(t_s[a + int(found.below[a:b].argmax())]), "below its need"))
    return sorted(moments)


_WIDE_TIMES_S = 100.0  # from here on the times below the panels need more room
_SHORT_NAME = 11  # letters: four such names stand in one row of the legend


def _enlarged(
    reduction: Reduction, units: Display, start_s: float, stop_s: float, moments: Sequence[tuple[float, str]]
) -> tuple[Figure, dict[str, Any]]:
    """Three panels of a part of a run, with moments marked, and their numbers."""
    from matplotlib.ticker import MaxNLocator

    series = reduction.series
    first, last = np.searchsorted(series.t_s, [start_s, stop_s])
    rows = slice(int(first), int(max(last, first + 1)))
    thinner = Thinner(series.t_s[rows], _DRAWN_PIECES)
    with settings():
        columns = 4 if max(map(len, reduction.taps), default=0) <= _SHORT_NAME else 3
        figure, panels = stacked(4.4, (1.0, 0.7, 0.28), (_legend_in(reduction, columns), 0.12, 0.12))
        tap_lines(panels[0], reduction, thinner, units, rows)
        margin_lines(panels[1], reduction, thinner, units, rows)
        _plot(panels[2], thinner, series.throttle_us[rows], 7, "throttle", marker="")
        quantities = f"suction / {units.pressure}", f"margin / {units.force}", "µs"
        for panel, quantity in zip(panels, quantities, strict=True):
            panel.set_ylabel(quantity, fontsize=8)
        _legend(panels[0], columns)
        time_axis(panels[2], start_s, stop_s)
        panels[2].xaxis.set_major_locator(
            MaxNLocator(8 if stop_s < _WIDE_TIMES_S else 5, steps=(1, 2, 5, 10))
        )
        for panel in panels:
            _grid(panel)
            for at_s, name in moments:
                panel.axvline(at_s, color=INK, linewidth=1.0, linestyle=_MOMENT[name])
        _name_moments(panels[0], moments, start_s, stop_s)
    thinner = Thinner(series.t_s[rows])
    table: dict[str, Any] = {"time s": thinner.time()}
    for tap, name in enumerate(reduction.taps):
        values = series.tap_suction_pa[rows, tap] / units.pressure_pa
        table |= thinner.columns(f"{name} {units.pressure}", values)
    for name, load_n in (("front axle", series.front_n), ("rear axle", series.rear_n)):
        table |= thinner.columns(f"{name} {units.force}", load_n[rows] / units.force_n)
    table |= thinner.columns("throttle us", series.throttle_us[rows])
    return figure, table


_MOMENT: dict[str, Any] = {
    "first sign": (0, (1.5, 1.5)),
    "onset": "-",
    "below its need": (0, (6, 2, 1.5, 2)),
    "bottom": (0, (3, 2)),
    "least margin": (0, (3, 2)),
}


# The numbers of the timeline that can be touched; timeline.js draws them.

_MOST_WHOLE = 6000
_PIECES, _FINE_PIECES, _MOST_FINE = 1500, 150, 8
_MISSING = -32768
_MOST_GAPS = 1000


def touch_numbers(
    reduction: Reduction,
    car: Car,
    units: Display,
    fine_s: Sequence[tuple[float, float]] = (),
    marks_s: Sequence[float] = (),
) -> dict[str, Any]:
    """Give the run as numbers that a page's script can draw.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    car : Car
        Its floor.
    units : Display
        Units of the numbers.
    fine_s : sequence of (float, float)
        Parts of the run, s, that are kept finer; the first eight.
    marks_s : sequence of float
        Moments that the driver marked, s.

    Returns
    -------
    dict
        Plain values for JSON. A run of more than 6000 rows is the lowest and highest value of at most 1500
        equal pieces and 150 more in each finer part; pieces are cut where the fans begin and cease to be
        judged (``rests``, first and last moment of each time that they are not). Times are little-endian
        floats of 64 bits in base64, other numbers steps of 1/32000 of the greatest as integers of 16 bits;
        -32768 stands for none.
    """
    series, t_s = reduction.series, reduction.series.t_s
    thinner, rests = Thinner(t_s, _MOST_WHOLE // 2), []
    if not thinner.whole:
        rests = _rests(reduction)
        thinner = Thinner.at(t_s, _edges(t_s, fine_s[:_MOST_FINE], rests))
    places_pa, places_n, _ = units.places
    lines = [
        _line(
            short(name),
            0,
            units.pressure,
            series.tap_suction_pa[:, k] / units.pressure_pa,
            places_pa,
            k,
            thinner,
        )
        for k, name in enumerate(reduction.taps)
    ]
    lines.append(
        _line("downforce", 1, units.force, series.downforce_n[:] / units.force_n, places_n, 7, thinner)
    )
    for k, (name, load_n) in enumerate((("front", series.front_n), ("rear", series.rear_n))):
        margin = (load_n - reduction.axles[name].required_n) / units.force_n
        lines.append(_line(f"{name} margin", 2, units.force, margin, places_n, k, thinner))
    lines += [
        _line(name, 3, "µs", width_us, 0, (7, 0, 1)[k], thinner)
        for k, (name, width_us) in enumerate(_throttles(series))
    ]
    found = reduction.holding
    least = None if isinstance(found, str) else found.least
    return {
        "whole": thinner.whole,
        "t": _base64(thinner.time(), "<f8"),
        "lines": lines,
        "panels": _touch_panels(reduction, units),
        "events": [
            {
                "number": place + 1,
                "kind": event.kind,
                "rank": _RANK.index(event.kind),
                **_span(reduction, event),
            }
            for place, event in enumerate(told_events(reduction)[:_MOST_MARKED])
        ],
        "rests": [float(t_s[row]) for a, b in rests for row in (a, b - 1)],
        "gaps": [_span(reduction, gap) for gap in _longest_gaps(reduction)],
        "marks": [float(at_s) for at_s in marks_s[:_MOST_MARKED]],
        "at": _first_look_s(reduction),
        "least": None if least is None else {"at": least.at_s, "y": least.margin_n / units.force_n},
        "floor": _touch_floor(reduction, car, units),
    }


def _longest_gaps(reduction: Reduction) -> list[Loss]:
    """The longest times without rows, in order."""
    gaps = data_gaps(reduction)
    longest = sorted(gaps, key=lambda gap: gap.onset_s - lasts_until_s(reduction, gap))
    return sorted(longest[:_MOST_GAPS], key=lambda gap: gap.onset_s)


def _edges(
    t_s: Array, fine_s: Sequence[tuple[float, float]], rests: Sequence[tuple[int, int]]
) -> NDArray[np.int64]:
    cuts = np.asarray(rests, np.float64).ravel()
    parts = [np.linspace(0, len(t_s), _PIECES, endpoint=False), cuts[cuts < len(t_s)]]
    for from_s, to_s in fine_s:
        a, b = np.searchsorted(t_s, [from_s, to_s]).tolist()
        parts.append(np.linspace(a, b, min(b - a, _FINE_PIECES), endpoint=False))
    return np.unique(np.concatenate(parts).astype(np.int64))


def _line(
    name: str, panel: int, unit: str, values: Array, places: int, look: int, thinner: Thinner
) -> dict[str, Any]:
    whole, look = thinner.whole, look % len(SERIES)
    low, high = thinner.ends(values)
    top = max((float(np.nanmax(np.abs(v), initial=0.0)) for v in (low, high)), default=0.0)
    scale = top / 32000 or 1.0
    dash = DASHES[look] if whole and panel != _THROTTLE else "-"
    return {
        "name": name,
        "panel": panel,
        "unit": unit,
        "places": places,
        "colour": f"var(--{THEME[SERIES[look]][0]})",
        "dash": "" if isinstance(dash, str) else " ".join(f"{d:g}" for d in dash[1]),
        "scale": scale,
        "low": _steps(low, scale),
        "high": None if whole else _steps(high, scale),
    }


_THROTTLE = 3
_RANK = ("seal-loss", "slow-leak", "sensor-fault", "throttle-cut")


def _steps(values: Array, scale: float) -> str:
    return _base64(np.where(np.isfinite(values), np.round(values / scale), _MISSING), "<i2")


def _base64(values: Array, kind: str) -> str:
    return base64.b64encode(values.astype(kind).tobytes()).decode("ascii")


def _span(reduction: Reduction, event: Loss) -> dict[str, Any]:
    colour = THEME[EVENT[event.kind]][0]
    return {"at": event.onset_s, "until": lasts_until_s(reduction, event), "colour": f"var(--{colour})"}


def _first_look_s(reduction: Reduction) -> float:
    """The moment that is shown before anybody touches: that of the verdict's sentence."""
    found, at_s = reduction.holding, let_go_s(reduction)
    if at_s is not None:
        return at_s
    return float(reduction.series.t_s[0] if isinstance(found, str) else found.least.at_s)


def _touch_panels(reduction: Reduction, units: Display) -> list[dict[str, Any]]:
    hold = reduction.hold

    def mark(value_n: float, dash: str, colour: str = "var(--ink)") -> dict[str, Any]:
        return {"y": value_n / units.force_n, "text": units.n(value_n), "dash": dash, "colour": colour}

    downforce, margins = [mark(hold.required_n, "6 3")], [mark(0.0, "6 3")]
    if hold.stay_n < hold.required_n:
        downforce.append(mark(hold.stay_n, "2 2"))
        margins += [
            mark(reduction.axles[name].stay_n - reduction.axles[name].required_n, "2 2", f"var(--s{k})")
            for k, name in enumerate(("front", "rear"))
        ]
    return [
        {"title": f"suction at the taps / {units.pressure}", "marks": []},
        {"title": f"downforce / {units.force}", "marks": downforce},
        {"title": f"margin / {units.force}, ring: the least", "marks": margins},
        {"title": "throttle / µs", "marks": []},
    ]


def _touch_floor(reduction: Reduction, car: Car, units: Display) -> dict[str, Any]:
    from matplotlib import colormaps
    from matplotlib.colors import to_hex

    names = list(reduction.taps)
    t_s = reduction.series.t_s
    own = {tap.name: cell for tap, cell in cells(car, car.taps)}
    shown = [tap for tap in car.taps if tap.name in names]
    return {
        "unit": units.pressure,
        "outline": [(y, x) for x, y in car.floor_mm],
        "taps": [
            {
                "name": short(tap.name, 12),
                "line": names.index(tap.name),
                "at": (tap.y_mm, tap.x_mm),
                "cell": [(round(y, 3), round(x, 3)) for x, y in own.get(tap.name, [])],
            }
            for tap in shown
        ],
        "faulty": [
            {"tap": k, "at": e.onset_s, "until": float(t_s[-1]) if e.end_s is None else e.end_s}
            for e in reduction.events
            if e.kind == "sensor-fault"
            for k, tap in enumerate(shown)
            if tap.name in fault_taps(e)
        ][:_MOST_MARKED],
        "top": (top_pa if (top_pa := reduction.suction_pa.p95) > 1.0 else 1.0) / units.pressure_pa,
        "ramp": [to_hex(colormaps["cividis"](k / 16)) for k in range(17)],
    }


def tap_lines(
    panel: Axes, reduction: Reduction, thinner: Thinner, units: Display, rows: slice = slice(None)
) -> None:
    """Draw the suction at every tap."""
    for place, name in enumerate(reduction.taps):
        values = reduction.series.tap_suction_pa[rows, place] / units.pressure_pa
        _plot(panel, thinner, values, place, name)


def shown_span(reduction: Reduction, event: Loss) -> tuple[float, float]:
    """From when to when an event is enlarged, s."""
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


def _legend(panel: Axes, columns: int = 4) -> None:
    panel.legend(
        loc="lower left",
        bbox_to_anchor=(0, 1.0),
        ncols=columns,
        fontsize=8,
        frameon=False,
        borderaxespad=0.1,
        columnspacing=1.1,
        handlelength=1.7,
        handletextpad=0.5,
    )


def _grid(panel: Axes, least: int = 1) -> None:
    from matplotlib.ticker import MaxNLocator

    # as many steps as keep their numbers apart
    nbins = max(least, round(_size_in(panel)[1] / 0.2))
    panel.yaxis.set_major_locator(MaxNLocator(nbins, steps=(1, 2, 2.5, 5, 10), min_n_ticks=least))
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
    state = "calibrated" if reduction.calibrated else "UNCALIBRATED"
    angle = f"surface at {reduction.hold.surface_angle:g}°"
    title = f"{short(car.name, 60)}: {short(reduction.run, 60)} ({state}, {angle})"
    figure = draw_timeline(reduction, units, title)
    write_figure(figure, path, ".png")

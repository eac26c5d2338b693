"""Moments of a run: its gravest events enlarged, its steady state, and its fans."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.leakage import seal_index
from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.steady import BLOCK_S, REST_US, steady_levels, work_rows
from undertray.reduce.warning import UNTOLD, warning_words
from undertray.report.display import SI, Display, moment_text
from undertray.report.eventgroups import (
    MOST_SINGLY,
    EventGroup,
    by_gravity,
    event_groups,
    let_go_s,
    lets_go_in,
)
from undertray.report.floorplan import at_moment_pa, floor_picture, steady_pa
from undertray.report.picture import Picture, Thinner
from undertray.report.style import GRID, LIMIT, SERIES, settings, stacked
from undertray.report.timeline import (
    close_up,
    lasts_until_s,
    least_close_up,
    mark_events,
    shown_span,
    time_axis,
)
from undertray.report.words import fault_taps, length_words, onset_words, order_words, told_events

if TYPE_CHECKING:
    from undertray.reduce.car import Car
    from undertray.reduce.fan import FanReference
    from undertray.reduce.loss import Loss
    from undertray.reduce.run import Reduction
    from undertray.reduce.steady import Blocks

__all__ = [
    "MOST_ROWS",
    "CloseUp",
    "close_up_spans",
    "fan_picture",
    "faulty_taps",
    "gravest",
    "in_event",
    "index_picture",
    "least_moment",
    "own_index",
    "quiet_part",
    "steady_pictures",
]


# Suction against throttle, and the seal index through a run.

Array = NDArray[np.float64]
BIN_US = 20.0
_LEAST_BLOCKS = 10
_MOST_DOTS, _MOST_BEYOND, _PIECES = 400, 40, 400


def throttle_bins(blocks: Blocks) -> dict[int, Array]:
    """Sort the steady blocks of a run by throttle."""
    steady = np.flatnonzero(blocks.steady & np.isfinite(blocks.throttle_us))
    bins = np.round(blocks.throttle_us[steady] / BIN_US).astype(np.int64)
    found = {int(b): steady[bins == b] for b in np.unique(bins)}
    return {b: rows for b, rows in found.items() if len(rows) >= _LEAST_BLOCKS}


def own_index(blocks: Blocks) -> Array:
    """Seal index of a run by its own measure.

    Parameters
    ----------
    blocks : Blocks
        The run.

    Returns
    -------
    ndarray of float64, shape (k,)
        Suction over the run's own median steady suction at that throttle; NaN where the run
        was never steady at it, and while the throttle moves and the fans follow it.

    Notes
    -----
    By the fan laws suction at one throttle falls only when the leak grows (or the pack sags),
    so no law needs to be known for this index.
    """
    index = np.full(len(blocks.t_s), np.nan)
    known = np.isfinite(blocks.throttle_us) & blocks.still
    bins = np.full(len(blocks.t_s), np.iinfo(np.int64).min)
    bins[known] = np.round(blocks.throttle_us[known] / BIN_US).astype(np.int64)
    for number, rows in throttle_bins(blocks).items():
        usual_pa = float(np.median(blocks.suction_pa[rows]))
        if usual_pa > 0:
            here = bins == number
            index[here] = blocks.suction_pa[here] / usual_pa
    return index


def fan_picture(blocks: Blocks, reference: FanReference | None = None, units: Display = SI) -> Picture:
    """Draw suction against throttle."""
    table: dict[str, Any] = {"throttle us": [], f"suction {units.pressure}": [], "steady": []}
    with settings():
        figure, (panel,) = stacked(4.2, (2.4,), (0.12,))
        kinds = (
            (~blocks.steady, "not steady", "o", SERIES[7], 0.4, 4.0),
            (blocks.steady, "steady", "o", SERIES[0], 0.9, 5.5),
        )
        for mask, name, marker, colour, alpha, size in kinds:
            rows = np.flatnonzero(mask & np.isfinite(blocks.throttle_us) & np.isfinite(blocks.suction_pa))
            rows = rows[:: max(1, -(-len(rows) // _MOST_DOTS))]
            throttle_us, suction = blocks.throttle_us[rows], blocks.suction_pa[rows] / units.pressure_pa
            panel.plot(
                throttle_us, suction, marker, color=colour, alpha=alpha, markersize=size, label=name, mew=0
            )
            table["throttle us"] += throttle_us.tolist()
            table[f"suction {units.pressure}"] += suction.tolist()
            table["steady"] += [int(name == "steady")] * len(rows)
        said = "No reference curve."
        if reference is not None:
            known = blocks.throttle_us[np.isfinite(blocks.throttle_us)]
            at_us = np.linspace(float(known.min()), float(known.max()), 60)
            curve = reference.suction_pa(at_us) / units.pressure_pa
            low_us = reference.idle_us if reference.low_us is None else reference.low_us
            measured = (at_us >= low_us) & (at_us <= reference.top_us)
            look: Any = {"color": SERIES[1], "linewidth": 1.4}
            panel.plot(at_us, np.where(measured, curve, np.nan), label="reference skirt", **look)
            beyond = np.where(measured, np.nan, curve)
            beyond[1:-1] = np.where(measured[:-2] != measured[2:], curve[1:-1], beyond[1:-1])
            panel.plot(at_us, beyond, linestyle=(0, (3, 2)), label="where it was not measured", **look)
            table["throttle us"] += at_us.tolist()
            table[f"suction {units.pressure}"] += curve.tolist()
            table["steady"] += [float("nan")] * len(at_us)
            said = "The line is the reference skirt, dashed where it was not measured."
        panel.set_xlabel("throttle / µs")
        panel.set_ylabel(f"mean suction / {units.pressure}")
        panel.grid(visible=True, color=GRID, linewidth=0.6)
        panel.legend(fontsize=8, frameon=False)
    levels = "; ".join(
        f"{number * BIN_US:.0f} µs: {units.pa(float(blocks.suction_pa[rows].mean()))}"
        for number, rows in list(throttle_bins(blocks).items())[:12]
    )
    return Picture(
        key="throttle",
        title="Suction against throttle",
        caption="Each dot is a tenth of a second. On one skirt and one pack the steady dots lie on one "
        "curve; dots below it are a leak, a sagging pack or fans still spinning up.",
        words=f"Mean steady suction by throttle: {levels or 'never steady'}. {said}",
        figure=figure,
        table=table,
        size="middle",
    )


def _index_range(index: Array) -> tuple[float, float]:
    """Ends of the axis: a change by a twentieth is to be seen, so what lies far off is only marked."""
    known = index[np.isfinite(index)]
    if not len(known):
        return 0.8, 1.1
    middle = float(np.median(known))
    low, high = min(0.8, middle - 0.2), max(1.1, middle + 0.1)
    return max(0.0, round(low, 2)), round(high, 2)


def index_picture(reduction: Reduction, blocks: Blocks, reference: FanReference | None = None) -> Picture:
    """Draw the seal index through a run."""
    if reference is None:
        index = own_index(blocks)
        against = "what this run usually gave at that throttle (the car has no reference curve)"
    else:
        index = seal_index(blocks, reference)
        against = "what the reference skirt gives at that throttle"
    from matplotlib.ticker import MultipleLocator

    thinner = Thinner(blocks.t_s, _PIECES)
    with settings():
        figure, (panel,) = stacked(4.2, (2.2,), (0.14,))
        panel.plot(thinner.t_s, thinner.zigzag(index), color=SERIES[0], linewidth=1.1)
        panel.axhline(1.0, color=LIMIT, linewidth=1.0, linestyle=(0, (5, 2)))
        low, high = _index_range(index)
        panel.set_ylim(low, high)
        outside = np.isfinite(index) & ((index < low) | (index > high))
        for mask, edge, marker in ((index < low, low, "v"), (index > high, high, "^")):
            at_s = blocks.t_s[mask]
            if len(at_s):
                at_s = at_s[:: max(1, -(-len(at_s) // _MOST_BEYOND))]
                panel.plot(
                    at_s, np.full(len(at_s), edge), marker, color=SERIES[0], markersize=5, clip_on=False
                )
        if len(blocks.t_s) > 1:
            time_axis(panel, float(blocks.t_s[0]), float(blocks.t_s[-1]))
        panel.set_ylabel("seal index")
        panel.yaxis.set_major_locator(MultipleLocator(0.05))
        panel.grid(visible=True, color=GRID, linewidth=0.6)
        mark_events([panel], reduction, numbered=False)
    known = index[np.isfinite(index)]
    spread = f"median {np.median(known):.2f}, lowest {known.min():.2f}" if len(known) else "not known"
    return Picture(
        key="seal-index",
        title="Seal index",
        caption=f"Mean suction over {against}. A leak lowers it; the throttle alone does not."
        + (" Triangles at an edge: beyond it." if outside.any() else ""),
        words=f"Index over time: {spread}.",
        figure=figure,
        table={"time s": thinner.time(), **thinner.columns("seal index", index)},
        size="middle",
    )


# Moments.

MOST_ROWS = 150
_MOST_CLOSE_UPS = 8


@dataclass(frozen=True, slots=True)
class CloseUp:
    """A moment enlarged: heading, a sentence, its pictures. The gravest stands open, a cut is folded."""

    title: str
    words: str
    pictures: tuple[Picture, ...]
    gravest: bool = False
    folded: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Quiet:
    """What the taps read while nothing happened, for all maps of a run: rows, and the suction at each tap."""

    rows: NDArray[np.bool_]
    tap_suction_pa: NDArray[np.float64]


def quiet_part(reduction: Reduction) -> Quiet | None:
    """Find the part of a run in which nothing happened; None without any."""
    rows = _quiet_rows(reduction)
    return None if rows is None else Quiet(rows, steady_pa(reduction, rows))


def gravest(
    reduction: Reduction, car: Car, units: Display, quiet: Quiet | None
) -> tuple[list[CloseUp], tuple[str, ...]]:
    """Enlarge the gravest events of a run, one of those that are alike, and say what is left out."""
    events, groups = told_events(reduction), _enlarged_groups(reduction)
    shown, top_pa = groups[:_MOST_CLOSE_UPS], _top_pa(reduction, quiet)
    close_ups = []
    for group in shown:
        place, event = group.example, events[group.example]
        ordered = event.first_tap is not None and event.kind in LOSS_KINDS
        circles = "; the numbers in circles are the order in which the taps fell" if ordered else ""
        bottom = floor_picture(
            car,
            at_moment_pa(reduction, event.bottom_s),
            tuple(reduction.taps),
            key=f"event-{place + 1}-floor",
            title=f"Floor at the bottom of event {place + 1}",
            caption=f"Seen from above. Suction at {moment_text(event.bottom_s, 3)}, median of five rows"
            f"{circles}.",
            units=units,
            order=event.order if ordered else (),
            top_pa=top_pa,
            faulty=faulty_taps(reduction, event.bottom_s),
        )
        close_ups.append(
            CloseUp(
                title=_title(reduction, group),
                words=_event_words(reduction, event, units) + _others(reduction, group),
                pictures=(close_up(reduction, place, units), bottom),
                gravest=place == shown[0].example and event.kind in LOSS_KINDS,
                folded=event.kind == "throttle-cut",
            )
        )
    left = []
    if len(events) > MOST_ROWS:
        left.append(f"{len(events) - MOST_ROWS} further events are not in this table.")
    if len(groups) > len(shown):
        left.append(f"The {len(shown)} gravest are enlarged below, {len(groups) - len(shown)} are not.")
    return close_ups, tuple(left)


def _enlarged_groups(reduction: Reduction) -> list[EventGroup]:
    """What is enlarged, the gravest first: every event of few, of many one of those that are alike."""
    places = by_gravity(reduction)
    cuts = sum(event.kind == "throttle-cut" for event in told_events(reduction))
    if len(places) > MOST_SINGLY or cuts > 1:
        return event_groups(reduction)
    return [EventGroup(place, (place,)) for place in places]


def _title(reduction: Reduction, group: EventGroup) -> str:
    event = told_events(reduction)[group.example]
    alike = f", one of {len(group.places)} alike" if len(group.places) > 1 else ""
    here = group.example == by_gravity(reduction)[0] and lets_go_in(event, let_go_s(reduction))
    first = ": here it let go" if here else ""
    return f"Event {group.example + 1}, {event.kind} at {moment_text(event.onset_s)}{alike}{first}"


def _others(reduction: Reduction, group: EventGroup) -> str:
    """When those began that are like the one that is enlarged."""
    if len(group.places) == 1:
        return ""
    events = told_events(reduction)
    first, last = (moment_text(events[group.places[k]].onset_s) for k in (0, -1))
    return f" Of the {len(group.places)} that are alike the first began at {first}, the last at {last}."


def close_up_spans(reduction: Reduction) -> list[tuple[float, float]]:
    """From when to when each event is shown that is kept finer, s: the enlarged ones, then the gravest."""
    events, enlarged = told_events(reduction), [group.example for group in _enlarged_groups(reduction)]
    places = dict.fromkeys((*enlarged[:_MOST_CLOSE_UPS], *by_gravity(reduction)))
    return [shown_span(reduction, events[place]) for place in list(places)[:_MOST_CLOSE_UPS]]


def least_moment(reduction: Reduction, car: Car, units: Display, quiet: Quiet | None) -> CloseUp | None:
    """Enlarge the moment of least margin; nothing where no margin can be told."""
    picture, found = least_close_up(reduction, units), reduction.holding
    if picture is None or isinstance(found, str):
        return None
    at_s = found.least.at_s
    floor = floor_picture(
        car,
        at_moment_pa(reduction, at_s),
        tuple(reduction.taps),
        key="least-floor",
        title="Floor at the least margin",
        caption=f"Seen from above. Suction at {moment_text(at_s, 3)}, median of five rows.",
        units=units,
        top_pa=_top_pa(reduction, quiet),
        faulty=faulty_taps(reduction, at_s),
    )
    lost = any(event.kind in LOSS_KINDS for event in reduction.events)
    title = f"Least margin, at {moment_text(at_s)}{in_event(reduction, at_s)}"
    return CloseUp(title, "", (picture, floor), gravest=not lost)


def in_event(reduction: Reduction, at_s: float) -> str:
    """Say in which loss or cut a moment lies; nothing where in none."""
    events = told_events(reduction)
    for place in by_gravity(reduction):
        event = events[place]
        if event.kind != "sensor-fault" and event.onset_s <= at_s <= lasts_until_s(reduction, event):
            return f", in event {place + 1}"
    return ""


def _top_pa(reduction: Reduction, quiet: Quiet | None) -> float:
    """Suction at the end of the colours of all maps of a run."""
    steady = 0.0 if quiet is None else float(np.nanmax(quiet.tap_suction_pa, initial=0.0))
    return max(steady, reduction.suction_pa.p95)


def faulty_taps(reduction: Reduction, from_s: float, to_s: float | None = None) -> tuple[str, ...]:
    """Taps that were faulty at a moment, or at any time between two."""
    to_s = from_s if to_s is None else to_s
    return tuple(
        name
        for event in reduction.events
        if event.kind == "sensor-fault"
        and event.onset_s <= to_s
        and (event.end_s is None or event.end_s >= from_s)
        for name in fault_taps(event)
    )


def _event_words(reduction: Reduction, event: Loss, units: Display) -> str:
    order = f" {told[:1].upper()}{told[1:]}." if (told := order_words(event)) else ""
    if event.kind == "sensor-fault":
        return f"The reading of {event.first_tap or 'one tap'} cannot be trusted here, while the others can."
    explained = {
        "seal-loss": "A sudden fall that the throttle does not explain.",
        "slow-leak": "A fall over more than a second that the throttle does not explain.",
        "throttle-cut": "A fall that the throttle explains.",
    }.get(event.kind, "")
    if event.brief:
        explained += f" It was {length_words(event)}."
    if event.onset_between_s is not None:
        explained += f" It began {onset_words(event)}."
    change = f" Mean suction went from {units.pa(event.from_pa)} to {units.pa(event.to_pa)}."
    warned = ""
    if event.kind in LOSS_KINDS:
        told = warning_words(reduction, event)
        if told in UNTOLD:
            warned = f" No warning time is known: {UNTOLD[told]}."
        elif told == "none":
            warned = " There was no warning in the taps."
        else:
            warned = f" The first sign came {told} before the car had less than it needs."
    return f"{explained}{change}{order}{warned}"


def _quiet_rows(reduction: Reduction) -> NDArray[np.bool_] | None:
    """Rows while steady at the weakest throttle; else with the throttle up and no event; None without any."""
    blocks, series = reduction.blocks, reduction.series
    levels = steady_levels(blocks, series.throttle_us)
    if levels:
        return blocks.rows_of(levels[0])
    rows = work_rows(series.throttle_us)
    if rows is None:
        rows = series.throttle_us > REST_US
    for event in reduction.events:
        end_s = np.inf if event.end_s is None else event.end_s
        rows = rows & ((series.t_s < event.onset_s) | (series.t_s > end_s))
    return rows if rows.any() else None


def _at(reduction: Reduction) -> str:
    found = reduction.steady
    if found is None or not found.others or found.throttle_us is None:
        return ""
    return f", at the weakest steady throttle, {found.throttle_us:.0f} µs"


def steady_pictures(
    reduction: Reduction,
    car: Car,
    units: Display,
    quiet: Quiet | None,
    reference: FanReference | None = None,
) -> list[Picture]:
    """Draw what a run is like when nothing happens."""
    blocks, pictures = reduction.blocks, []
    if quiet is not None:
        seen_s = reduction.series.t_s[quiet.rows]
        floor = floor_picture(
            car,
            quiet.tap_suction_pa,
            tuple(reduction.taps),
            key="floor-steady",
            title="Floor, steady" if reduction.steady else "Floor, throttle up and no event",
            caption=f"Seen from above; median suction in {units.pressure} where each tap speaks for the "
            f"floor{_at(reduction)}.",
            units=units,
            faulty=faulty_taps(reduction, float(seen_s[0]), float(seen_s[-1])),
        )
        pictures.append(floor)
    if np.isfinite(blocks.throttle_us).any():
        pictures.append(fan_picture(blocks, reference, units))
        if blocks.steady.sum() * BLOCK_S >= 1.0:
            pictures.append(index_picture(reduction, blocks, reference))
    return pictures

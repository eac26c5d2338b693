"""Moments of a run: its gravest events enlarged, and its steady state."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.steady import BLOCK_S, REST_US, steady_levels, work_rows
from undertray.reduce.warning import UNTOLD, warning_words
from undertray.report.display import Display, moment_text
from undertray.report.fanpicture import fan_picture, index_picture
from undertray.report.floorplan import at_moment_pa, floor_picture, steady_pa
from undertray.report.picture import Picture
from undertray.report.timeline import close_up, least_close_up, shown_span
from undertray.report.words import fault_taps, length_words, onset_words, order_words, told_events

if TYPE_CHECKING:
    from undertray.reduce.car import Car
    from undertray.reduce.fan import FanReference
    from undertray.reduce.run import Reduction

__all__ = [
    "MOST_ROWS",
    "CloseUp",
    "close_up_spans",
    "faulty_taps",
    "gravest",
    "least_moment",
    "quiet_part",
    "steady_pictures",
]

MOST_ROWS = 150
_MOST_CLOSE_UPS = 8


@dataclass(frozen=True, slots=True)
class CloseUp:
    """A moment enlarged: heading, a sentence, its pictures, and whether it is the gravest of the run."""

    title: str
    words: str
    pictures: tuple[Picture, ...]
    gravest: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Quiet:
    """What the taps read while nothing happened, for all maps of a run: rows, and the suction at each tap."""

    rows: NDArray[np.bool_]
    tap_suction_pa: NDArray[np.float64]


def quiet_part(reduction: Reduction) -> Quiet | None:
    """Find the part of a run in which nothing happened; None without any."""
    rows = _quiet_rows(reduction)
    return None if rows is None else Quiet(rows, steady_pa(reduction, rows))


def gravest(reduction: Reduction, car: Car, units: Display, quiet: Quiet | None) -> tuple[list[CloseUp], str]:
    """Enlarge the gravest events of a run."""
    events = told_events(reduction)
    shown = _by_gravity(events)
    chosen = sorted(shown[:_MOST_CLOSE_UPS])
    top_pa = _top_pa(reduction, quiet)
    close_ups = []
    for place in chosen:
        event = events[place]
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
                title=f"Event {place + 1}: {event.kind} at {moment_text(event.onset_s)}",
                words=_event_words(reduction, event, units),
                pictures=(close_up(reduction, place, units), bottom),
                gravest=place == shown[0] and event.kind in LOSS_KINDS,
            )
        )
    left = []
    if len(events) > MOST_ROWS:
        left.append(f"{len(events) - MOST_ROWS} further events are not in this table.")
    if len(shown) > len(chosen):
        left.append(f"The {len(chosen)} gravest are enlarged below, {len(shown) - len(chosen)} are not.")
    return close_ups, " ".join(left)


def _by_gravity(events: Sequence[Any]) -> list[int]:
    grave = {"seal-loss": 0, "slow-leak": 1, "sensor-fault": 2, "throttle-cut": 3}
    shown = [place for place, event in enumerate(events) if event.kind in grave]
    return sorted(shown, key=lambda p: (grave[events[p].kind], -(events[p].drop or 0.0), p))


def close_up_spans(reduction: Reduction) -> list[tuple[float, float]]:
    """From when to when each enlarged event is shown, s, the gravest first."""
    events = told_events(reduction)
    return [shown_span(reduction, events[place]) for place in _by_gravity(events)[:_MOST_CLOSE_UPS]]


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
    return CloseUp(f"Least margin, at {moment_text(at_s)}", "", (picture, floor), gravest=not lost)


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


def _event_words(reduction: Reduction, event: Any, units: Display) -> str:
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

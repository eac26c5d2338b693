"""Moments of a run: its gravest events enlarged, and its steady state."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.steady import BLOCK_S, steady_levels, work_rows
from undertray.reduce.warning import UNTOLD, warning_words
from undertray.report.display import Display
from undertray.report.fallwords import length_words, onset_words, order_words
from undertray.report.fanpicture import fan_picture, index_picture
from undertray.report.floorplan import at_moment_pa, floor_picture, steady_pa
from undertray.report.picture import Picture
from undertray.report.timeline import close_up

if TYPE_CHECKING:
    from undertray.reduce.car import Car
    from undertray.reduce.fan import FanReference
    from undertray.reduce.run import Reduction

__all__ = ["MOST_ROWS", "CloseUp", "gravest", "steady_pictures"]

MOST_ROWS = 150
_MOST_CLOSE_UPS = 8


@dataclass(frozen=True, slots=True)
class CloseUp:
    """An event enlarged: heading, a sentence, its pictures."""

    title: str
    words: str
    pictures: tuple[Picture, ...]


def gravest(reduction: Reduction, car: Car, units: Display) -> tuple[list[CloseUp], str]:
    """Enlarge the gravest events of a run."""
    grave = {"seal-loss": 0, "slow-leak": 1, "sensor-fault": 2, "throttle-cut": 3}
    shown = [place for place, event in enumerate(reduction.events) if event.kind in grave]
    shown.sort(key=lambda p: (grave[reduction.events[p].kind], -(reduction.events[p].drop or 0.0), p))
    chosen = sorted(shown[:_MOST_CLOSE_UPS])
    top_pa = max(float(np.nanmax(_steady_values(reduction), initial=0.0)), reduction.suction_pa.p95)
    close_ups = []
    for place in chosen:
        event = reduction.events[place]
        ordered = event.first_tap is not None
        circles = "; the numbers in circles are the order in which the taps fell" if ordered else ""
        bottom = floor_picture(
            car,
            at_moment_pa(reduction, event.bottom_s),
            tuple(reduction.taps),
            key=f"event-{place + 1}-floor",
            title=f"Floor at the bottom of event {place + 1}",
            caption=f"Seen from above. Suction at {event.bottom_s:.3f} s{circles}.",
            units=units,
            order=event.order if ordered else (),
            top_pa=top_pa,
        )
        close_ups.append(
            CloseUp(
                title=f"Event {place + 1}: {event.kind} at {event.onset_s:.2f} s",
                words=_event_words(reduction, event, units),
                pictures=(close_up(reduction, place, units), bottom),
            )
        )
    left = []
    if len(reduction.events) > MOST_ROWS:
        left.append(f"{len(reduction.events) - MOST_ROWS} further events are not in this table.")
    if len(shown) > len(chosen):
        left.append(f"The {len(chosen)} gravest are enlarged below, {len(shown) - len(chosen)} are not.")
    return close_ups, " ".join(left)


def _event_words(reduction: Reduction, event: Any, units: Display) -> str:
    told = order_words(event)
    order = f" Order: {told}." if told else ""
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
            warned = f" No warning can be told: {UNTOLD[told]}."
        elif told == "none":
            warned = " There was no warning in the taps."
        else:
            warned = f" The first sign came {told} before the car had less than it needs."
    return f"{explained}{change}{order}{warned}"


def _steady_values(reduction: Reduction) -> Any:
    """Median suction while steady at the weakest throttle; else with the fans up and no event."""
    blocks = reduction.blocks
    levels = steady_levels(blocks, reduction.series.throttle_us)
    if levels:
        return steady_pa(reduction, blocks.rows_of(levels[0]))
    work = work_rows(reduction.series.throttle_us)
    rows = np.ones(len(reduction.series.t_s), bool) if work is None else work
    for event in reduction.events:
        end_s = np.inf if event.end_s is None else event.end_s
        rows = rows & ((reduction.series.t_s < event.onset_s) | (reduction.series.t_s > end_s))
    return steady_pa(reduction, rows if rows.any() else np.ones(len(rows), bool))


def _at(reduction: Reduction) -> str:
    found = reduction.steady
    if found is None or not found.others or found.throttle_us is None:
        return ""
    return f", at the weakest steady throttle, {found.throttle_us:.0f} µs"


def steady_pictures(
    reduction: Reduction, car: Car, units: Display, reference: FanReference | None = None
) -> list[Picture]:
    """Draw what a run is like when nothing happens."""
    blocks = reduction.blocks
    pictures = [
        floor_picture(
            car,
            _steady_values(reduction),
            tuple(reduction.taps),
            key="floor-steady",
            title="Floor, steady" if reduction.steady else "Floor, fans up and no event",
            caption=f"Seen from above; median suction in {units.pressure} where each tap speaks for the "
            f"floor{_at(reduction)}.",
            units=units,
        )
    ]
    if np.isfinite(blocks.throttle_us).any():
        pictures.append(fan_picture(blocks, reference, units))
        if blocks.steady.sum() * BLOCK_S >= 1.0:
            pictures.append(index_picture(reduction, blocks, reference))
    return pictures

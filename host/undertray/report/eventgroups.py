"""Events of a run in the order of their gravity, and those that are alike put together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.margins import SETTLED_S
from undertray.reduce.warning import UNTOLD, warning_words
from undertray.report.words import first_words, told_events

if TYPE_CHECKING:
    from undertray.reduce.loss import Loss
    from undertray.reduce.run import Reduction

__all__ = ["MOST_SINGLY", "EventGroup", "by_gravity", "event_groups", "let_go_s", "lets_go_in"]

MOST_SINGLY = 6
"""Most events that are told one by one; of more, those that are alike are told together."""
_DROP_ALIKE, _LEVEL_ALIKE = 0.1, 0.1
_GRAVITY = ("seal-loss", "slow-leak", "sensor-fault", "throttle-cut")


@dataclass(frozen=True, slots=True)
class EventGroup:
    """Events that are alike, by their places among those that are told.

    Attributes
    ----------
    example : int
        The gravest of them.
    places : tuple of int
        All of them, in the order of time.
    """

    example: int
    places: tuple[int, ...]


def let_go_s(reduction: Reduction) -> float | None:
    """When the car first had less than it takes to stay on, s; None where it never had, or nobody knows."""
    found = reduction.holding
    return None if isinstance(found, str) or found.first_short is None else found.first_short.at_s


def by_gravity(reduction: Reduction) -> list[int]:
    """Places of the told events: first the one in which the car let go first."""
    events, at_s = told_events(reduction), let_go_s(reduction)

    def rank(place: int) -> tuple[bool, int, float, int]:
        event = events[place]
        return not lets_go_in(event, at_s), _GRAVITY.index(event.kind), -(event.drop or 0.0), place

    return sorted(range(len(events)), key=rank)


def lets_go_in(event: Loss, at_s: float | None) -> bool:
    """Whether a car that let go at a moment did so in this loss."""
    if at_s is None or event.kind not in LOSS_KINDS:
        return False
    return event.onset_s <= at_s + SETTLED_S and (event.end_s is None or at_s <= event.end_s)


def event_groups(reduction: Reduction) -> list[EventGroup]:
    """Put the told events together that are alike, the gravest first.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.

    Returns
    -------
    list of EventGroup

    Notes
    -----
    Throttle cuts are all alike. Other events are when their kind, the tap that fell first, whether it came
    back and whether there was a warning are the same, the level before differs by less than a tenth and the
    share that was lost by less than 0.1.
    """
    events = told_events(reduction)
    found: list[tuple[int, list[int]]] = []
    by_words: dict[tuple[object, ...], list[tuple[int, list[int]]]] = {}
    for place in by_gravity(reduction):
        same = by_words.setdefault(_words(reduction, events[place]), [])
        places = next((places for example, places in same if _near(events[example], events[place])), None)
        if places is None:
            same.append((place, places := []))
            found.append(same[-1])
        places.append(place)
    return [EventGroup(example, tuple(sorted(places))) for example, places in found]


def _words(reduction: Reduction, event: Loss) -> tuple[object, ...]:
    """What has to be the same to the word."""
    if event.kind == "throttle-cut":
        return (event.kind,)
    warned = warning_words(reduction, event) if event.kind in LOSS_KINDS else ""
    known = warned if warned in (*UNTOLD, "none", "") else "warned"
    return event.kind, event.brief, event.end_s is None, first_words(event), known


def _near(one: Loss, other: Loss) -> bool:
    """Whether two events fell from about the same level by about the same share."""
    if one.kind == "throttle-cut":
        return True
    level = _LEVEL_ALIKE * abs(one.from_pa or 0.0)
    return _within(one.drop, other.drop, _DROP_ALIKE) and _within(one.from_pa, other.from_pa, level)


def _within(one: float | None, other: float | None, by: float) -> bool:
    return one is other if one is None or other is None else abs(one - other) <= by

"""One fall in words: since when, which tap first, for how long."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from undertray.report.display import moment_text

if TYPE_CHECKING:
    from undertray.reduce.loss import Loss
    from undertray.reduce.run import Reduction

__all__ = [
    "first_words",
    "gap_words",
    "length_words",
    "losses_told",
    "onset_words",
    "order_words",
    "told_events",
]


def told_events(reduction: Reduction) -> tuple[Loss, ...]:
    """The events that are told one by one, in order: all but the times without rows."""
    return tuple(event for event in reduction.events if event.kind != "data-gap")


def gap_words(reduction: Reduction) -> str:
    """The times without rows, all in one sentence."""
    gaps = [event for event in reduction.events if event.kind == "data-gap"]
    if not gaps:
        return ""
    lengths_s = [(gap.end_s or gap.onset_s) - gap.onset_s for gap in gaps]
    longest = max(range(len(gaps)), key=lambda k: lengths_s[k])
    where = f"{lengths_s[longest]:.2f} s at {moment_text(gaps[longest].onset_s)}"
    if len(gaps) == 1:
        return f"No rows came for {where}."
    return f"{len(gaps)} times no rows came, {sum(lengths_s):.2f} s in all; the longest was {where}."


def onset_words(event: Loss, digits: int = 3) -> str:
    """Say since when."""
    if event.onset_between_s is None:
        return moment_text(event.onset_s, digits)
    first_s, last_s = event.onset_between_s
    return f"between {first_s:.{digits}f} and {last_s:.{digits}f} s, while no rows came"


def first_words(event: Loss) -> str:
    """Say which tap fell first, in a word."""
    if event.first_tap is not None:
        return event.first_tap
    return "together" if len(event.order_ms) > 1 else ""


def order_words(event: Loss) -> str:
    """Say in which order the taps fell."""
    if not event.order or event.kind in ("sensor-fault", "data-gap"):
        return ""
    if not event.order_ms:
        return "most at " + ", then ".join(event.order)
    if len(event.order) == 1:
        return f"{event.order[0]} alone"
    if event.first_tap is None:
        within = f" within {max(event.order_ms):.0f} ms" if max(event.order_ms) >= 0.5 else ""
        return f"{' and '.join(_few(event.order))} fell together{within}"
    taps = [f"{name} {ms:.0f} ms" for name, ms in zip(event.order, event.order_ms, strict=True)]
    return f"{event.order[0]} first, then {', '.join(taps[1:])} later"


def _few(names: Sequence[str]) -> Sequence[str]:
    """Names in a row; of more than two, how many."""
    return names if len(names) <= 2 else (f"{len(names)} taps",)


def length_words(event: Loss) -> str:
    """Say that a loss was brief."""
    if not event.brief:
        return ""
    return "brief" if event.end_s is None else f"brief, healed after {event.end_s - event.onset_s:.2f} s"


def losses_told(losses: int, brief: int) -> str:
    """How many losses, and how many of them were brief."""
    return f"{losses}, {brief} brief" if brief else str(losses)

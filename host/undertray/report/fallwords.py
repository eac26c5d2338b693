"""One fall in words: since when, which tap first, for how long."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from undertray.reduce.loss import Loss

__all__ = ["first_words", "length_words", "onset_words", "order_words"]


def onset_words(event: Loss, digits: int = 3) -> str:
    """Say since when."""
    if event.onset_between_s is None:
        return f"{event.onset_s:.{digits}f} s"
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
    taps = [f"{name} {ms:.0f} ms" for name, ms in zip(event.order, event.order_ms, strict=True)]
    if event.first_tap is None:
        return f"together ({', '.join(taps)})"
    return f"{event.order[0]} first, then {', '.join(taps[1:])} later"


def length_words(event: Loss) -> str:
    """Say that a loss was brief."""
    if not event.brief:
        return ""
    return "brief" if event.end_s is None else f"brief, healed after {event.end_s - event.onset_s:.2f} s"

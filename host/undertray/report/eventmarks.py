"""Events marked in the pictures over time: shaded, numbered and named."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from undertray.report.ink import EVENT, INK, LIMIT

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from undertray.reduce.run import Reduction

__all__ = ["MOST_NAMED", "mark_events"]

MOST_NAMED = 14
"""Most events that are called by their kind; of more, only the numbers are shown."""
_MOST_NAME_ROWS = 5
_NAME_ROW = 0.085  # of the height of the panel
_SIGN = 0.0105  # width of a letter of that size, of the width of the panel


def mark_events(panels: Sequence[Axes], reduction: Reduction, numbered: bool) -> None:
    """Shade every event in every panel.

    Parameters
    ----------
    panels : sequence of Axes
        Panels with one time axis.
    reduction : Reduction
        The reduced run.
    numbered : bool
        Write their numbers and kinds above the first panel.
    """
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

"""Panels placed by the inch: quick, and the same to the last digit every time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["LEGEND_ROW_IN", "stacked"]

LEGEND_ROW_IN = 0.19
_LEFT_IN, _RIGHT_IN, _BOTTOM_IN = 0.74, 0.12, 0.48


def stacked(
    width_in: float, heights_in: Sequence[float], above_in: Sequence[float]
) -> tuple[Figure, list[Axes]]:
    """Make a figure of panels under each other that share their time axis.

    Parameters
    ----------
    width_in : float
        Width of the figure, inches.
    heights_in, above_in : sequence of float
        Height of each panel and the room above it, inches, from the top.

    Returns
    -------
    figure : Figure
    panels : list of Axes

    Notes
    -----
    matplotlib's own layout engines solve for these numbers, and may differ in the last digit from
    one drawing to the next; a report has to be the same bytes for the same run.
    """
    from matplotlib.figure import Figure

    height_in = sum(heights_in) + sum(above_in) + _BOTTOM_IN
    figure = Figure(figsize=(width_in, height_in))
    panels: list[Axes] = []
    top_in = height_in
    for height, above in zip(heights_in, above_in, strict=True):
        top_in -= above + height
        box = (
            _LEFT_IN / width_in,
            top_in / height_in,
            (width_in - _LEFT_IN - _RIGHT_IN) / width_in,
            height / height_in,
        )
        panel = figure.add_axes(box, sharex=panels[0] if panels else None)
        panel.tick_params(labelbottom=len(panels) == len(heights_in) - 1)
        panels.append(panel)
    return figure, panels

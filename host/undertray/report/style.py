"""Panels placed by the inch: quick, and the same to the last digit every time."""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "DASHES",
    "EVENT",
    "GRID",
    "INK",
    "LEGEND_ROW_IN",
    "LIMIT",
    "MARKERS",
    "PAPER",
    "SERIES",
    "THEME",
    "drawing",
    "printable",
    "settings",
    "short",
    "stacked",
]


# Colours, dashes and markers of all pictures, and matplotlib's settings for them.
# Nothing is told by colour alone: every line has its own dashes and marker, every event its word.

INK, GRID, LIMIT, PAPER = "#1b1f24", "#d5d9de", "#5a6069", "#fefefe"
# Okabe and Ito's palette, chosen to stay apart under the common colour blindnesses, its yellow
# and its light tones darkened so that a thin line shows on white
SERIES = ("#0072b2", "#d55e00", "#007a58", "#b0568c", "#8c6d1f", "#3a9ad0", "#5b4b9a", "#6b6b6b")
DASHES: tuple[Any, ...] = (
    "-",
    (0, (6, 2)),
    (0, (6, 2, 1.5, 2)),
    (0, (1.5, 1.5)),
    (0, (9, 2)),
    (0, (3, 1.5, 1, 1.5, 1, 1.5)),
    (0, (4, 4)),
    (0, (2, 3)),
)
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")
EVENT = {
    "seal-loss": "#d45500",
    "slow-leak": "#b98a00",
    "throttle-cut": "#4aa0d8",
    "sensor-fault": "#c06fa0",
    "data-gap": "#8a8f98",
}
THEME = {
    INK: ("ink", "#e6e9ec"),
    GRID: ("grid", "#3a4048"),
    LIMIT: ("limit", "#aab1ba"),
    PAPER: ("ground", "#15181c"),
    **{
        colour: (f"s{place}", dark)
        for place, (colour, dark) in enumerate(
            zip(
                SERIES,
                ("#6cb6ec", "#f39452", "#3fc79b", "#dd96c0", "#d0b25f", "#8ed0f7", "#b3a5ee", "#b9bcc0"),
                strict=True,
            )
        )
    },
    **{
        colour: (f"e{place}", dark)
        for place, (colour, dark) in enumerate(
            zip(EVENT.values(), ("#f28a3d", "#dcb53f", "#7cc4f2", "#dd96c0", "#a5abb3"), strict=True)
        )
    },
}
"""Colour on white -> (name of the page's variable, colour on black)."""

_SETTINGS: Any = {
    "svg.fonttype": "none",  # words stay words: small, searchable, read aloud
    "svg.hashsalt": "undertray",
    "text.parse_math": False,  # a dollar sign in a tap's name is a dollar sign
    "path.simplify": True,
    "path.simplify_threshold": 0.2,
    "font.family": ["DejaVu Sans"],
    "font.size": 9.0,
    "text.color": INK,
    "axes.edgecolor": LIMIT,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
}


@contextlib.contextmanager
def drawing() -> Iterator[None]:
    """Everything that has to be so while a figure is written to a file."""
    with settings(), warnings.catch_warnings():
        # a name in a script the measuring font lacks: the reader's own font shows it
        warnings.filterwarnings("ignore", message="Glyph .* missing", category=UserWarning)
        warnings.filterwarnings(
            "ignore", message="Matplotlib currently does not support", category=UserWarning
        )
        yield


def printable(text: str) -> str:
    """Make a foreign text safe to stand in a picture or a page."""
    return "".join(c if c.isprintable() else "\ufffd" for c in text)


def short(text: str, limit: int = 24) -> str:
    """Make a foreign name fit to stand in a picture."""
    text = printable(text[: limit + 1])
    return text if len(text) <= limit else text[: limit - 1] + "…"


def settings() -> Any:
    """The look of all figures."""
    import matplotlib as mpl

    return mpl.rc_context(_SETTINGS)


LEGEND_ROW_IN = 0.19
_LEFT_IN, _RIGHT_IN, _BOTTOM_IN = 0.74, 0.2, 0.48


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

"""Colours, dashes and markers, and matplotlib's SVG made to follow the page's light and dark.

Nothing is told by colour alone: every line has its own dashes and marker, every event its word.
"""

from __future__ import annotations

import contextlib
import io
import re
import warnings
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = [
    "DASHES",
    "EVENT",
    "GRID",
    "INK",
    "LIMIT",
    "MARKERS",
    "SERIES",
    "THEME",
    "drawing",
    "inline_svg",
    "plain_svg",
    "printable",
    "settings",
    "short",
    "svg_text",
]

INK, GRID, LIMIT = "#1b1f24", "#d5d9de", "#5a6069"
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

_SVG, _XLINK = "http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"
_DROP = {f"{{{_SVG}}}metadata", f"{{{_SVG}}}style"}
_LONG = re.compile(r"(\.\d\d)\d+")  # a hundredth of a point is finer than any screen
_REFERENCE = re.compile(r"url\(#([^)]+)\)")
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


def svg_text(figure: Figure) -> str:
    """Draw a figure as SVG, the same figure always to the same bytes.

    Parameters
    ----------
    figure : Figure
        A matplotlib figure; made inside :func:`settings`.

    Returns
    -------
    str
        What matplotlib writes, without date.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    stream = io.StringIO()
    FigureCanvasSVG(figure)
    with drawing():
        figure.savefig(stream, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    return stream.getvalue()


@contextlib.contextmanager
def drawing() -> Iterator[None]:
    """Everything that has to be so while a figure is written to a file.

    Yields
    ------
    None
    """
    with settings(), warnings.catch_warnings():
        # a name in a script the measuring font lacks: the reader's own font shows it
        warnings.filterwarnings("ignore", message="Glyph .* missing", category=UserWarning)
        warnings.filterwarnings(
            "ignore", message="Matplotlib currently does not support", category=UserWarning
        )
        yield


def printable(text: str) -> str:
    """Make a foreign text safe to stand in a picture or a page.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        With U+FFFD for every control character and every half of a broken one.
    """
    return "".join(c if c.isprintable() else "\ufffd" for c in text)


def short(text: str, limit: int = 24) -> str:
    """Make a foreign name fit to stand in a picture.

    Parameters
    ----------
    text : str
        Any text.
    limit : int
        Longest text returned (24 if left out).

    Returns
    -------
    str
        Printable, with an ellipsis where it was cut.
    """
    text = printable(text[: limit + 1])
    return text if len(text) <= limit else text[: limit - 1] + "…"


def settings() -> Any:
    """The look of all figures.

    Returns
    -------
    context manager
        matplotlib's settings for the time of drawing; the caller's own come back after it.
    """
    import matplotlib as mpl

    return mpl.rc_context(_SETTINGS)


def inline_svg(svg: str, key: str, title: str) -> str:
    """Turn matplotlib's SVG into a part of a page.

    Parameters
    ----------
    svg : str
        From :func:`svg_text`.
    key : str
        A word of letters and digits that no other picture on the page has.
    title : str
        Text alternative.

    Returns
    -------
    str
        An ``svg`` element without style attributes (a page that forbids them can hold it),
        whose colours are variables of the page, and whose ids start with ``key``.
    """
    root = _parsed(svg, title)
    root.attrib.pop("width", None)
    root.attrib.pop("height", None)
    root.set("class", "chart")
    for element in root.iter():
        _restyle(element, themed=True)
        for name, value in list(element.attrib.items()):
            if name == f"{{{_XLINK}}}href":
                del element.attrib[name]
                element.set("href", f"#{key}{value[1:]}")
            elif name == "id":
                element.set("id", key + value)
            elif "url(#" in value:
                element.set(name, _REFERENCE.sub(rf"url(#{key}\1)", value))
    return _written(root)


def plain_svg(svg: str, title: str) -> str:
    """Turn matplotlib's SVG into a file of its own, on white.

    Parameters
    ----------
    svg : str
        From :func:`svg_text`.
    title : str
        Text alternative.

    Returns
    -------
    str
        The SVG document.
    """
    root = _parsed(svg, title)
    for element in root.iter():
        _restyle(element, themed=False)
        href = element.attrib.pop(f"{{{_XLINK}}}href", None)
        if href is not None:
            element.set("href", href)
    root.set("font-family", "DejaVu Sans, Verdana, sans-serif")
    root.insert(1, ET.Element(f"{{{_SVG}}}rect", {"width": "100%", "height": "100%", "fill": "#ffffff"}))
    return _written(root) + "\n"


def _parsed(svg: str, title: str) -> ET.Element:
    # only what matplotlib has just written comes here, never a file
    root = ET.fromstring(svg)
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in _DROP:
                parent.remove(child)
    for element in root.iter():
        _tidy(element)
    _number_ids(root)
    root.set("role", "img")
    # what the dropped style sheet said
    root.set("stroke-linejoin", "round")
    root.set("stroke-linecap", "butt")
    label = ET.Element(f"{{{_SVG}}}title")
    label.text = printable(title)
    root.insert(0, label)
    return root


def _tidy(element: ET.Element) -> None:
    """No blanks between elements, and no more decimals than can be seen."""
    element.tail = None
    if element.text is not None and not element.text.strip():
        element.text = None
    for name in ("d", "x", "y"):
        if name in element.attrib:
            element.set(name, _LONG.sub(r"\1", " ".join(element.attrib[name].split())))


def _number_ids(root: ET.Element) -> None:
    """Number the ids that are used, and drop the others.

    matplotlib's ids are hashes of places to the last digit; numbers are shorter, and the same everywhere.
    """
    used: set[str] = set()
    for element in root.iter():
        for key, value in element.attrib.items():
            used.update([value[1:]] if key == f"{{{_XLINK}}}href" else _REFERENCE.findall(value))
    numbers: dict[str, str] = {}
    for element in root.iter():
        name = element.attrib.pop("id", "")
        if name in used:
            element.set("id", numbers.setdefault(name, str(len(numbers))))
    for element in root.iter():
        for key, value in element.attrib.items():
            if key == f"{{{_XLINK}}}href":
                element.set(key, f"#{numbers[value[1:]]}")
            elif "url(#" in value:
                element.set(key, _REFERENCE.sub(lambda found: f"url(#{numbers[found[1]]})", value))


def _restyle(element: ET.Element, themed: bool) -> None:
    """A style attribute as presentation attributes."""
    for declaration in element.attrib.pop("style", "").split(";"):
        name, _, value = (part.strip() for part in declaration.partition(":"))
        if name == "font":
            size = re.search(r"([\d.]+)px", value)
            element.set("font-size", size[1] if size else "9")
            if "bold" in value or "700" in value:
                element.set("font-weight", "bold")
        elif name and name not in ("font-family", "white-space"):
            element.set(name, value)
    if themed:
        for name in ("fill", "stroke"):
            colour = element.get(name)
            if colour in THEME:
                element.set(name, f"var(--{THEME[colour][0]})")


def _written(root: ET.Element) -> str:
    ET.register_namespace("", _SVG)
    return ET.tostring(root, encoding="unicode")

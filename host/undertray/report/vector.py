"""matplotlib's SVG made fit to stand in a page, and to follow its light and dark."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from typing import TYPE_CHECKING

from undertray.report.ink import THEME, drawing, printable

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["inline_svg", "plain_svg", "svg_text"]

_SVG, _XLINK = "http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"
_DROP = {f"{{{_SVG}}}metadata", f"{{{_SVG}}}style"}
_LONG = re.compile(r"(\.\d\d)\d+")  # a hundredth of a point is finer than any screen
_REFERENCE = re.compile(r"url\(#([^)]+)\)")


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

"""A picture with everything that belongs to it: words for those who cannot see it, and its numbers."""

from __future__ import annotations

import csv
import io
import math
import re
import xml.etree.ElementTree as ET
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from undertray.errors import ReductionError
from undertray.files import write_whole
from undertray.report.style import THEME, drawing, printable

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Picture", "Thinner", "svg_text", "write_figure", "write_pictures"]


# Long series as lowest and highest of equal pieces, so that one bad sample still shows.

PIECES = 1000
Array = NDArray[np.float64]


class Thinner:
    """Cuts series of one length into pieces."""

    _hidden: NDArray[np.bool_] | None = None

    def __init__(self, t_s: Array, pieces: int = PIECES) -> None:
        self.whole = len(t_s) <= 2 * pieces
        self._edges = np.linspace(0, len(t_s), pieces + 1).astype(np.int64)[:-1]
        self.t_s = t_s if self.whole else np.repeat(t_s[self._edges], 2)

    @classmethod
    def at(cls, t_s: Array, edges: NDArray[np.int64]) -> Thinner:
        """Pieces that begin at chosen rows."""
        made = cls(t_s, 0)
        made.whole, made._edges, made.t_s = False, edges, np.repeat(t_s[edges], 2)
        return made

    @classmethod
    def without(cls, t_s: Array, pieces: int, parts: Sequence[tuple[int, int]]) -> Thinner:
        """Equal pieces, cut where parts begin and end, of which the line leaves those parts out."""
        plain = cls(t_s, pieces)
        if plain.whole or not parts:
            return plain
        cuts = np.asarray(parts, np.int64).ravel()
        made = cls.at(t_s, np.unique(np.concatenate((plain._edges, cuts[cuts < len(t_s)]))))
        # every second cut ends a part
        made._hidden = np.searchsorted(cuts, made._edges, "right") % 2 == 1
        return made

    def ends(self, values: Array) -> tuple[Array, Array]:
        """Lowest and highest of each piece."""
        if self.whole:
            return values, values
        return np.fmin.reduceat(values, self._edges), np.fmax.reduceat(values, self._edges)

    def zigzag(self, values: Array) -> Array:
        """One line through all lowest and highest values, to draw over :attr:`t_s`."""
        if self.whole:
            return values
        line = np.column_stack(self.ends(values))
        if self._hidden is not None:
            line[self._hidden] = np.nan
        return line.ravel()

    def columns(self, name: str, values: Array) -> dict[str, Array]:
        """The numbers behind :meth:`zigzag`, for a table."""
        lowest, highest = self.ends(values)
        return {name: values} if self.whole else {f"{name} lowest": lowest, f"{name} highest": highest}

    def time(self) -> Array:
        """Start of each piece, s."""
        return self.t_s if self.whole else self.t_s[::2]


# matplotlib's SVG made fit to stand in a page, and to follow its light and dark.

_SVG, _XLINK = "http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"
_DROP = {f"{{{_SVG}}}metadata", f"{{{_SVG}}}style"}
_LONG = re.compile(r"(\.\d)\d+")  # a tenth of a point is finer than any screen
_REFERENCE = re.compile(r"url\(#([^)]+)\)")


def svg_text(figure: Figure) -> str:
    """Draw a figure as SVG, the same figure always to the same bytes."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    stream = io.StringIO()
    FigureCanvasSVG(figure)
    with drawing():
        figure.savefig(stream, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    return stream.getvalue()


def write_figure(figure: Figure, path: str | Path, kind: str) -> None:
    """Write a figure as a file of its own, ``.svg``, ``.png`` or ``.pdf``; one that is there is replaced."""
    try:
        write_whole(path, _saved(figure, kind))
    except OSError as error:
        raise ReductionError(f"cannot write the picture: {error.strerror}", where=str(path)) from error


def _saved(figure: Figure, kind: str) -> bytes:
    """Without date or program: the same figure gives the same bytes."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    if kind == ".svg":
        return svg_text(figure).encode()
    FigureCanvasAgg(figure)
    drawn = io.BytesIO()
    told = {"Software": None} if kind == ".png" else {"CreationDate": None, "Producer": None, "Creator": None}
    with drawing():
        figure.savefig(drawn, dpi=130, format=kind[1:], metadata=told)
    return drawn.getvalue()


def inline_svg(svg: str, key: str, title: str) -> str:
    """Turn matplotlib's SVG into a part of a page."""
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
    """Turn matplotlib's SVG into a file of its own, on white."""
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
    """Number the ids that are used, and drop the others."""
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


@dataclass(frozen=True)
class Picture:
    """One picture of a page; it is drawn when it is asked for."""

    key: str
    title: str
    caption: str
    words: str
    figure: Figure
    table: Mapping[str, Any] = field(default_factory=dict)
    size: str = "wide"

    @cached_property
    def svg(self) -> str:
        """The figure as matplotlib draws it."""
        return svg_text(self.figure)

    def inline(self, prefix: str = "") -> str:
        """The picture as part of a page."""
        return inline_svg(self.svg, f"{prefix}{self.key}-", f"{self.title}. {self.words}")

    def csv(self) -> str:
        """The numbers of the picture."""
        stream = io.StringIO()
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(self.table)
        writer.writerows([_field(v) for v in row] for row in zip(*self.table.values(), strict=True))
        return stream.getvalue()


def write_pictures(pictures: Sequence[Picture], folder: str | Path) -> list[Path]:
    """Write every picture as SVG and its numbers as CSV; files of the same name are replaced."""
    written = []
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
        for picture in pictures:
            for ending, text in (
                ("svg", plain_svg(picture.svg, f"{picture.title}. {picture.words}")),
                ("csv", picture.csv()),
            ):
                path = Path(folder) / f"{picture.key}.{ending}"
                write_whole(path, text.encode("utf-8", "replace"))
                written.append(path)
    except OSError as error:
        raise ReductionError(f"cannot write the pictures: {error.strerror}", where=str(folder)) from error
    return written


def _field(value: Any) -> Any:
    if isinstance(value, str):
        # a spreadsheet takes a leading = + - @ for a formula
        return f"'{value}" if value[:1] in ("=", "+", "-", "@", "\t", "\r") else value
    number = float(value)
    return f"{number:.7g}" if math.isfinite(number) else ""

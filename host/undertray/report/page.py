"""The page: one HTML file that needs nothing but itself."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from undertray import __version__
from undertray.errors import ReductionError
from undertray.files import is_folder, write_whole
from undertray.report.sheet import Sheet
from undertray.report.style import THEME
from undertray.report.words import CAUTIONS

if TYPE_CHECKING:
    from jinja2 import Environment

    from undertray.report.turnoverlist import Item

__all__ = ["render_comparison", "render_folder", "render_page", "render_turnover", "write_page"]


_HERE = Path(__file__).parent


def render_page(sheets: Sequence[Sheet], title: str) -> str:
    """Lay out a page.

    Parameters
    ----------
    sheets : sequence of Sheet
        A run each.
    title : str
        Heading of the page.

    Returns
    -------
    str
        HTML. Whatever came from logs and files is escaped by the template; the same sheets give
        the same bytes.

    Notes
    -----
    The page asks for nothing. Its own policy denies everything but the one style sheet and the one script
    with the hashes given; without the script all of it is there, and the timeline stands still.
    """
    script = (_HERE / "timeline.js").read_text(encoding="utf-8").strip()
    return _rendered("page.html.jinja", script, sheets=sheets, title=title, as_json=_as_json)


def _as_json(value: Any) -> _Ready:
    """JSON that may stand in a script element, whatever is in it."""
    text = json.dumps(value, allow_nan=False, separators=(",", ":"))
    return _Ready(re.sub("[<>&]", lambda found: f"\\u{ord(found[0]):04x}", text))


def render_turnover(items: Sequence[Item], line: str, title: str) -> str:
    """Lay out the list that is gone through before a car is turned over."""
    from undertray.report.turnoverlist import State

    tones = {State.SHOWN: "good", State.NOT_SHOWN: "unsure", State.AGAINST: "bad"}
    signs = {State.SHOWN: "\u2713", State.NOT_SHOWN: "?", State.AGAINST: "\u2717"}
    return _rendered("turnover.html.jinja", items=items, line=line, title=title, tones=tones, signs=signs)


def render_folder(**given: Any) -> str:
    """Lay out the runs of a folder, with what its template names."""
    return _rendered("folder.html.jinja", **given)


def render_comparison(**given: Any) -> str:
    """Lay out a comparison, with what its template names."""
    return _rendered("comparison.html.jinja", **given)


@cache
def _environment() -> Environment:
    """The templates, each compiled once for all pages."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )


def _rendered(template: str, script: str = "", **given: Any) -> str:
    style = _style()
    scripts = f"; script-src {_hash(script)}" if script else ""
    made = _environment().get_template(template)
    return made.render(
        style=_Ready(style),
        script=_Ready(script),
        policy=f"default-src 'none'; style-src {_hash(style)}{scripts}; base-uri 'none'; form-action 'none'",
        cautions=CAUTIONS,
        version=__version__,
        **given,
    )


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def write_page(html: str, path: str | Path) -> None:
    """Write a page; a file that is there is replaced."""
    try:
        # half a character, from the name of a file perhaps, becomes a question mark
        write_whole(path, html.encode("utf-8", "replace"))
    except OSError as error:
        folder = Path(path).parent
        do = None if is_folder(folder) else f"make the folder {folder} first"
        raise ReductionError(f"cannot write the page: {error.strerror}", where=str(path), do=do) from error


class _Ready(str):
    """Our own style sheet and script, and JSON without a bracket: what must not be escaped."""

    __slots__ = ()

    def __html__(self) -> str:
        return self


def _style() -> str:
    rules = (_HERE / "page.css").read_text(encoding="utf-8").strip()
    light = ";".join(f"--{name}:{colour}" for colour, (name, _) in THEME.items())
    dark = ";".join(f"--{name}:{colour}" for name, colour in THEME.values())
    return (
        f":root{{{light}}}\n@media (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
        f"@media print{{:root{{{light}}}}}\n{rules}"
    )

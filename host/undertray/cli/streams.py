"""What is printed gets out: on any encoding, harmless, and with one line of an error where it cannot."""

from __future__ import annotations

import codecs
import contextlib
import json
import os
import sys
import textwrap
from collections.abc import Iterable
from io import TextIOWrapper
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from undertray.errors import harmless

if TYPE_CHECKING:
    from undertray.report.display import Display
    from undertray.report.picture import Picture

__all__ = [
    "StyledStream",
    "draw_into",
    "flush_output",
    "give_up_output",
    "print_answer",
    "print_for_people",
]

_HANDLER = "undertray-readable"
_READABLE = {
    "−": "-",
    "±": "+/-",
    "µ": "u",
    "μ": "u",
    "Ω": "Ohm",
    "°": "deg",
    "…": "...",
    "–": "-",
    "—": "-",
    "×": "x",
    "✓": "ok",
    "✗": "x",
}


def print_for_people() -> None:
    """Let the standard streams print any text, and no text as a command to the terminal.

    Notes
    -----
    Redirected output has the encoding of the system's language on Windows, which has no real
    minus sign: there ``-`` is written. A letter becomes the one without its accents, and what
    is left a question mark. Names, paths, facts and replies come from strangers: whatever part
    of the program prints them, :func:`undertray.errors.harmless` is applied here.
    """
    codecs.register_error(_HANDLER, _readable)
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if isinstance(stream, TextIOWrapper):
            setattr(sys, name, _HarmlessStream(stream))


class _HarmlessStream(TextIOWrapper):
    """A standard stream on which a terminal escape is shown and not obeyed."""

    def __init__(self, stream: TextIOWrapper) -> None:
        super().__init__(
            stream.buffer,
            encoding=stream.encoding,
            errors=_HANDLER,
            line_buffering=stream.line_buffering,
            write_through=stream.write_through,
        )

        self._folds, self._column = stream.isatty(), 0

    def write(self, text: str) -> int:
        shown = harmless(text)
        super().write(self._folded(shown) if self._folds else shown)
        return len(text)

    def flush(self) -> None:
        """Write it out; behind a question the person ends the line."""
        self._column = 0
        super().flush()

    def _folded(self, text: str) -> str:
        """Break lines that are longer than the terminal is wide between words: it would cut the words."""
        try:
            width = os.get_terminal_size(self.fileno()).columns
        except (OSError, ValueError):
            return text
        begun = self._column
        first, *others = text.split("\n")
        out = "\n".join([_fold("x" * begun + first, width)[begun:], *(_fold(line, width) for line in others)])
        self._column = len(out) - out.rfind("\n") - 1 + ("\n" not in out) * begun
        return out


def _fold(line: str, width: int) -> str:
    if len(line) <= width or width < 20:
        return line
    indent = " " * min(len(line) - len(line.lstrip(" ")) + 2, width // 2)
    words = textwrap.TextWrapper(
        width,
        subsequent_indent=indent,
        expand_tabs=False,
        replace_whitespace=False,
        break_long_words=False,
        break_on_hyphens=False,
    )
    end = line[len(line.rstrip(" ")) :]
    return "\n".join(words.wrap(line)) + end


class StyledStream:
    """A standard stream for what styles its own output, and makes foreign text harmless by itself."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write it, styling and all."""
        if isinstance(self._stream, TextIOWrapper):
            return TextIOWrapper.write(self._stream, text)
        return self._stream.write(text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def print_answer(
    found: Any, lines: Iterable[str], notices: Iterable[str], units: Display, as_json: bool, indent: str = ""
) -> None:
    """Print what a command found, as JSON or in lines, then its notices and the caution."""
    from undertray.reduce.summary import plain
    from undertray.report.words import caution_line, note_lines, wrapped

    if as_json:
        print(json.dumps({"format": 1, **plain(found)}, allow_nan=False))
    else:
        for line in lines:
            print(wrapped(line, indent))
    for notice in dict.fromkeys(notices):
        print(note_lines(notice if as_json else units.told(notice)), file=sys.stderr)
    print(caution_line(), file=sys.stderr)


def draw_into(folder: Path, *pictures: Picture) -> None:
    """Write pictures into a folder, and say so."""
    from undertray.report.picture import write_pictures

    write_pictures(pictures, folder)
    print(f"pictures: {folder}", file=sys.stderr)


def flush_output() -> None:
    """Write out what was printed, while an error of it can still be told."""
    if sys.stdout is not None:
        sys.stdout.flush()


def give_up_output() -> None:
    """Send the rest of the output nowhere, so that it cannot fail once more when the program ends."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def _readable(error: UnicodeError) -> tuple[str, int]:
    """Replace what an encoding lacks; an error handler of :mod:`codecs`."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    from unicodedata import normalize

    lacking = error.object[error.start : error.end]
    plain = (_READABLE.get(c) or normalize("NFKD", c).encode("ascii", "ignore").decode() for c in lacking)
    return "".join(text or "?" for text in plain), error.end

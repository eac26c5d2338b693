"""The one exception tree of the project, and the safe way to quote foreign text.

Every error a user can meet is an :class:`UndertrayError`: what happened, where, the value
seen, what was expected and what to do next, on one line. The command line prints that line
and exits with status 1; nothing else is caught there, so a bug still shows its trace.
"""

from __future__ import annotations

import re

__all__ = [
    "BoardError",
    "CalibrationError",
    "CarError",
    "LinkError",
    "ReductionError",
    "RunLogError",
    "UndertrayError",
    "escaped",
    "harmless",
    "parser_words",
    "quoted",
]

_QUOTE_LIMIT = 60
# ECMA-48: C0 without tab and line feed, DEL and C1. Unicode: its own line ends, and the marks of direction.
_COMMAND = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")


def harmless(text: str) -> str:
    """Make visible what a terminal would obey instead of showing it."""
    return _COMMAND.sub(lambda found: found[0].encode("unicode_escape").decode("ascii"), text)


def escaped(value: object, limit: int = _QUOTE_LIMIT) -> str:
    """Make a foreign value safe on one terminal line."""
    if isinstance(value, bytes | bytearray):
        value = bytes(value[: limit + 1]).decode("ascii", "backslashreplace")
    try:
        text = value if isinstance(value, str) else repr(value)
    except ValueError:
        text = "more digits than can be shown"
    safe = (c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text[:limit])
    return "".join(safe) + ("…" if len(text) > limit else "")


def quoted(value: object, limit: int = _QUOTE_LIMIT) -> str:
    """Quote a foreign value so that it is safe on one terminal line."""
    return f"'{escaped(value, limit)}'"


def parser_words(error: Exception) -> str:
    """What a parser of JSON or TOML has to say to a person."""
    said = str(error) or type(error).__name__
    return "a number has too many digits" if "int_max_str_digits" in said else said


class UndertrayError(Exception):
    """Base of every error of this project.

    Parameters
    ----------
    what : str
        What happened, in words.
    where : str or None
        File, line, column, port: where it happened.
    seen : object
        The value seen; it is quoted and shortened. Left out where there is none.
    expected : str or None
        What would have been right.
    do : str or None
        What to do next.
    """

    def __init__(
        self,
        what: str,
        *,
        where: str | None = None,
        seen: object = None,
        expected: str | None = None,
        do: str | None = None,
    ) -> None:
        self.what = what
        self.where = where
        self.seen = seen
        self.expected = expected
        self.do = do
        head = f"{where}: {what}" if where else what
        if seen is not None:
            head += f", got {quoted(seen)}"
        if expected is not None:
            head += f", expected {expected}"
        if do is not None:
            head += f"; {do}"
        super().__init__(harmless(" ".join(head.split())))


class LinkError(UndertrayError):
    """A port cannot be opened, vanished, or what answers on it is not our board."""


class RunLogError(UndertrayError):
    """A run log cannot be written, or is not one this version reads."""


class CalibrationError(UndertrayError):
    """Calibration points or a calibration file that cannot be used as they are."""


class CarError(UndertrayError):
    """A car description that is incomplete or impossible."""


class ReductionError(UndertrayError):
    """A run, a car and a calibration that do not go together."""


class BoardError(UndertrayError):
    """A board description that cannot work, or firmware that cannot be run or installed."""

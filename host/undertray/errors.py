"""The one exception tree of the project, and the safe way to quote foreign text.

Every error a user can meet is an :class:`UndertrayError`: what happened, where, the value
seen, what was expected and what to do next, on one line. The command line prints that line
and exits with status 1; nothing else is caught there, so a bug still shows its trace. What a
program may want to tell apart is a class of its own below the class of its stage.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

__all__ = [
    "BoardError",
    "CalibrationError",
    "CalibrationMismatch",
    "CalibrationRefused",
    "CarError",
    "LinkError",
    "LinkLost",
    "LogDamaged",
    "LogExists",
    "LogNotWritten",
    "LogTooNew",
    "NeverSteady",
    "NoBoard",
    "NoCar",
    "NotARunLog",
    "NothingMeasured",
    "ReductionError",
    "RunLogError",
    "UndertrayError",
    "escaped",
    "harmless",
    "nearest",
    "parser_words",
    "quoted",
]

_QUOTE_LIMIT = 60
_MOST_WORDS = 500
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


_ONE_OF = "one of "


def _meant(seen: object, expected: str | None) -> str | None:
    """The word of a list of words that is nearest to one that is not in it; None where none is near."""
    if not isinstance(seen, str) or expected is None or not expected.startswith(_ONE_OF):
        return None
    return nearest(seen, expected.removeprefix(_ONE_OF).split(", "))


def nearest(seen: str, known: Iterable[str]) -> str | None:
    """The word that is nearest to one that was typed; None where none is near."""
    from difflib import get_close_matches

    words = [word for word in known if word != seen]
    return next(iter(get_close_matches(seen[:_QUOTE_LIMIT], words[:_MOST_WORDS], 1)), None)


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
        if (meant := _meant(seen, expected)) is not None:
            do = f"did you mean {quoted(meant)}?" + ("" if do is None else f" If not, {do}")
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


class NoBoard(LinkError):
    """No board of ours answers: no such port, one that is held or silent, or something else on it."""


class LinkLost(LinkError):
    """A board that answered is gone, silent, or another one stands in its place."""


class RunLogError(UndertrayError):
    """A run log cannot be written, or is not one this version reads."""


class NotARunLog(RunLogError):
    """The file is something else; whoever goes through a folder passes it over."""


class LogTooNew(RunLogError):
    """A newer version of this program, or of the firmware, wrote it: update this one."""


class LogDamaged(RunLogError):
    """A log, or a board's description of itself, that was changed, mixed with another or damaged."""


class LogExists(RunLogError):
    """A log of that name is there, and none is ever overwritten: choose another name."""


class LogNotWritten(RunLogError):
    """The disk did not take the log: full, gone, or not allowed. What was written before stays readable."""


class CalibrationError(UndertrayError):
    """Calibration points or a calibration file that cannot be used as they are."""


class CalibrationRefused(CalibrationError):
    """Points that were read well and that no calibration to rely on can be made from: take them again."""


class CalibrationMismatch(CalibrationError):
    """A good calibration that lacks a column that is asked for: it is of another board or another set-up."""


class CarError(UndertrayError):
    """A car description that is incomplete or impossible."""


class ReductionError(UndertrayError):
    """A run, a car and a calibration that do not go together."""


class NoCar(ReductionError):
    """The log keeps no car that can be used, and none was given: give one."""


class NothingMeasured(ReductionError):
    """A run without two rows, without a good tap, or without time that goes on: nothing can be reduced."""


class NeverSteady(ReductionError):
    """The run never stood at one throttle, with suction, for as long as the question needs."""


class BoardError(UndertrayError):
    """A board description that cannot work, or firmware that cannot be run or installed."""

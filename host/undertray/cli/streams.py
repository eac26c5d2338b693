"""What is printed gets out: on any encoding, and with one line of an error where it cannot."""

from __future__ import annotations

import codecs
import contextlib
import os
import sys
from io import TextIOWrapper

__all__ = ["flush_output", "give_up_output", "print_on_any_encoding"]

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


def print_on_any_encoding() -> None:
    """Let the standard streams replace what their encoding lacks by something readable.

    Notes
    -----
    Redirected output has the encoding of the system's language on Windows, which has no real
    minus sign: there ``-`` is written. A letter becomes the one without its accents, and what
    is left a question mark.
    """
    codecs.register_error(_HANDLER, _readable)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors=_HANDLER)


def flush_output() -> None:
    """Write out what was printed, while an error of it can still be told.

    Raises
    ------
    OSError
        When it cannot be written.
    """
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

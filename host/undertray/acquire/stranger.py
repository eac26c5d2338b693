"""Who is it, if not a board of ours that works: what came over the port, put into words."""

from __future__ import annotations

from undertray.acquire.wire import WireNote
from undertray.errors import LinkError, quoted

__all__ = ["not_our_board", "not_working"]

_WHY_LIMIT = 300


def not_our_board(port: str, seen: bytes, baud: int | None = None) -> LinkError:
    """Compose the error for a port on which nothing of the format arrived.

    Parameters
    ----------
    port : str
        Name of the port.
    seen : bytes
        The first bytes that came; may be empty.
    baud : int or None
        Speed it was opened with, where that matters.

    Returns
    -------
    LinkError
        To be raised by the caller.
    """
    if not seen.strip(b"\0"):
        return LinkError(
            "the port is silent",
            where=port,
            expected="lines of the board",
            do="check power and cable, and that the firmware is on the board",
        )
    printable = sum(0x20 <= byte < 0x7F or byte in b"\t\r\n" for byte in seen)
    if printable < 0.9 * len(seen):
        speed = f" (it was opened at {baud} bit/s)" if baud else ""
        do = f"check the speed with --baud{speed}, or choose another port"
        return LinkError(
            "what comes is no text: wrong speed, or no board of ours", where=port, seen=seen, do=do
        )
    if b">>>" in seen or b"Traceback" in seen or b"MicroPython" in seen:
        return LinkError(
            "MicroPython's own console answers, the firmware is not running",
            where=port,
            seen=seen.strip(),
            do="copy the firmware to the board and reset it",
        )
    return LinkError(
        "text comes, but not from a board of ours",
        where=port,
        seen=seen.strip(),
        expected="lines such as '17,81235,1500,0,8192,9f3c'",
        do="choose another port; 'undertray ports' says what answers where",
    )


def not_working(note: WireNote, port: str | None = None) -> LinkError | None:
    """Compose the error for a board that says why it cannot tell what it is.

    Parameters
    ----------
    note : WireNote
        What came before any description of the board, and before any row.
    port : str or None
        Name of the port.

    Returns
    -------
    LinkError or None
        To be raised by the caller; None when the note says no such thing.

    Notes
    -----
    A board that refuses its ``board.json`` samples nothing, answers ``info`` with the reason and
    repeats it unasked. Its refusals of other commands say nothing of the cause.
    """
    refused = note.kind == "reply" and note.data.get("ok") is False
    if not refused or note.data.get("to") not in ("info", "board"):
        return None
    return LinkError(
        f"the board answers that it cannot work: {quoted(note.data.get('why'), _WHY_LIMIT)}",
        where=port,
        do="put that right on the board and reset it; 'undertray board check' judges a board.json here",
    )

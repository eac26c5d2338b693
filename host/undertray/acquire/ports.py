"""What is plugged in, and who answers on it."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from undertray.acquire.device import Device
from undertray.acquire.framing import Framer
from undertray.acquire.link import Link
from undertray.acquire.stranger import not_our_board, not_working
from undertray.acquire.wire import Row, WireNote, parse_line
from undertray.errors import LinkError, RunLogError, escaped

__all__ = ["Answer", "ask", "find_board", "serial_ports"]

_SEEN_BYTES = 400
_TOLD = 500


@dataclass(frozen=True, slots=True)
class Answer:
    """Who answers on a port.

    Attributes
    ----------
    port : str
        Its name.
    what : str
        What the system calls it; empty where it says nothing.
    device : Device or None
        The board's description of itself; None when it is no board of ours.
    finding : str
        One line on what was found.
    """

    port: str
    what: str
    device: Device | None
    finding: str


def serial_ports() -> list[tuple[str, str]]:
    """List the serial ports of this computer.

    Returns
    -------
    list of (str, str)
        Name and description. A built-in port of a PC to which nothing was ever attached is
        left out.
    """
    from serial.tools.list_ports import comports

    # only what came over USB or Bluetooth has a hardware id; the rest are sockets on the mainboard
    return sorted((str(p.device), str(p.description)) for p in comports() if p.hwid not in (None, "n/a"))


def ask(
    open_link: Callable[[], Link],
    port: str,
    what: str = "",
    patience_s: float = 1.5,
    clock: Callable[[], float] = time.monotonic,
) -> Answer:
    """Find out who answers on a port.

    Parameters
    ----------
    open_link : callable
        Opens the port.
    port, what : str
        Its name and description.
    patience_s : float
        How long to wait for a device note, s.
    clock : callable
        Monotonic time, s.

    Returns
    -------
    Answer

    Notes
    -----
    ``info`` is sent, which asks a board of ours to describe itself and changes nothing.
    """
    try:
        link = open_link()
    except LinkError as error:
        return Answer(port, what, None, error.what)
    framer, seen, rows = Framer(), b"", 0
    until = clock() + patience_s
    try:
        link.write(b"info\n")
        while clock() < until:
            piece = link.read(0.05)
            seen = (seen + piece)[:_SEEN_BYTES]
            for parsed in map(parse_line, framer.feed(piece)):
                rows += isinstance(parsed, Row)
                if isinstance(parsed, WireNote) and parsed.kind == "device":
                    device = Device.from_note(parsed.data)
                    return Answer(port, what, device, _described(device))
                failure = not_working(parsed) if isinstance(parsed, WireNote) and not rows else None
                if failure is not None:
                    raise failure
    except (LinkError, RunLogError) as error:
        return Answer(port, what, None, error.what)
    finally:
        link.close()
    if rows:
        return Answer(port, what, None, "rows come, but no description of the board")
    return Answer(port, what, None, not_our_board(port, seen).what)


def _described(device: Device) -> str:
    parts = sorted({column.part for column in device.columns})
    return (
        f"{device.board} {device.uid}, firmware {device.firmware}, "
        f"{len(device.columns)} columns ({', '.join(parts)}) at {device.rate_hz:g} Hz"
    )


def find_board(answers: Sequence[Answer]) -> str:
    """Choose the port on which the one board of ours answered.

    Parameters
    ----------
    answers : sequence of Answer
        One a port.

    Returns
    -------
    str
        Its name.

    Raises
    ------
    LinkError
        When none answered, or more than one did.
    """
    boards = [answer for answer in answers if answer.device is not None]
    if len(boards) == 1:
        return boards[0].port
    if boards:
        raise LinkError(
            "more than one board answers",
            seen=", ".join(answer.port for answer in boards),
            expected="one",
            do="name the port with --port",
        )
    told = "; ".join(f"{answer.port}: {answer.finding}" for answer in answers)
    told = told or "this computer has no serial port"
    raise LinkError(
        f"no board found: {escaped(told, _TOLD)}",
        expected="a port on which a board of ours answers",
        do="plug the board in, or name the port with --port",
    )

"""The link to a board: serial port, TCP, RFC 2217 or a recorded file, the same to all above."""

from __future__ import annotations

import errno
import os
import re
import select
import socket
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Protocol
from urllib.parse import urlsplit

from undertray.acquire.device import Device
from undertray.acquire.intake import Framer, not_our_board, not_working
from undertray.acquire.wire import Row, WireNote, parse_line
from undertray.errors import LinkError, LinkLost, NoBoard, RunLogError, escaped

__all__ = [
    "DEFAULT_BAUD",
    "Answer",
    "HeardLink",
    "Link",
    "LinkEnded",
    "ask",
    "find_board",
    "heard",
    "open_link",
    "serial_ports",
]

DEFAULT_BAUD = 115_200
"""Matters on a true UART only; USB takes any."""
_PIECE = 1 << 16
_CONNECT_S = 5.0
_WRITE_S = 2.0
# SerialException is an OSError; the others come from ports closed under it and from its URL handlers
_PYSERIAL_RAISES = (OSError, ValueError, TypeError, AttributeError, NotImplementedError)


class LinkEnded(LinkError):
    """A recorded file came to its end: nothing is wrong."""


class Link(Protocol):
    """Bytes to and from a board."""

    name: str

    def read(self, timeout_s: float) -> bytes:
        """Take what has come; wait for the first byte if nothing has."""

    def write(self, data: bytes) -> None:
        """Send all of it."""

    def close(self) -> None:
        """Give the port back. May be called twice."""


def open_link(port: str, baud: int = DEFAULT_BAUD) -> Link:
    """Open a port, a URL or a recorded file.

    Parameters
    ----------
    port : str
        Name of a serial port, ``socket://HOST:PORT``, any other URL of pyserial such as
        ``rfc2217://HOST:PORT``, or the path of a file recorded from the wire.
    baud : int
        Speed of a UART, bit/s.

    Returns
    -------
    Link

    Raises
    ------
    NoBoard
        When there is no such port, it is not ours to open, another program holds it, or
        nobody listens there.
    LinkError
        When the name is that of no port.

    Notes
    -----
    A serial port is opened for this program alone. Opening raises DTR and RTS, as every
    system does by itself, and nothing here moves them afterwards: a board on USB takes DTR
    as "the host is there" and is silent without it, and only a *change* of the two resets
    boards that are wired so.
    """
    if port.lower().startswith("socket://"):
        return SocketLink(port)
    try:
        return FileLink(port) if Path(port).is_file() else SerialLink(port, baud)
    except (OSError, ValueError) as error:
        translated = _translated(error, port)
        raise translated from error


class HeardLink:
    """A link on which something was heard already: the first read gives that once more."""

    def __init__(self, link: Link, kept: bytes) -> None:
        self.name, self._link, self._kept = link.name, link, kept

    def read(self, timeout_s: float) -> bytes:
        """See :class:`Link`."""
        kept, self._kept = self._kept, b""
        return kept or self._link.read(timeout_s)

    def write(self, data: bytes) -> None:
        """See :class:`Link`."""
        self._link.write(data)

    def close(self) -> None:
        """See :class:`Link`."""
        self._link.close()


def heard(link: Link, patience_s: float = 5.0, clock: Callable[[], float] = time.monotonic) -> HeardLink:
    """Wait until a board is heard on a link.

    Parameters
    ----------
    link : Link
        An open link. It is closed if this fails.
    patience_s : float
        How long to wait for a line of a board, s.
    clock : callable
        Monotonic time, s.

    Returns
    -------
    HeardLink
        The link, with all that was heard.

    Raises
    ------
    LinkError
        When nothing of a board comes, or it says why it cannot serve.

    Notes
    -----
    ``info`` and ``start`` are sent, as when the recording begins: what is heard before that belongs to no
    drive, and is to be little.
    """
    framer, kept = Framer(), b""
    until = clock() + patience_s
    try:
        link.write(b"info\nstart\n")
        while clock() < until:
            piece = link.read(0.05)
            kept += piece
            if len(kept) > _MOST_KEPT:  # a long capture: whoever records it says what is wrong with it
                return HeardLink(link, kept)
            for parsed in map(parse_line, framer.feed(piece)):
                failure = not_working(parsed, link.name) if isinstance(parsed, WireNote) else None
                if failure is not None:
                    raise failure
                if isinstance(parsed, Row | WireNote):
                    return HeardLink(link, kept)
        nothing = not_our_board(link.name, kept[:_SEEN_BYTES])
        raise nothing
    except LinkEnded:
        return HeardLink(link, kept)  # a short one
    except BaseException:
        link.close()
        raise


class SocketLink:
    """A board behind TCP.

    Parameters
    ----------
    name : str
        ``socket://HOST:PORT``.

    Notes
    -----
    Written on the standard library and not on pyserial's handler of the same URL, which
    discards what the board sent right after the connection was made.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        try:
            parts = urlsplit(name)
            host, port = parts.hostname, parts.port
        except ValueError:
            host = port = None
        if not host or port is None or parts.path not in ("", "/"):
            raise LinkError("not a network port", seen=name, expected="socket://HOST:PORT")
        try:
            self._socket = socket.create_connection((host, port), timeout=_CONNECT_S)
        except (OSError, UnicodeError) as error:
            raise _translated(error, name) from error
        try:
            self._socket.settimeout(_WRITE_S)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        except OSError as error:  # some systems say so of a connection that is over already
            self._socket.close()
            raise _vanished(name, error) from error

    def read(self, timeout_s: float) -> bytes:
        """See :class:`Link`."""
        try:
            if not select.select([self._socket], [], [], timeout_s)[0]:
                return b""
            piece = self._socket.recv(_PIECE)
        except (OSError, ValueError) as error:
            raise _vanished(self.name, error) from error
        if not piece:
            raise _vanished(self.name, "the other side closed the connection")
        return piece

    def write(self, data: bytes) -> None:
        """See :class:`Link`."""
        try:
            self._socket.sendall(data)
        except OSError as error:
            raise _vanished(self.name, error) from error

    def close(self) -> None:
        """See :class:`Link`."""
        self._socket.close()


class SerialLink:
    """A board behind anything that pyserial opens."""

    def __init__(self, name: str, baud: int = DEFAULT_BAUD) -> None:
        import serial

        self.name = name
        # what not every kind of URL takes
        own: dict[str, Any] = {} if "://" in name else {"exclusive": True, "write_timeout": _WRITE_S}
        try:
            if name.lower().startswith("rfc2217://"):
                self._port: Any = _rfc2217(name, baud)
            else:
                self._port = serial.serial_for_url(name, baudrate=baud, timeout=0, **own)
        except _PYSERIAL_RAISES as error:
            raise _translated(error, name) from error
        # Where the system can wait for the port, one call takes all that has come. Elsewhere
        # (Windows, RFC 2217) the first byte is waited for and the rest taken behind it.
        try:
            self._handle = self._port.fileno() if os.name == "posix" else None
        except (OSError, AttributeError):
            self._handle = None

    def read(self, timeout_s: float) -> bytes:
        """See :class:`Link`."""
        try:
            if self._handle is not None:
                ready = select.select([self._handle], [], [], timeout_s)[0]
                return bytes(self._port.read(_PIECE)) if ready else b""
            if self._port.timeout != timeout_s:  # each change is negotiated with the other side
                self._port.timeout = timeout_s
            first = bytes(self._port.read(1))
            return first + bytes(self._port.read(min(self._port.in_waiting, _PIECE))) if first else b""
        except _PYSERIAL_RAISES as error:
            raise _vanished(self.name, error) from error

    def write(self, data: bytes) -> None:
        """See :class:`Link`."""
        try:
            self._port.write(data)
        except _PYSERIAL_RAISES as error:
            raise _vanished(self.name, error) from error

    def close(self) -> None:
        """See :class:`Link`."""
        try:
            self._port.close()
        except _PYSERIAL_RAISES:
            return  # it vanished before


def _rfc2217(name: str, baud: int) -> Any:
    """Open pyserial's RFC 2217, whose own thread would die with a trace of what no such server sends."""
    from serial.rfc2217 import Serial

    class Port(Serial):
        def _telnet_read_loop(self) -> None:
            with suppress(LookupError, *_PYSERIAL_RAISES):  # whoever reads finds the thread dead
                super()._telnet_read_loop()  # type: ignore[misc]

    return Port(name, baudrate=baud, timeout=0)


class FileLink:
    """A file recorded from the wire, played as fast as it can be read."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._file: BinaryIO = Path(name).open("rb")  # noqa: SIM115 - the link owns it

    def read(self, timeout_s: float) -> bytes:  # noqa: ARG002 - a file never waits
        """See :class:`Link`."""
        piece = self._file.read(_PIECE)
        if not piece:
            raise LinkEnded("the end of the file", where=self.name)
        return piece

    def write(self, data: bytes) -> None:
        """See :class:`Link`; a file listens to no command."""

    def close(self) -> None:
        """See :class:`Link`."""
        self._file.close()


def _vanished(name: str, why: object) -> LinkError:
    return LinkLost(f"the port vanished ({why})", where=name, do="check cable and power, then record again")


_HIDDEN = re.compile(r"(?:\[Errno |\()(\d{1,4})[\],]")
_WINDOWS = {"PermissionError": errno.EBUSY, "FileNotFoundError": errno.ENOENT}
_NO_PORT = ("there is no such port", "plug the board in; 'undertray ports' lists what is there")
_HELD = ("another program holds it", "end that recording or program first, as with Ctrl-C in its terminal")
_NOT_ALLOWED = ("not allowed to open it", "join the system's group for serial ports, then log in again")
_WHY = {
    **dict.fromkeys((errno.ENOENT, errno.ENODEV, errno.ENXIO), _NO_PORT),
    **dict.fromkeys((errno.EACCES, errno.EPERM), _NOT_ALLOWED),
    **dict.fromkeys((errno.EBUSY, errno.EAGAIN), _HELD),
    errno.ECONNREFUSED: ("nobody listens there", "start the board or its server, check the port number"),
    errno.ENOTTY: ("this is not a serial port", "'undertray ports' lists what is there"),
    errno.EISDIR: ("this is a folder, not a port", "'undertray ports' lists what is there"),
}


def _translated(error: Exception, name: str) -> LinkError:
    """Put an error of opening into our words; pyserial hides some errno in its text."""
    if isinstance(error, TimeoutError):
        return NoBoard("no answer to the connection", where=name, do="check address and network")
    if isinstance(error, socket.gaierror | UnicodeError):
        return NoBoard("no host of that name", where=name, do="check address and network")
    number = getattr(error, "errno", None)
    text = str(error)
    if number is None and (hidden := _HIDDEN.search(text)):
        number = int(hidden[1])
    number = next((code for word, code in _WINDOWS.items() if word in text), number)
    what, todo = _WHY.get(number or 0, (f"cannot open it ({text})", "check the name of the port"))
    return NoBoard(what, where=name, do=todo)


# What is plugged in, and who answers on it.

_SEEN_BYTES = 400
_MOST_KEPT = 1 << 20
_TOLD = 500


@dataclass(frozen=True, slots=True)
class Answer:
    """Who answers on a port."""

    port: str
    what: str
    device: Device | None
    finding: str


def serial_ports() -> list[tuple[str, str]]:
    """List the serial ports of this computer."""
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
    """Choose the port on which the one board of ours answered."""
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
    raise NoBoard(
        f"no board found: {escaped(told, _TOLD)}",
        expected="a port on which an undertray board answers",
        do="plug the board in, or name the port with --port",
    )

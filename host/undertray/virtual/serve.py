"""The virtual board on a port: starts the firmware and carries its bytes to one host at a time.

The firmware runs in a process of its own (see :mod:`undertray.virtual.launch`) and talks over
standard input and output, as the real one does over USB. Without a host its output is thrown
away, as a USB port does that nobody opened. A host that stops reading fills the pipe, and the
firmware then counts the rows it has to drop.
"""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Protocol

from undertray.errors import BoardError, LinkError

__all__ = ["Board", "open_board", "parse_listen", "serve_pty", "serve_tcp"]

_PIECE = 4096
_F_SETPIPE_SZ = 1031  # Linux fcntl: a small pipe makes a stalled host felt within a few dozen rows


class _Host(Protocol):
    """The side that reads: a socket or a pseudo-terminal."""

    def receive(self) -> bytes: ...
    def send(self, piece: bytes) -> None: ...
    def close(self) -> None: ...


@dataclass(slots=True)
class _SocketHost:
    connection: socket.socket

    def receive(self) -> bytes:
        return self.connection.recv(_PIECE)

    def send(self, piece: bytes) -> None:
        self.connection.sendall(piece)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self.connection.shutdown(socket.SHUT_RDWR)
        self.connection.close()


@dataclass(slots=True)
class _PtyHost:
    master: int

    def receive(self) -> bytes:
        return os.read(self.master, _PIECE)

    def send(self, piece: bytes) -> None:
        while piece:
            piece = piece[os.write(self.master, piece) :]

    def close(self) -> None:
        os.close(self.master)


@dataclass(slots=True)
class Board:
    """A running firmware process and the host it is connected to.

    Attributes
    ----------
    process : subprocess.Popen of bytes
        The interpreter that runs the firmware.
    engine : str
        ``micropython`` or ``twin``: which interpreter that is.
    """

    process: subprocess.Popen[bytes]
    engine: str
    _host: _Host | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def pump(self) -> None:
        """Carry the firmware's output to the host until the firmware ends."""
        output = _pipe(self.process.stdout)
        while piece := os.read(output.fileno(), _PIECE):
            host = self._host
            if host is None:
                continue
            try:
                host.send(piece)
            except OSError:
                self._drop(host)

    def attend(self, host: _Host) -> None:
        """Connect a host and carry its bytes to the firmware until it goes away.

        Parameters
        ----------
        host : object
            The connected side.
        """
        with self._lock:
            self._host = host
        commands = _pipe(self.process.stdin)
        # either end may vanish at any moment: both mean that this connection is over
        with contextlib.suppress(OSError):
            while piece := host.receive():
                commands.write(piece)
                commands.flush()
        self._drop(host)

    def check(self) -> None:
        """Notice a firmware that has ended.

        Raises
        ------
        BoardError
            When it has.
        """
        status = self.process.poll()
        if status is not None:
            raise BoardError(
                "the firmware ended", seen=status, expected="a running board", do="read its message above"
            )

    def stop(self) -> None:
        """End the firmware process."""
        self.process.terminate()
        try:
            self.process.wait(5)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()

    def _drop(self, host: _Host) -> None:
        with self._lock:
            if self._host is host:
                self._host = None
        with contextlib.suppress(OSError):
            host.close()


def _pipe(pipe: IO[bytes] | None) -> IO[bytes]:
    if pipe is None:  # a Popen without pipes: a mistake in this file
        raise BoardError("the virtual board has no pipe to its firmware")
    return pipe


@contextlib.contextmanager
def open_board(
    scenario: Mapping[str, Any], engine: str = "auto", board: Path | None = None
) -> Iterator[Board]:
    """Start the firmware on a virtual car.

    Parameters
    ----------
    scenario : mapping
        What happens to the car: see ``virtual/physics.py``.
    engine : str
        ``micropython``, ``twin``, or ``auto`` for the first where it is installed.
    board : Path or None
        A ``board.json`` other than the firmware's own.

    Yields
    ------
    Board
        Running; its firmware is stopped when the block is left.

    Raises
    ------
    BoardError
        When there is no interpreter to run it.
    """
    from undertray.virtual.launch import prepare

    with tempfile.TemporaryDirectory(prefix="undertray-board-") as folder:
        start = prepare(engine, scenario, Path(folder), board)
        process = subprocess.Popen(
            start.argv,
            env=dict(start.env),
            cwd=folder,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
        )
        _shrink(_pipe(process.stdout))
        running = Board(process, start.engine)
        pump = threading.Thread(target=running.pump, name="board output", daemon=True)
        pump.start()
        try:
            yield running
        finally:
            running.stop()
            pump.join(5)


def _shrink(pipe: IO[bytes]) -> None:
    if sys.platform == "linux":
        import fcntl

        with contextlib.suppress(OSError):
            fcntl.fcntl(pipe.fileno(), _F_SETPIPE_SZ, _PIECE)


def parse_listen(listen: str) -> tuple[str, int]:
    """Split ``HOST:PORT``.

    Parameters
    ----------
    listen : str
        For example ``127.0.0.1:7660``; port 0 takes any free one.

    Returns
    -------
    tuple of str and int
        Host and port.

    Raises
    ------
    LinkError
        When it is not of that form.
    """
    host, _, port = listen.rpartition(":")
    if not host or not port.isdecimal() or int(port) > 65535:
        raise LinkError("bad address to listen on", seen=listen, expected="HOST:PORT such as 127.0.0.1:7660")
    return host, int(port)


@contextlib.contextmanager
def serve_tcp(board: Board, host: str, port: int) -> Iterator[str]:
    """Offer the board on a TCP port, to one host at a time.

    Parameters
    ----------
    board : Board
        A running board.
    host, port : str, int
        Where to listen; port 0 takes any free one.

    Yields
    ------
    str
        The address in pyserial's URL form, ``socket://HOST:PORT``.

    Raises
    ------
    LinkError
        When the port cannot be had.
    """
    try:
        server = socket.create_server((host, port), backlog=1)
    except OSError as error:
        raise LinkError(
            f"cannot listen: {error.strerror}",
            where=f"{host}:{port}",
            do="choose another port, or 0 for any free one",
        ) from error

    def accept() -> None:
        while True:
            try:
                connection, _ = server.accept()
            except OSError:
                return  # the listening socket was closed: the end of serving
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            board.attend(_SocketHost(connection))

    threading.Thread(target=accept, name="accept", daemon=True).start()
    try:
        yield f"socket://{host}:{server.getsockname()[1]}"
    finally:
        with contextlib.suppress(OSError):
            server.shutdown(socket.SHUT_RDWR)  # wakes accept() on Linux; closing alone does not
        server.close()


@contextlib.contextmanager
def serve_pty(board: Board) -> Iterator[str]:
    """Offer the board on a pseudo-terminal, where the system has one.

    Parameters
    ----------
    board : Board
        A running board.

    Yields
    ------
    str
        The path to open, as of a serial port.

    Raises
    ------
    LinkError
        On a system without pseudo-terminals.
    """
    if not hasattr(os, "openpty"):
        raise LinkError("this system has no pseudo-terminals", do="use --listen HOST:PORT instead")
    import tty

    master, slave = os.openpty()
    tty.setraw(slave)
    # our own handle on the far end stays open, so that hosts may come and go
    threading.Thread(target=board.attend, args=(_PtyHost(master),), name="pty", daemon=True).start()
    try:
        yield os.ttyname(slave)
    finally:
        os.close(slave)

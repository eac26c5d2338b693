"""Where a virtual board can be reached: a TCP port or a pseudo-terminal, one host at a time."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass

from undertray.errors import LinkError
from undertray.virtual.board import Board

__all__ = ["parse_listen", "serve_pty", "serve_tcp"]

_PIECE = 4096


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

"""Scripted boards behind a real TCP socket and a real pseudo-terminal."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
from collections.abc import Callable, Iterator

Send = Callable[[bytes], None]
Script = Callable[[Send, threading.Event], None]


@contextlib.contextmanager
def tcp_board(*scripts: Script) -> Iterator[str]:
    """Serve one script a connection, in turn; each ends with its connection closed."""
    listener = socket.create_server(("127.0.0.1", 0))
    over = threading.Event()

    def serve() -> None:
        for script in scripts:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            with connection, contextlib.suppress(OSError):
                script(connection.sendall, over)
                connection.shutdown(socket.SHUT_WR)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield f"socket://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        over.set()
        with contextlib.suppress(OSError):
            listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join(5)


@contextlib.contextmanager
def pty_board(script: Script) -> Iterator[str]:
    """Serve one script on a pseudo-terminal; begins when the host has opened and asked."""
    import select
    import tty

    master, slave = os.openpty()
    tty.setraw(slave)
    over = threading.Event()

    def send(data: bytes) -> None:
        while data and not over.is_set():
            if select.select([], [master], [], 0.1)[1]:
                data = data[os.write(master, data) :]

    def serve() -> None:
        while not over.is_set():
            if select.select([master], [], [], 0.1)[0]:
                os.read(master, 4096)
                script(send, over)
                return

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield os.ttyname(slave)
    finally:
        over.set()
        thread.join(5)
        os.close(slave)
        os.close(master)

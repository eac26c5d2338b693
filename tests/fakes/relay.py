"""Between a board and its hosts: hands everything on, and remembers when each line had passed."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from types import TracebackType
from urllib.parse import urlsplit

from undertray.acquire.wire import Bad, parse_line

PIECE = 4096


class Relay:
    """Listens on a port of its own; once all hosts are there it connects to the board.

    ``passed`` holds the whole lines that every host then connected was given: when the system had taken
    the line's last byte, and the line. As for any host, the first half line is not among them.
    """

    def __init__(self, board: str, hosts: int = 1) -> None:
        self._board, self._count = urlsplit(board), hosts
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self.passed: list[tuple[float, bytes]] = []
        self.begun = threading.Event()
        self._open: list[socket.socket] = [self._listener]
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Relay:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for one in list(self._open):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()
        self._thread.join(5)

    def _run(self) -> None:
        with contextlib.suppress(OSError):
            hosts = [self._listener.accept()[0] for _ in range(self._count)]
            self._open += hosts
            board = socket.create_connection((self._board.hostname or "", self._board.port or 0))
            self._open.append(board)
            for host in hosts:
                threading.Thread(target=self._commands, args=(host, board), daemon=True).start()
            self._rows(board, hosts)

    def _commands(self, host: socket.socket, board: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while piece := host.recv(PIECE):
                board.sendall(piece)

    def _rows(self, board: socket.socket, hosts: list[socket.socket]) -> None:
        rest, first = b"", True
        while piece := board.recv(PIECE):
            for host in list(hosts):
                try:
                    host.sendall(piece)
                except OSError:
                    hosts.remove(host)
            now_s = time.monotonic()
            *lines, rest = (rest + piece).split(b"\n")
            if lines and first:
                first = False
                lines = lines[isinstance(parse_line(lines[0]), Bad) :]
            if hosts:
                self.passed += [(now_s, line) for line in lines]
            if self.passed:
                self.begun.set()

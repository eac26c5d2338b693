"""A serial cable with a board at its end: a pseudo-terminal that may damage what passes, or be pulled."""

from __future__ import annotations

import contextlib
import os
import select
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from undertray.acquire.wire import Row, WireNote, parse_line
from undertray.virtual.server import open_board


class Wire:
    """The host of a virtual board. ``port`` is what a program opens; ``sent`` are the board's lines.

    ``up`` takes each line of the host, line feed included, and gives what the board hears of it; ``down``
    takes each piece of the board and gives what the host gets. ``heard`` are the host's lines as said.
    """

    def __init__(self, up: Callable[[bytes], bytes], down: Callable[[bytes], bytes]) -> None:
        import tty

        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.port = os.ttyname(self._slave)
        self.up = up
        self.down = down
        self.heard: list[bytes] = []
        self.sent: list[Row | WireNote] = []
        self.news = threading.Condition()
        self._rest = b""
        self._line = b""
        self._read = True
        self.over = threading.Event()
        self._pulled = threading.Event()

    def receive(self) -> bytes:
        while not self.over.is_set():
            if self._pulled.is_set():
                self.over.wait()
                break
            with contextlib.suppress(OSError):  # pulled meanwhile
                if not select.select([self._master], [], [], 0.02)[0]:
                    continue
                self._line += os.read(self._master, 1)
            if self._line.endswith(b"\n"):
                line, self._line = self._line, b""
                self.heard.append(line)
                return self.up(line)
        return b""

    def send(self, piece: bytes) -> None:
        *lines, self._rest = (self._rest + piece).split(b"\n")
        with self.news:
            self.sent += [one for one in map(parse_line, lines) if isinstance(one, Row | WireNote)]
            self.news.notify_all()
        if not self._pulled.is_set():
            left = self.down(piece)
            with contextlib.suppress(OSError):  # pulled meanwhile
                while left and self._takes():
                    left = left[os.write(self._master, left) :]

    def _takes(self) -> bool:
        """Whether the host reads; one that did not is not waited for again."""
        patience_s = 0.3 if self._read else 0.0
        self._read = bool(select.select([], [self._master], [], patience_s)[1])
        return self._read

    def close(self) -> None:
        pass

    def pull(self) -> None:
        """The cable is out; the board goes on, unheard."""
        if not self._pulled.is_set():
            self._pulled.set()
            os.close(self._slave)
            os.close(self._master)

    def rows(self) -> list[Row]:
        return [one for one in list(self.sent) if isinstance(one, Row)]

    def replies(self, to: str) -> list[Mapping[str, Any]]:
        notes = [one.data for one in list(self.sent) if isinstance(one, WireNote) and one.kind == "reply"]
        return [data for data in notes if data.get("to") == to]

    def until(self, true: Callable[[], object], seconds: float = 60.0) -> None:
        """Wait until the board has sent something that makes it true."""
        with self.news:
            assert self.news.wait_for(lambda: bool(true()), seconds), self.sent[-5:]


@contextlib.contextmanager
def wired_board(
    scenario: Mapping[str, Any],
    board: Path,
    up: Callable[[bytes], bytes] = lambda line: line,
    down: Callable[[bytes], bytes] = lambda piece: piece,
) -> Iterator[Wire]:
    """The firmware at the end of such a cable."""
    wire = Wire(up, down)
    try:
        with open_board(scenario, board=board) as running:
            assert running.claim(wire)
            host = threading.Thread(target=running.attend, args=(wire,), daemon=True)
            host.start()
            try:
                yield wire
            finally:
                wire.over.set()
                host.join(5)
    finally:
        wire.pull()

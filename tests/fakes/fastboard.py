"""The virtual board, served over TCP and asked for 500 rows a second."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator
from urllib.parse import urlsplit

from undertray.acquire.wire import WireNote, parse_line
from undertray.virtual.server import open_board, serve_tcp
from undertray.virtual.stories import load_story

RATE_HZ = 500


@contextlib.contextmanager
def fast_board() -> Iterator[str]:
    """The firmware itself, under MicroPython where it is there; gives the board's address."""
    with open_board(load_story("lap")) as board, serve_tcp(board, "127.0.0.1", 0) as address:
        parts = urlsplit(address)
        with socket.create_connection((parts.hostname or "", parts.port or 0), timeout=20) as host:
            host.sendall(b"rate %d\n" % RATE_HZ)
            with host.makefile("rb") as lines:
                for line in lines:
                    note = parse_line(line.removesuffix(b"\n"))
                    if isinstance(note, WireNote) and note.data.get("to") == "rate":
                        assert note.data["ok"], note.data
                        break
        yield address

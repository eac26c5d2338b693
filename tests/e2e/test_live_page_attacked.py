"""The live page of a running recording, on real sockets, with strangers who mean harm."""

from __future__ import annotations

import contextlib
import http.client
import re
import select
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("resource", reason="limits of POSIX")

from fakes.board import ScriptedBoard
from fakes.server import Script, Send, tcp_board
from undertray.acquire.runlog import read_run

UNDERTRAY = [sys.executable, "-m", "undertray"]
DRIPPING = 250


# what a system may allow a program is 256 (macOS); less here, so that a server that takes all is found out
MOST_FILES = 128
_LIMIT = f"resource.setrlimit(resource.RLIMIT_NOFILE, ({MOST_FILES}, {MOST_FILES}))"
LIMITED = [
    sys.executable, "-c", f"import os, resource, sys; {_LIMIT}; os.execv(sys.executable, sys.argv[1:])"
]  # fmt: skip


def boards(broken: threading.Event) -> list[Script]:
    """A board whose connection breaks once, when told to, and which is there again at once."""
    board = ScriptedBoard(rate_hz=200)

    def steady(send: Send, over: threading.Event) -> None:
        send(board.device_line())
        while not over.wait(0.05) and not (broken.is_set() and not returned.is_set()):
            send(b"".join(board.lines(10)))
        returned.set()

    returned = threading.Event()
    return [steady, steady]


@contextlib.contextmanager
def recording(
    out: Path, address: str, broken: threading.Event | None = None
) -> Iterator[tuple[str, int, str]]:
    """A recording with its page; gives host, port and path of it. It has to end in peace."""
    with tcp_board(*boards(broken or threading.Event())) as url:
        command = [*UNDERTRAY, "record", "--port", url, "--out", str(out), "--page-address", address]
        process = subprocess.Popen([*LIMITED, *command], stderr=subprocess.PIPE, text=True)
        try:
            assert process.stderr is not None
            told = re.search(r"http://\S+:(\d+)(/\S*)", process.stderr.readline())
            assert told is not None
            while "recording from" not in process.stderr.readline():  # from here on it ends when told to
                assert process.poll() is None
            yield "127.0.0.1", int(told[1]), told[2]
            process.terminate()
            _, rest = process.communicate(timeout=20)
            assert process.returncode == 0, rest
            assert "Traceback" not in rest
        finally:
            process.kill()
            process.communicate()


def status(host: str, port: int, path: str, **headers: str) -> int:
    with contextlib.closing(http.client.HTTPConnection(host, port, timeout=5)) as connection:
        connection.request("GET", path, headers=headers)
        return connection.getresponse().status


def stream(host: str, port: int, path: str, headers: str = "") -> socket.socket:
    connection = socket.create_connection((host, port), timeout=5)
    request = f"GET {path.rstrip('/')}/events HTTP/1.1\r\nHost: {host}:{port}\r\n{headers}\r\n"
    connection.sendall(request.encode())
    return connection


@pytest.mark.slow
def test_dripping_connections_take_down_neither_page_nor_link(tmp_path: Path) -> None:
    out, broken = tmp_path / "run.csv", threading.Event()
    with recording(out, "0.0.0.0:0", broken) as (host, port, path), contextlib.ExitStack() as stack:
        viewer = stack.enter_context(contextlib.closing(stream(host, port, path)))
        dripping: list[socket.socket] = []
        for _ in range(DRIPPING):
            one = stack.enter_context(contextlib.closing(socket.create_connection((host, port), timeout=5)))
            with contextlib.suppress(OSError):  # it may be hung up on already
                one.sendall(b"GET / HTTP/1.1\r\nX: ")
            dripping.append(one)
        begun_s = time.monotonic()
        broken.set()  # the link needs a new connection while they are there
        open_still = list(dripping)
        # a byte of a header every half second each, which no limit on the wait for one byte ends
        while open_still and time.monotonic() - begun_s < 10:  # twice the five seconds that each may take
            asked_s = time.monotonic()
            assert status(host, port, path) == 200
            assert time.monotonic() - asked_s < 3.0  # the time after which a person opens it again; no source
            for one in select.select(open_still, [], [], 0)[0]:
                open_still.remove(one)  # it was answered or closed
            for one in list(open_still):
                try:
                    one.sendall(b"x")
                except OSError:
                    open_still.remove(one)
            select.select([], [], [], 0.5)
        assert open_still == []
        viewer.settimeout(2)
        for _ in range(5):
            assert viewer.recv(1 << 20)
    run = read_run(out)
    assert run.end is not None
    assert (run.end["lost"], run.end["segments"]) == (0, 2)
    assert run.end["rows"] >= 5 * 200


FOREIGN = [
    "Sec-Fetch-Site: cross-site\r\n",
    "Sec-Fetch-Site: same-site\r\n",  # another port of this computer is another site's page all the same
    "Origin: https://evil.example\r\n",
    "Origin: null\r\n",
    "Origin: http://127.0.0.1:1\r\n",
]


@pytest.mark.parametrize("address", ["127.0.0.1:0", "0.0.0.0:0"])
def test_a_page_of_another_site_gets_no_stream(tmp_path: Path, address: str) -> None:
    with recording(tmp_path / "run.csv", address) as (host, port, path), contextlib.ExitStack() as stack:
        for headers in FOREIGN:
            for _ in range(4):
                one = stack.enter_context(contextlib.closing(stream(host, port, path, headers)))
                assert one.recv(1 << 16).startswith(b"HTTP/1.0 403")
        for _ in range(8):  # all slots are there for the page itself
            own = f"Origin: http://{host}:{port}\r\nSec-Fetch-Site: same-origin\r\n"
            one = stack.enter_context(contextlib.closing(stream(host, port, path, own)))
            assert one.recv(15) == b"HTTP/1.0 200 OK"
        assert status(host, port, path, **{"Sec-Fetch-Site": "none"}) == 200
        # a link to the page from elsewhere, such as a chat, opens it
        assert (
            status(host, port, path, **{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Dest": "document"}) == 200
        )

"""Links besides USB: rules of board.json, and the server on Wi-Fi over real sockets in real time."""

from __future__ import annotations

import contextlib
import json
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from firmware.runs import board, needs_micropython, notes, rows, run_code
from undertray.acquire.runlog import read_run
from undertray.acquire.wire import Bad, parse_line
from undertray.virtual import server

UART = {"kind": "uart", "uart": 0, "tx_pin": 0, "rx_pin": 1}
WIFI = {"kind": "wifi", "name": "pit", "password": "not so secret"}


def faults(folder: Path, *links: dict[str, Any], **changes: Any) -> list[str]:
    """What the board says of these links."""
    folder.mkdir(exist_ok=True)
    (folder / "links.json").write_text(json.dumps(board(links=list(links), **changes)))
    code = (
        "from undertray.boardfile import read_board\nfor fault in read_board('links.json')[1]: print(fault)"
    )
    return run_code(folder, code, "twin")


NO_LED = {"alarm": None}


def test_links_that_cannot_work_are_named(tmp_path: Path) -> None:
    assert faults(tmp_path, UART, WIFI, **NO_LED) == []
    for given, changes, sentence in [
        ({**UART, "tx_pin": 8}, {}, "links[0]: tx_pin 8 is no pin of uart 0: 0, 12, 16, 28"),
        ({**UART, "uart": 1, "tx_pin": 8, "rx_pin": 1}, {}, "rx_pin 1 is no pin of uart 1: 5, 9, 21, 25"),
        ({**UART, "tx_pin": 16}, {}, "pin 16 is taken twice: throttle pin and links[0] tx_pin"),
        ({**UART, "baud": 2_000_000}, {}, "'baud' is 2000000, must be a whole number from 9600 to 921600"),
        ({"kind": "uart", "uart": 0, "tx_pin": 0}, {}, "a uart link needs 'rx_pin'"),
        ({**UART, "name": "pit"}, {}, "'name' is not for a uart link"),
        ({**UART, "allow": ["rate", "dance"]}, {}, "'allow' has dance, can have: rate, store, erase"),
        ({"kind": "wifi", "name": "pit"}, NO_LED, "a wifi link needs 'password'"),
        (WIFI, {}, "pin 25 is taken twice: the radio of a board with Wi-Fi and alarm led_pin"),
        ({**WIFI, "network": "both"}, NO_LED, "'network' is both, must be 'join' or 'own'"),
    ]:
        told = faults(tmp_path, given, **changes)
        assert len(told) == 1, told
        assert sentence in told[0]
    assert faults(tmp_path, UART, UART)[0] == "links[1]: uart 0 is listed twice"


@pytest.mark.parametrize("password", ["short", "x" * 64, 12345678, ["not so secret"], "caf\u00e9 caf\u00e9"])
def test_a_password_is_in_no_fault(tmp_path: Path, password: object) -> None:
    (told,) = faults(tmp_path, {**WIFI, "password": password}, **NO_LED)
    assert told == "links[0]: 'password' is not shown here, must be a text of 8 to 63 plain characters"


# An accepted socket has the queue of the one that listens: a few kB as on a board, not megabytes.
SOCKET = """
import usocket
from usocket import SO_REUSEADDR, SOL_SOCKET, getaddrinfo
def socket():
    made = usocket.socket()
    made.setsockopt(1, 7, 4096)
    return made
"""


class Usb:
    """The firmware in a process of its own, its USB read by nobody or by a thread."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        self.process = process
        self.text = bytearray()
        self.reader = threading.Thread(target=self._read, daemon=True)
        self.reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        while piece := self.process.stdout.read1(65536):  # type: ignore[attr-defined]
            self.text += piece


@contextlib.contextmanager
def running(folder: Path, port: int, **link: Any) -> Iterator[Usb]:
    """The firmware under MicroPython in real time, with a server on this port."""
    given = board(rate_hz=100, links=[{**WIFI, "port": port, **link}], alarm=None)
    (folder / "given.json").write_text(json.dumps(given))
    (folder / "scenario.json").write_text(json.dumps({"suction_pa": [900] * 4}))
    argv, env = server.command("micropython", folder / "scenario.json", folder / "given.json", folder)
    (folder / "socket.py").write_text(SOCKET)
    env["MICROPYPATH"] = f"{folder}:{env['MICROPYPATH']}"
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    with subprocess.Popen(argv, env=env, cwd=folder, **pipes) as process:
        usb = Usb(process)
        try:
            yield usb
        finally:
            process.kill()
            usb.reader.join()


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


def connect(port: int, queue: int = 0) -> socket.socket:
    """As soon as the server is there; with a queue of so many bytes for what comes."""
    until = time.monotonic() + 10
    while True:
        client = socket.socket()
        if queue:
            client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, queue)
        client.settimeout(10)
        try:
            client.connect(("127.0.0.1", port))
            return client
        except OSError:
            client.close()
            if time.monotonic() > until:
                raise
            time.sleep(0.05)


def read_until(client: socket.socket, enough: Any) -> list[bytes]:
    """Lines until ``enough`` of them, or the end."""
    text = b""
    while not enough(text):
        piece = client.recv(65536)
        if not piece:
            break
        text += piece
    return text.split(b"\n")


@needs_micropython
def test_one_client_reads_and_a_second_is_told_and_closed(tmp_path: Path) -> None:
    port = free_port()
    with running(tmp_path, port) as usb, connect(port) as first:
        lines = read_until(first, lambda text: text.count(b"\n") > 150)
        assert lines[0].startswith(b"#device,")
        assert not [line for line in lines[:-1] if isinstance(parse_line(line), Bad)]
        assert len(rows(lines)) > 100
        with connect(port) as second:
            told = read_until(second, lambda _: False)
        assert [note["why"] for note in notes(told, "reply")] == [
            "another program reads this link: one at a time"
        ]
        first.sendall(b"info\nrate 50\nerase 1\n")
        said = read_until(first, lambda text: text.count(b"#reply") == 3 and text.endswith(b"\n"))
        assert {note["to"]: note["ok"] for note in notes(said, "reply")} == {
            "info": True,
            "rate": False,
            "erase": False,
        }
        (state,) = next(note["links"] for note in notes(said, "reply") if note["to"] == "info")
        assert state == f"wifi: 127.0.0.1:{port}, read"
        first.close()
        with connect(port) as again:
            fresh = read_until(again, lambda text: text.count(b"\n") > 20)
        assert fresh[0].startswith(b"#device,")
        assert not [line for line in fresh[:-1] if isinstance(parse_line(line), Bad)]
        assert b"not so secret" not in bytes(usb.text) + b"".join(lines + told + said + fresh)
        assert b"#reply" not in bytes(usb.text)


@pytest.mark.slow
@needs_micropython
def test_a_client_that_reads_nothing_holds_up_nobody_and_gives_way_to_the_next(tmp_path: Path) -> None:
    port = free_port()
    with running(tmp_path, port) as usb, connect(port, 4096):
        until = time.monotonic() + 30
        heard: list[bytes] = []
        while time.monotonic() < until and not rows(heard):
            time.sleep(0.5)
            with connect(port) as client:
                heard = read_until(client, lambda text: text.count(b"\n") > 20)
        taken = rows(bytes(usb.text).split(b"\n"))
    assert rows(heard)
    # a busy computer makes it skip slots, and those are marked; a row that is only missing was dropped
    marked = [int(row[3], 16) & 1 for row in taken]
    assert all(
        mark or int(b[0]) == int(a[0]) + 1 for (a, b), mark in zip(pairwise(taken), marked[1:], strict=True)
    )
    assert {note["dropped"] for note in notes(bytes(usb.text).split(b"\n"), "status")} == {0}


@needs_micropython
def test_without_the_network_the_rows_go_on_over_usb(tmp_path: Path) -> None:
    with socket.create_server(("0.0.0.0", 0)) as holder, running(tmp_path, holder.getsockname()[1]) as usb:
        until = time.monotonic() + 10
        while time.monotonic() < until and usb.text.count(b"\n") < 100:
            time.sleep(0.05)
        assert usb.process.stdin is not None
        usb.process.stdin.write(b"info\n")
        usb.process.stdin.flush()
        while time.monotonic() < until and b"#reply" not in usb.text:
            time.sleep(0.05)
        lines = bytes(usb.text).split(b"\n")
    assert len(rows(lines)) > 90
    assert notes(lines, "reply")[0]["links"] == ["wifi: OSError"]


class Cutting:
    """Between a board and its host: cuts the connection once, after so many bytes."""

    def __init__(self, port: int, after: int) -> None:
        self._port, self._after = port, after
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.connections = 0
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                host = self._listener.accept()[0]
                with host, connect(self._port) as board_side:
                    self.connections += 1
                    threading.Thread(target=self._commands, args=(host, board_side), daemon=True).start()
                    self._rows(host, board_side)

    def _commands(self, host: socket.socket, board_side: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while piece := host.recv(4096):
                board_side.sendall(piece)

    def _rows(self, host: socket.socket, board_side: socket.socket) -> None:
        passed = 0
        with contextlib.suppress(OSError):
            while self.connections > 1 or passed < self._after:
                piece = board_side.recv(4096)
                if not piece:
                    break
                passed += len(piece)
                host.sendall(piece)
            host.shutdown(socket.SHUT_RDWR)
            board_side.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)  # else accept waits for ever
        self._listener.close()


@pytest.mark.slow
@needs_micropython
def test_record_connects_and_connects_again_when_the_link_breaks(tmp_path: Path) -> None:
    port = free_port()
    with running(tmp_path, port):
        cutting = Cutting(port, 5000)
        log = tmp_path / "run.csv"
        done = subprocess.run(
            [
                *(
                    sys.executable,
                    "-m",
                    "undertray",
                    "record",
                    "--port",
                    f"socket://127.0.0.1:{cutting.port}",
                ),
                *("--out", str(log), "--seconds", "4", "--quiet"),
            ],
            capture_output=True,
            text=True,
            stdin=subprocess.DEVNULL,
            timeout=90,
            check=False,
        )
        cutting.close()
    assert done.returncode == 0, done.stderr
    assert cutting.connections == 2
    run = read_run(log)
    assert len(run.t_us) > 200
    assert run.t_us[-1] - run.t_us[0] > 3_500_000
    assert run.bad_lines <= 1  # the one that the cut went through

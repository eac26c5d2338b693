"""Links: real sockets, real pseudo-terminals, files; errors in one line."""

from __future__ import annotations

import contextlib
import errno
import os
import socket
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from fakes.cells import thinned
from fakes.server import Send, pty_board, tcp_board
from undertray.acquire.link import Link, LinkEnded, open_link
from undertray.errors import LinkError, LinkLost

posix = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals on this system")


def read_all(link: Link, size: int) -> bytes:
    data = b""
    for _ in range(200):
        data += link.read(0.1)
        if len(data) >= size:
            break
    return data


PAYLOAD = bytes(range(256)) * 400


def send_payload(send, over) -> None:  # type: ignore[no-untyped-def]
    send(PAYLOAD)
    over.wait(10)


def test_tcp_loses_nothing_that_was_sent_right_away() -> None:
    with tcp_board(send_payload) as url:
        link = open_link(url)
        assert read_all(link, len(PAYLOAD)) == PAYLOAD
        assert link.read(0.01) == b""
        link.close()
        link.close()


@posix
def test_a_pseudo_terminal_is_a_port() -> None:
    with pty_board(send_payload) as name:
        link = open_link(name)
        link.write(b"info\n")
        assert read_all(link, len(PAYLOAD)) == PAYLOAD
        assert link.read(0.01) == b""
        link.close()


@posix
def test_a_port_held_by_another_program_says_so() -> None:
    with pty_board(send_payload) as name:
        link = open_link(name)
        with pytest.raises(LinkError, match="another program holds it; end that recording or program first"):
            open_link(name)
        link.close()
        open_link(name).close()


@posix
def test_a_port_that_is_pulled_vanishes() -> None:
    master, slave = os.openpty()
    link = open_link(os.ttyname(slave))
    os.close(slave)
    os.close(master)
    with pytest.raises(LinkError, match="the port vanished"):
        read_all(link, 1)
    link.close()


def test_the_other_side_closing_is_a_port_that_vanished() -> None:
    with tcp_board(lambda send, over: send(b"last words\n")) as url:
        link = open_link(url)
        assert read_all(link, 11) == b"last words\n"
        with pytest.raises(LinkError, match=r"vanished.*closed the connection"):
            link.read(1)
        link.close()


def test_commands_reach_the_board() -> None:
    heard: list[bytes] = []
    with socket.create_server(("127.0.0.1", 0)) as listener:
        link = open_link(f"socket://127.0.0.1:{listener.getsockname()[1]}")
        connection, _ = listener.accept()
        with connection:
            link.write(b"info\nstart\n")
            heard.append(connection.recv(100))
        link.close()
    assert heard == [b"info\nstart\n"]


@contextlib.contextmanager
def rfc2217_server(silly: bytes = b"") -> Iterator[str]:
    """The server side is pyserial's own, on its loop-back port: what goes in comes out. And silly things."""
    import serial
    from serial.rfc2217 import PortManager

    loop = serial.serial_for_url("loop://", timeout=0)
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        connection, _ = listener.accept()
        connection.settimeout(0.02)

        class Telnet:
            def write(self, data: bytes) -> None:
                connection.sendall(data)

        manager = PortManager(loop, Telnet())
        with connection, contextlib.suppress(ConnectionError):
            while True:
                try:
                    piece = connection.recv(4096)
                except TimeoutError:
                    piece = None
                if piece == b"":
                    return
                if SILLY_PLEASE in (piece or b""):
                    connection.sendall(silly)
                    continue
                loop.write(b"".join(manager.filter(piece or b"")))
                if waiting := loop.read(loop.in_waiting):
                    connection.sendall(b"".join(manager.escape(waiting)))

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    yield f"rfc2217://127.0.0.1:{listener.getsockname()[1]}{SOON}"
    thread.join(5)
    listener.close()


SOON = "?timeout=0.3"  # of pyserial's own, for the other side's answer; 3 s if left out
SILLY_PLEASE = b"silly"
SILLY = {
    "an end without a beginning": b"\xff\xf0",
    "an option of nothing": b"\xff\xfa\xff\xf0\xff\xfa\x2c\xff\xf0\xff\xfa\x2c\x6a\xff\xf0\xff\xf0",
    "an end twice": b"\xff\xfa\x2c\x96\x00\xff\xf0\xff\xf0",
}
PYSERIAL = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")


@PYSERIAL
def test_rfc2217_is_the_same_to_all_above() -> None:
    with rfc2217_server() as url:
        link = open_link(url)
        line = bytes(range(256))  # with the escape byte 255
        link.write(line)
        assert read_all(link, len(line)) == line
        assert link.read(0.01) == b""
        link.close()


@PYSERIAL
@pytest.mark.parametrize("silly", thinned(3, SILLY.values()), ids=SILLY)
def test_what_is_no_rfc2217_is_one_error(silly: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    died: list[object] = []
    monkeypatch.setattr(threading, "excepthook", died.append)
    with rfc2217_server(silly) as url:
        link = open_link(url)
        link.write(SILLY_PLEASE)
        with pytest.raises(LinkError, match="vanished"):
            read_all(link, 1)
        link.close()
    assert died == []


@PYSERIAL
def test_a_server_that_never_spoke_rfc2217_is_one_error(monkeypatch: pytest.MonkeyPatch) -> None:
    died: list[object] = []
    monkeypatch.setattr(threading, "excepthook", died.append)

    def talk(send: Send, over: threading.Event) -> None:
        while not over.wait(0.05):
            send(b"".join(SILLY.values()))

    with tcp_board(talk) as url, pytest.raises(LinkError, match="RFC2217"):
        open_link(url.replace("socket", "rfc2217") + SOON)
    assert died == []


def test_a_recorded_file_is_a_link(tmp_path: Path) -> None:
    path = tmp_path / "capture.txt"
    path.write_bytes(PAYLOAD)
    link = open_link(str(path))
    link.write(b"info\n")
    assert read_all(link, len(PAYLOAD)) == PAYLOAD
    with pytest.raises(LinkEnded):
        link.read(1)
    link.close()


def refusing_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


@pytest.mark.parametrize(
    ("port", "match"),
    [
        ("/dev/none-such", "there is no such port; plug the board in"),
        ("socket://127.0.0.1:REFUSING", "nobody listens there"),
        ("rfc2217://127.0.0.1:REFUSING", "nobody listens there"),
        ("socket://no-such-host.invalid:5", "no host of that name"),
        ("socket://127.0.0.1", "not a network port.*socket://HOST:PORT"),
        ("socket://127.0.0.1:99999", "not a network port"),
        ("socket://[::1", "not a network port"),
        ("socket://:5", "not a network port"),
        ("novel://thing", "cannot open it"),
        ("\x1b[2Jport", "no such port"),
        ("a\x00b", "cannot open it"),
        (".", "folder, not a port"),
    ],
)
@posix
def test_what_cannot_be_opened_says_why_in_one_line(port: str, match: str) -> None:
    with pytest.raises(LinkError, match=match) as caught:
        open_link(port.replace("REFUSING", str(refusing_port())))
    assert "\n" not in str(caught.value)


@posix
def test_no_right_to_open_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # the superuser may open everything, so the refusal is the system call's own, made here
    def refuse(*arguments: object, **options: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("serial.serialposix.os.open", refuse)
    with pytest.raises(LinkError, match="not allowed to open it; join the system's group"):
        open_link("/dev/ttyACM0")


@posix
def test_a_file_that_is_no_terminal(tmp_path: Path) -> None:
    with pytest.raises(LinkError, match="not a serial port"):
        open_link("/dev/null")


def test_a_connection_that_is_over_at_once_is_a_lost_link_and_is_closed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # what a system without a connection any more says of its options (POSIX, setsockopt: EINVAL)
    class Over(socket.socket):
        def setsockopt(self, *_: object) -> None:
            raise OSError(errno.EINVAL, "Invalid argument")

    given = Over()
    monkeypatch.setattr(socket, "create_connection", lambda *_, **__: given)
    with pytest.raises(LinkLost, match="vanished"):
        open_link("socket://127.0.0.1:7660")
    assert given.fileno() == -1

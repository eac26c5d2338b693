"""Which ports there are, and who answers."""

from __future__ import annotations

import subprocess
import sys
import threading

import pytest

from fakes.board import ScriptedBoard, device_line
from fakes.link import Clock, ScriptedLink
from fakes.program import undertray
from fakes.server import Send, tcp_board
from undertray.acquire.link import Answer, Link, ask, find_board
from undertray.acquire.wire import encode_note
from undertray.errors import LinkError

UNFIT = encode_note("reply", {"to": "info", "ok": False, "why": "board.json: columns[2]: unknown part 'HSX'"})


def asked(*script: tuple[float, bytes | Exception]) -> tuple[Answer, ScriptedLink]:
    clock = Clock()
    link = ScriptedLink(clock, script)
    return ask(lambda: link, "port", "thing", clock=lambda: clock.us / 1e6), link


def test_a_board_describes_itself() -> None:
    answer, link = asked((0.1, ScriptedBoard().line()[4:]), (0.2, device_line(3)))
    assert answer.device is not None
    assert answer.finding == "scripted e6614103e7, firmware 0.1.0, 3 columns (hsc) at 200 Hz"
    assert link.written == [(0, b"info\n")]  # nothing that changes a board
    assert link.closed


@pytest.mark.parametrize(
    ("script", "finding"),
    [
        ([], "the port is silent"),
        ([(0.1, b">>> info\r\nNameError\r\n>>> ")], "MicroPython's own console answers"),
        ([(0.1, b"\x80\x90\xff\xfe" * 20)], "not text: wrong speed"),
        ([(0.1, ScriptedBoard().line())], "rows come, but no description"),
        ([(0.1, device_line(wire=3))], "newer wire format"),
        ([(0.1, LinkError("the port vanished"))], "vanished"),
        ([(0.1, encode_note("reply", {"to": "start", "ok": False})), (0.2, UNFIT)], "unknown part 'HSX'"),
    ],
)
def test_others_are_told_apart(script: list[tuple[float, bytes | Exception]], finding: str) -> None:
    answer, link = asked(*script)
    assert answer.device is None
    assert finding in answer.finding
    assert link.closed


def test_a_port_that_does_not_open() -> None:
    def refuse() -> Link:
        raise LinkError("another program holds it", where="port", do="close it")

    assert ask(refuse, "port").finding == "another program holds it"


def test_the_one_board_is_chosen_and_never_guessed() -> None:
    board, _ = asked((0.1, device_line()))
    stranger, _ = asked()
    assert find_board([stranger, board]) == "port"
    with pytest.raises(LinkError, match=r"more than one board answers.*--port"):
        find_board([board, board])
    unfit, _ = asked((0.1, UNFIT))
    with pytest.raises(LinkError, match=r"no board found: port: the port is silent; .*'HSX'.*--port"):
        find_board([stranger, unfit])
    with pytest.raises(LinkError, match=r"no board found: this computer has no serial port"):
        find_board([])


def test_the_command_marks_the_board_and_lets_no_escape_through() -> None:
    def evil(send: Send, over: threading.Event) -> None:
        send(device_line(board="\x1b[2J[red]pico"))
        over.wait(10)

    with tcp_board(evil) as url:
        done = subprocess.run(
            [sys.executable, "-m", "undertray", "ports", "--port", url],
            capture_output=True,
            text=True,
            timeout=40,
            check=False,
        )
    assert done.returncode == 0
    assert f"* {url}  \\x1b[2J[red]pico e6614103e7" in done.stdout
    assert f"next: undertray record --port {url} --out runs/\n" in done.stdout
    assert "\x1b" not in done.stdout


def test_where_no_board_answers_it_says_what_to_look_at() -> None:
    done = undertray("ports", "--port", "socket://127.0.0.1:1")
    assert done.returncode == 1
    assert "socket://127.0.0.1:1  nobody listens there" in done.stdout
    assert done.stderr.count("\n") == 1
    for hint in ("a cable that carries data", "'undertray board install'", "'undertray virtual'"):
        assert hint in done.stderr

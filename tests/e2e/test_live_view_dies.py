"""A live view that fails, and one whose recording is over, look so, on a real terminal and in a browser."""

from __future__ import annotations

import os
import re
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from fakes.board import ScriptedBoard
from fakes.browser import CHROMIUM, browser
from fakes.cells import some
from fakes.server import Send, tcp_board
from fakes.terminal import Terminal
from undertray.acquire.runfacts import ASKED
from undertray.acquire.runlog import read_run

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals of POSIX")

CAR = Path(__file__).parents[2] / "demo_logs" / "car.toml"
UNDERTRAY = [sys.executable, "-m", "undertray"]
# the program itself, with a mistake in what judges the rows, from the fortieth piece on
MISTAKEN = """
from undertray.cli import main
from undertray.live import judge
feed, pieces = judge.Judge.feed, []
def mistaken(self, *arguments):
    pieces.append(1)
    if len(pieces) > 40:
        raise ZeroDivisionError("an invented mistake")
    return feed(self, *arguments)
judge.Judge.feed = mistaken
main()
"""
FIGURE = re.compile(r"\d N\b|\d Pa|\d us|no alarm|[+-]\d+\.\d|[\u2588#]{6}")


def steady(send: Send, over: threading.Event) -> None:
    board = ScriptedBoard(rate_hz=200)
    send(board.device_line())
    while not over.wait(0.02):
        send(b"".join(board.lines(4)))


@contextmanager
def recording(out: Path, program: list[str], *options: str) -> Iterator[Terminal]:
    with tcp_board(steady) as url:
        facts = [word for fact in ASKED for word in (f"--{fact}", "x")]
        command = [*program, "record", "--port", url, "--out", str(out), "--car", str(CAR), *facts, *options]
        terminal = Terminal(command, {"XDG_CONFIG_HOME": str(out.parent)})
        try:
            yield terminal
        finally:
            terminal.close()


def test_a_view_that_fails_looks_dead_and_the_recording_goes_on(tmp_path: Path) -> None:
    out = tmp_path / "run.csv"
    with recording(out, [sys.executable, "-c", MISTAKEN]) as terminal:
        terminal.until("margin of the")
        assert FIGURE.search(terminal.screen())
        terminal.until("LIVE VIEW FAILED")
        for _ in range(
            3
        ):  # drawn again and again: its own counts go on, and nothing that it judged comes back
            terminal.until("segment")
            terminal.until("ALARM")
        assert terminal.seen.count(b"\x07") >= 1  # it rang
        before = int(re.findall(r"(\d+) rows\b", terminal.screen())[0])
        standing = terminal.screen()
        assert "no alarm" not in standing
        assert not re.search(r"\d N\b|\d Pa|[+-]\d+\.\d N|holds|DOES NOT HOLD", standing), standing
        terminal.until("segment")
        terminal.process.send_signal(signal.SIGINT)
        text = terminal.until(None).decode()
        assert terminal.process.wait(20) == 1
        assert "an invented mistake" in text
        assert "The recording itself is complete" in text
    run = read_run(out)
    assert run.end is not None
    assert run.end["why"] == "stopped"
    assert len(run.seq) >= before > 160


@pytest.mark.parametrize("number", some([signal.SIGTERM], [signal.SIGINT]))
def test_no_figure_is_left_standing_when_the_recording_is_over(
    tmp_path: Path, number: signal.Signals
) -> None:
    with recording(tmp_path / "run.csv", UNDERTRAY) as terminal:
        terminal.until("margin of the")
        terminal.until("margin of the")
        terminal.process.send_signal(number)
        terminal.until(None)
        assert terminal.process.wait(20) == 0
        standing = terminal.screen()
    assert "THE RECORDING IS OVER" in standing
    assert not FIGURE.search(standing.partition("undertray:")[0].partition("rows\n")[2]), standing


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
def test_the_page_of_a_view_that_failed_shows_no_figure(tmp_path: Path) -> None:
    program = [sys.executable, "-c", MISTAKEN]
    with recording(tmp_path / "run.csv", program, "--page") as terminal, browser() as seen:
        told = re.search(r"http://\S+", terminal.until("\n").decode())
        while told is None:
            told = re.search(r"http://\S+", terminal.until("\n").decode())
        seen.open(told[0])
        terminal.until("LIVE VIEW FAILED")
        seen.until("byId('alarm').textContent.includes('LIVE VIEW FAILED')")
        assert seen.value("byId('margin').textContent") == "?"
        assert seen.value("byId('axles').textContent") == ""
        assert seen.value("byId('taps').textContent") == ""
        assert float(seen.value("getComputedStyle(byId('live')).opacity")) < 0.5

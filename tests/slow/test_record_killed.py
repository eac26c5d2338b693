"""Killed at any moment: what was on the wire a second earlier is in the file."""

from __future__ import annotations

import contextlib
import random
import subprocess
import sys
import threading
import time
from pathlib import Path

import pandas as pd
import pytest

from fakes.board import ScriptedBoard
from fakes.server import Send, tcp_board
from undertray.acquire.runlog import read_run

RATE_HZ = 500
# written and flushed 0.1 s after the read; the rest is a loaded machine's
ALLOWED_S = 1.2


class TimedBoard:
    """A board that remembers when each row went onto the wire."""

    def __init__(self) -> None:
        self.board = ScriptedBoard(rate_hz=RATE_HZ)
        self.sent_s: list[float] = []

    def __call__(self, send: Send, over: threading.Event) -> None:
        send(self.board.device_line())
        begun = time.monotonic()
        while not over.wait(0.004):
            due = int((time.monotonic() - begun) * RATE_HZ)
            while len(self.sent_s) < due:
                send(self.board.line())
                self.sent_s.append(time.monotonic())


def record_and_kill(path: Path, after_s: float) -> tuple[int, int, int]:
    """Rows in the file, rows that had to be, rows sent."""
    board = TimedBoard()
    with tcp_board(board) as url:
        command = [sys.executable, "-m", "undertray", "record", "--port", url, "--out", str(path), "--quiet"]
        process = subprocess.Popen(command, stderr=subprocess.PIPE)
        tick = threading.Event()
        while not board.sent_s:
            assert process.poll() is None, process.communicate()
            tick.wait(0.01)
        tick.wait(after_s)
        process.kill()
        process.communicate()
        killed_s = time.monotonic()
        sent_s = list(board.sent_s)
    due = sum(at < killed_s - ALLOWED_S for at in sent_s)
    with contextlib.suppress(pd.errors.EmptyDataError):  # killed before the first row
        pd.read_csv(path, comment="#", on_bad_lines="skip")
    run = read_run(path)
    assert run.cut_off
    assert run.bad_lines == 0
    assert run.seq.tolist() == list(range(len(run.seq)))
    return len(run.seq), due, len(sent_s)


def kills(tmp_path: Path, count: int, seed: int, longest_s: float) -> None:
    rng = random.Random(seed)
    for i in range(count):
        kept, due, sent = record_and_kill(tmp_path / f"{i}.csv", rng.uniform(1.3, longest_s))
        assert due <= kept <= sent


def test_killed_at_a_few_moments(tmp_path: Path) -> None:
    kills(tmp_path, 2, seed=1, longest_s=2.0)


@pytest.mark.slow
@pytest.mark.parametrize("part", range(8))
def test_killed_at_200_moments(tmp_path: Path, part: int) -> None:
    kills(tmp_path, 25, seed=100 + part, longest_s=3.5)

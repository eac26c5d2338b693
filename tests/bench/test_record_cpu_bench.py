"""1000 rows/s of 8 taps: nothing lost, little of one core, flat memory; beside the bare loop.

The bare loop is what one writes first: pyserial's ``readline()``, ``split`` and ``int``. It
neither verifies, nor stamps, nor stores.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

import pytest

from fakes.board import ScriptedBoard
from fakes.server import Script, Send, pty_board, tcp_board
from undertray.acquire.runlog import read_run

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals and rusage of POSIX")

BARE = """
import serial, sys, time
port = serial.serial_for_url(sys.argv[1], timeout=1)
port.write(b"info\\nstart\\n")
rows, first = 0, None
while first is None or time.monotonic() - first < float(sys.argv[2]):
    line = port.readline()
    if line[:1].isdigit():
        first = first or time.monotonic()
        values = [int(field, 16 if i in (3, 12) else 10) for i, field in enumerate(line.split(b",")) if field]
        rows += 1
print(rows)
"""
SERVERS: dict[str, Callable[[Script], AbstractContextManager[str]]] = {"tcp": tcp_board, "pty": pty_board}


def steady(send: Send, over: threading.Event) -> None:
    """1000 rows/s, each sent on its own as a board does."""
    board = ScriptedBoard(8, rate_hz=1000)
    send(board.device_line())
    begun = time.monotonic()
    while not over.wait(0.001):
        due = int((time.monotonic() - begun) * 1000)
        while board.slot < due and not over.is_set():
            send(board.line())


@dataclass
class Spent:
    cpu_s: float
    resident_mb: list[float]
    output: str


def spent(command: list[str], seconds: float) -> Spent:
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    resident = []
    tick = threading.Event()
    for _ in range(6):  # after a sixth, two sixths, ... of the time
        tick.wait(seconds / 7)
        pages = Path(f"/proc/{process.pid}/statm")
        if pages.exists():
            resident.append(int(pages.read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6)
    assert process.stdout is not None
    with process.stdout:
        output = process.stdout.read()
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0
    return Spent(usage.ru_utime + usage.ru_stime, resident, output)


def compare(path: Path, kind: str, seconds: float, capsys: pytest.CaptureFixture[str]) -> None:
    record = ["-m", "undertray", "record", "--out", str(path), "--seconds", str(seconds), "--quiet", "--port"]
    # side by side, so that whatever else the machine does weighs on both
    with SERVERS[kind](steady) as url, SERVERS[kind](steady) as other, ThreadPoolExecutor() as both:
        beside = both.submit(spent, [sys.executable, "-c", BARE, other, str(seconds)], seconds)
        ours = spent([sys.executable, *record, url], seconds)
        bare = beside.result()
    run = read_run(path)
    share = ours.cpu_s / seconds
    with capsys.disabled():
        print(f"\n{kind}, {seconds:g} s: {len(run.seq)} rows, {share:.1%} of a core", end="; ")
        print(f"bare loop {int(bare.output)} rows, {bare.cpu_s / seconds:.1%}; memory {ours.resident_mb} MB")
    # nothing lost: every slot from the first to the last
    assert run.bad_lines == 0
    assert run.seq.tolist() == [(run.seq[0] + i) % 65536 for i in range(len(run.seq))]
    assert len(run.seq) >= 900 * seconds  # the sender of this test may be late on a loaded machine
    assert ours.cpu_s < bare.cpu_s
    if seconds >= 60:
        assert share < 0.15
        assert ours.resident_mb[-1] - ours.resident_mb[1] < 5


def test_a_few_seconds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    compare(tmp_path / "run.csv", "pty", 3, capsys)


@pytest.mark.slow
@pytest.mark.parametrize("kind", SERVERS)
def test_ten_minutes(tmp_path: Path, kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    compare(tmp_path / "run.csv", kind, 600, capsys)

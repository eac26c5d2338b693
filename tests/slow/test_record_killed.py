"""Killed at any moment: what was on the wire a little over a second earlier is in the file.

The board is the virtual one: the firmware itself, at 500 rows/s. A relay between board and recorder
remembers when each row had passed.
"""

from __future__ import annotations

import random
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pytest

from fakes.fastboard import RATE_HZ, fast_board
from fakes.relay import Relay
from undertray.acquire.runlog import read_run

ALLOWED_S = 1.2


@pytest.fixture(scope="module")
def board() -> Iterator[str]:
    with fast_board() as address:
        yield address


@dataclass
class Kill:
    """Rows in the file, on the wire, on the wire early enough; the age of the oldest row not kept."""

    kept: int
    passed: int
    due: int
    oldest_lost_s: float


def record_and_kill(board: str, path: Path, after_s: float) -> Kill:
    with Relay(board) as relay:
        record = [sys.executable, "-m", "undertray", "record", "--quiet", "--out", str(path)]
        process = subprocess.Popen([*record, "--port", relay.address], stderr=subprocess.PIPE)
        assert relay.begun.wait(60), process.poll()
        threading.Event().wait(after_s)
        assert process.poll() is None, process.communicate()
        killed_s = time.monotonic()
        process.kill()
        process.communicate()
    rows = [(at_s, line) for at_s, line in relay.passed if not line.startswith(b"#")]
    written = [line for line in path.read_bytes().split(b"\n")[:-1] if line[:1].isdigit()]
    # what is there is what was sent, from the first row on and without a hole
    assert [line.partition(b",")[2] for line in written] == [line for _, line in rows[: len(written)]]
    run = read_run(path)
    assert (len(run.seq), run.bad_lines, run.cut_off) == (len(written), 0, True)
    if written:
        assert len(pd.read_csv(path, comment="#", on_bad_lines="skip")) in (len(written), len(written) + 1)
    due = sum(at_s < killed_s - ALLOWED_S for at_s, _ in rows)
    return Kill(len(written), len(rows), due, killed_s - rows[len(written)][0] if rows[len(written) :] else 0)


def kills(board: str, folder: Path, moments_s: list[float], capsys: pytest.CaptureFixture[str]) -> None:
    found = [record_and_kill(board, folder / f"{i}.csv", at) for i, at in enumerate(moments_s)]
    with capsys.disabled():
        oldest = sorted(kill.oldest_lost_s for kill in found)
        print(
            f"\n{len(found)} kills, {sum(kill.passed for kill in found)} rows passed, "
            f"{sum(kill.due for kill in found)} due, {sum(kill.kept for kill in found)} kept; the oldest row "
            f"not kept: median {oldest[len(oldest) // 2] * 1e3:.0f} ms, largest {oldest[-1] * 1e3:.0f} ms old"
        )
    assert all(kill.due <= kill.kept for kill in found)
    assert any(kill.due > RATE_HZ / 10 for kill in found), "nothing was due: the test shows nothing"


def test_killed_at_a_few_moments(board: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kills(board, tmp_path, [0.4, 1.7], capsys)


@pytest.mark.slow
@pytest.mark.parametrize("part", range(4))
def test_killed_at_200_moments(
    board: str, tmp_path: Path, part: int, capsys: pytest.CaptureFixture[str]
) -> None:
    rng = random.Random(100 + part)
    kills(board, tmp_path, [rng.uniform(0.2, 3.2) for _ in range(50)], capsys)

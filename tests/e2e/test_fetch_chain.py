"""A drive without a cable: the firmware keeps it, a real link brings it, the reduction takes it."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

from firmware.runs import board
from undertray import read_run

LOGS = Path(__file__).parents[2] / "demo_logs"
UNDERTRAY = [sys.executable, "-m", "undertray"]
SUCTION = [700.0, 650.0, 600.0, 800.0]


def _undertray(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*UNDERTRAY, *arguments], capture_output=True, text=True, timeout=60, check=False)


def test_a_drive_without_a_cable(tmp_path: Path) -> None:
    given = board(store={"at_boot": True}, autostart=True)
    (tmp_path / "board.json").write_text(json.dumps(given), encoding="utf-8")
    story = {
        "suction_pa": SUCTION,
        "throttle_us": 1000,
        "changes": [[500_000, {"throttle_us": 1600}], [1_700_000, {"throttle_us": 1000}]],
    }
    (tmp_path / "story.json").write_text(json.dumps(story), encoding="utf-8")
    argv = ["virtual", "--listen", "127.0.0.1:0", "--story", str(tmp_path / "story.json")]
    process = subprocess.Popen(
        [*UNDERTRAY, *argv, "--board", str(tmp_path / "board.json")], stderr=subprocess.PIPE, text=True
    )
    try:
        assert process.stderr is not None
        port = process.stderr.readline().split()[3]
        # the throttle is down 1.7 s after the start, and two seconds later the run is written
        until = time.monotonic() + 40
        listed = _undertray("fetch", "--port", port, "--list")
        while not listed.stdout and time.monotonic() < until:
            listed = _undertray("fetch", "--port", port, "--list")
        assert listed.returncode == 0, listed.stderr
        assert listed.stdout.split()[0] == "1", listed.stderr
        done = _undertray("fetch", "--port", port, "--all", "--out", str(tmp_path / "runs"), "--erase")
        assert done.returncode == 0, done.stderr
        log = Path(done.stdout.strip())
        assert _undertray("fetch", "--port", port, "--list").stdout == ""
        # the board goes on streaming, as it did before
        live = tmp_path / "live.csv"
        recorded = _undertray("record", "--port", port, "--seconds", "0.5", "--out", str(live), "--quiet")
        assert recorded.returncode == 0, recorded.stderr
    finally:
        process.terminate()
        process.wait(10)
        assert process.stderr is not None
        process.stderr.close()
    run = read_run(log)
    assert run.device is not None
    assert run.device.uid == read_run(live).device.uid  # type: ignore[union-attr]
    assert run.bad_lines == 0
    # this machine may be too busy to keep every deadline; then the board itself said so
    assert len(run.seq) > 300
    reduced = _undertray("reduce", str(log), "--car", str(LOGS / "car.toml"), "--json")
    assert reduced.returncode == 0, reduced.stderr
    summary = json.loads(reduced.stdout)
    means = [tap["median"] for tap in summary["taps"].values()]
    # one step of the parts is 0.61 Pa
    assert all(abs(mean - pa) <= 0.62 for mean, pa in zip(means, SUCTION, strict=True))

"""A drive without a cable: the firmware keeps it, a real link brings it, the reduction takes it."""

from __future__ import annotations

import json
import re
import time
from pathlib import Path

import pytest

from fakes.program import undertray
from fakes.virtualboard import served
from fakes.wire import wired_board
from firmware.runs import board
from undertray import read_run

LOGS = Path(__file__).parents[2] / "demo_logs"
SUCTION = [700.0, 650.0, 600.0, 800.0]


class _Noise:
    """Flips a bit of every tenth row that passes, ``times`` times."""

    times = 0

    def __call__(self, piece: bytes) -> bytes:
        if not self.times:
            return piece
        piece, flipped = re.subn(rb"(\n\d*)0,", rb"\g<1>1,", piece, count=self.times)
        self.times -= flipped
        return piece


@pytest.mark.slow
def test_a_noisy_cable_costs_time_and_no_run(tmp_path: Path) -> None:
    (tmp_path / "board.json").write_text(json.dumps(board(store={"at_boot": True})), encoding="utf-8")
    story = {
        "suction_pa": SUCTION,
        "throttle_us": 1000,
        "changes": [[500_000, {"throttle_us": 1600}], [1_700_000, {"throttle_us": 1000}]],
    }
    noise = _Noise()
    with wired_board(story, tmp_path / "board.json", down=noise) as wire:
        wire.until(lambda: [reply for reply in wire.replies("store") if "run" in reply])
        listed = undertray("fetch", "--port", wire.port, "--list")
        assert listed.stdout.split()[:1] == ["1"], listed.stderr
        command = ("fetch", "--port", wire.port, "--all", "--out", str(tmp_path / "runs"), "--erase")
        noise.times = 1_000_000
        lost = undertray(*command)
        assert (lost.returncode, "still on the board" in lost.stderr) == (1, True), lost.stderr
        assert list(tmp_path.glob("runs/*")) == []
        assert not wire.replies("erase")
        noise.times = 3
        done = undertray(*command)
        assert done.returncode == 0, done.stderr
        assert noise.times == 0
        assert any(reply.get("from", 0) > 0 for reply in wire.replies("fetch"))
        assert [reply["ok"] for reply in wire.replies("erase")] == [True]
        told = [reply for reply in wire.replies("store") if "run" in reply]
    run = read_run(Path(done.stdout.strip()))
    assert (len(run.seq), run.bad_lines, run.cut_short) == (told[0]["rows"], 0, None)


def test_a_drive_without_a_cable(tmp_path: Path) -> None:
    given = board(store={"at_boot": True}, autostart=True)
    (tmp_path / "board.json").write_text(json.dumps(given), encoding="utf-8")
    story = {
        "suction_pa": SUCTION,
        "throttle_us": 1000,
        "changes": [[500_000, {"throttle_us": 1600}], [1_700_000, {"throttle_us": 1000}]],
    }
    (tmp_path / "story.json").write_text(json.dumps(story), encoding="utf-8")
    where = ["--listen", "127.0.0.1:0", "--board", str(tmp_path / "board.json")]
    with served(*where, "--story", str(tmp_path / "story.json")) as port:
        # the throttle is down 1.7 s after the start, and two seconds later the run is written
        until = time.monotonic() + 40
        listed = undertray("fetch", "--port", port, "--list")
        while not listed.stdout and time.monotonic() < until:
            listed = undertray("fetch", "--port", port, "--list")
        assert listed.returncode == 0, listed.stderr
        assert listed.stdout.split()[0] == "1", listed.stderr
        done = undertray("fetch", "--port", port, "--all", "--out", str(tmp_path / "runs"), "--erase")
        assert done.returncode == 0, done.stderr
        log = Path(done.stdout.strip())
        assert undertray("fetch", "--port", port, "--list").stdout == ""
        # the board goes on streaming, as it did before
        live = tmp_path / "live.csv"
        recorded = undertray("record", "--port", port, "--seconds", "0.5", "--out", str(live), "--quiet")
        assert recorded.returncode == 0, recorded.stderr
    run = read_run(log)
    assert run.device is not None
    assert run.device.uid == read_run(live).device.uid  # type: ignore[union-attr]
    assert run.bad_lines == 0
    # this machine may be too busy to keep every deadline; then the board itself said so
    assert len(run.seq) > 300
    reduced = undertray("reduce", str(log), "--car", str(LOGS / "car.toml"), "--json")
    assert reduced.returncode == 0, reduced.stderr
    summary = json.loads(reduced.stdout)
    means = [tap["median"] for tap in summary["taps"].values()]
    # one step of the parts is 0.61 Pa
    assert all(abs(mean - pa) <= 0.62 for mean, pa in zip(means, SUCTION, strict=True))

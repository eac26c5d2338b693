"""``undertray calibrate --port`` over a real TCP link, a real process and a scripted person."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import threading

import pytest

from fakes.board import ScriptedBoard
from fakes.server import tcp_board
from undertray import column_pressure_pa


class Water:
    """The column: a board's counts follow the height that was last asked for."""

    def __init__(self):
        self.height_mm = 0.0
        self.board = ScriptedBoard(2, counts=self.counts)

    def counts(self, slot):
        pa = column_pressure_pa(self.height_mm, 20.0)
        dither = slot % 3 - 1
        return [8192 + round((pa - 4) / 1.02 / 0.38) + dither, 8192 + round((pa + 9) / 0.98 / 0.38) - dither]

    def serve(self, send, over):
        """Device note, then eight rows every 10 ms: board time runs at four times the host's."""
        send(self.board.device_line())
        while not over.is_set():
            send(b"".join(self.board.lines(8)))
            over.wait(0.01)


def lead(process, water, answers):
    """Answer every question until the program ends; returns all it said."""
    said, asked = "", 0
    while True:
        byte = process.stderr.read(1)
        if not byte:
            return said
        said += byte.decode("utf-8", "replace")
        if not said.endswith(" > "):
            continue
        question = said[asked:]
        asked = len(said)
        set_to = re.findall(r"about (\d+) mm|(open both ports)", question)
        if set_to:
            water.height_mm = float(set_to[-1][0] or 0)
        answer = answers.pop(0) if answers else ""
        if answer is None:
            process.stdin.close()
            continue
        process.stdin.write(answer.encode() + b"\n")
        process.stdin.flush()


def guided(tmp_path, port, water, answers=(), known=("--water-c", "20"), terminal=None):
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "undertray", "calibrate", "--port", port, "--out", "c.json"),
            *("--heights", "0 50 100", "--steady-s", "0.4", "--latitude", "45", *known),
        ],
        cwd=tmp_path,
        stdin=subprocess.PIPE if terminal is None else terminal[1],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        bufsize=0,
    )
    if terminal is not None:
        process.stdin = os.fdopen(terminal[0], "wb", buffering=0)
    guard = threading.Timer(60, process.kill)
    guard.start()
    try:
        said = lead(process, water, list(answers))
        out = process.stdout.read().decode("utf-8", "replace")
        return process.wait(), out, said
    finally:
        guard.cancel()
        process.kill()
        for pipe in (process.stdin, process.stdout, process.stderr):
            pipe.close()
        process.wait()


def test_from_the_first_question_to_the_calibration(tmp_path):
    water = Water()
    with tcp_board(water.serve, water.serve) as port:
        # the person leaves at the third step (end of input), and comes back
        status, out, said = guided(tmp_path, port, water, ["", "", "", None])
        assert status == 0, said
        assert "Stopped. All points are in c.session" in said
        assert not (tmp_path / "c.json").exists()
        status, out, said = guided(tmp_path, port, water)
        assert status == 0, said
    assert "going on with c.session: 2 points so far" in said
    assert "Step 3 of 5" in said
    assert "Caution." in said
    columns = json.loads((tmp_path / "c.json").read_bytes())
    assert columns["uid"] == "e6614103e7"
    columns = columns["columns"]
    # one count is 0.38 Pa; three levels of dither average it away to about 0.2 Pa
    assert columns["p1"]["coefficients"] == pytest.approx([4.0, 1.02], abs=0.3)
    assert columns["p2"]["coefficients"] == pytest.approx([-9.0, 0.98], abs=0.3)
    assert columns["p1"]["coefficients"][1] == pytest.approx(1.02, abs=1e-3)
    assert columns["p1"]["part"] == "hsc"
    assert "suction from x, its own scale" in out
    assert "both ports were open" not in out  # the program itself asked for that


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal")
@pytest.mark.parametrize(("answers", "taken_c"), [(["warm", "200", "77 F"], 25.0), ([""], 20.0)])
def test_at_a_terminal_the_temperature_is_asked_before_the_work(tmp_path, answers, taken_c):
    import pty

    water, terminal = Water(), pty.openpty()
    try:
        with tcp_board(water.serve, water.serve) as port:
            status, out, said = guided(tmp_path, port, water, answers, known=(), terminal=terminal)
    finally:
        os.close(terminal[1])
    assert status == 0, said
    assert said.count("Temperature of the liquid") == len(answers)
    assert said.index("Temperature of the liquid") < said.index("Step 1 of 5")
    assert json.loads((tmp_path / "c.json").read_bytes())["fluid"]["temperature_c"] == pytest.approx(taken_c)
    assert ("temperature of the liquid not given" in out) == (answers == [""])


def test_another_board_does_not_go_on_with_the_journal(tmp_path):
    water, other = Water(), Water()
    other.board.device["uid"] = "0123"
    with tcp_board(water.serve, other.serve) as port:
        guided(tmp_path, port, water, ["stop"])
        status, _, said = guided(tmp_path, port, other)
    assert status == 1
    last = said.strip().splitlines()[-1]
    assert last.startswith("undertray: c.session: the journal belongs to another board")
    assert "Traceback" not in said


def test_a_port_where_nobody_is(tmp_path):
    with tcp_board() as port:
        pass
    status, _, said = guided(tmp_path, port, Water())
    assert status == 1
    assert said.count("\n") == 1


def test_neither_points_nor_port(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "undertray", "calibrate", "--out", "c.json"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "give readings (--points FILE) or be led at the board (--port PORT)" in done.stderr


def test_with_us_units_the_readings_are_in_inches_of_water_and_heights_stay_as_they_are_typed(tmp_path):
    water = Water()
    with tcp_board(water.serve) as port:
        known = ("--water-c", "20", "--units", "us")
        status, out, said = guided(tmp_path, port, water, known=known)
    assert status == 0, said
    assert not re.search(r"\bPa\b", said + out)
    assert "bring the column up to about 50 mm" in said
    # derived: 50 mm are 488.84 Pa (1 mm is 9.7769 Pa at 20 degC), a part that reads (488.84 - 4) / 1.02 of it
    # 475.3 Pa, and the conventional inch of water is 249.08891 Pa
    [reading] = re.findall(r"50 mm, rising: p1 ([\d.]+), p2 [\d.]+ inH", said)
    assert float(reading) == pytest.approx(475.3 / 249.08891, abs=0.005)

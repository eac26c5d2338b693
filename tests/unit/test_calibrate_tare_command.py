"""``undertray tare``."""

from __future__ import annotations

from pathlib import Path

import pytest

from fakes.board import ScriptedBoard, log_of
from fakes.program import CliRunner
from undertray.cli import app
from undertray.errors import UndertrayError

DEMO = Path(__file__).parents[2] / "demo_logs"


def run(*arguments):
    return CliRunner().invoke(app, ["tare", *map(str, arguments)])


def test_it_says_zero_and_drift():
    done = run(DEMO / "clean-hold.csv")
    assert done.exit_code == 0, done.output
    for said in (
        "uncalibrated",
        "zero before the run (0.0 to ",
        "zero after the run",
        "zero drift during the run",
    ):
        assert said in done.output


def test_a_run_without_rest(tmp_path):
    log = tmp_path / "run.csv"
    board = ScriptedBoard(2, throttle_us=1700)
    log.write_bytes(log_of(board, 2000))
    done = run(log)
    assert done.exit_code == 0, done.output
    assert "no still part before or after the run" in done.output


def test_no_log(tmp_path):
    done = run(tmp_path / "none.csv")
    assert isinstance(done.exception, UndertrayError)


@pytest.mark.parametrize("option", ["--calibration"])
def test_no_calibration(tmp_path, option):
    done = run(DEMO / "clean-hold.csv", option, tmp_path / "none.json")
    assert isinstance(done.exception, UndertrayError)

"""Files that a folder holds: car.toml and calibration.json are found, named, and never taken in silence."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from fakes.program import undertray

DEMO = Path(__file__).parents[2] / "demo_logs"
TEXT = (DEMO / "car.toml").read_text(encoding="utf-8")


@pytest.fixture(name="runs")
def runs_fixture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with one log and its car; the current folder is another, and empty."""
    runs, here = tmp_path / "runs", tmp_path / "here"
    runs.mkdir()
    here.mkdir()
    for name in ("front-fold.csv", "car.toml"):
        shutil.copyfile(DEMO / name, runs / name)
    monkeypatch.chdir(here)
    monkeypatch.delenv("UNDERTRAY_UNITS", raising=False)
    return runs


def test_the_car_beside_the_log_is_taken_and_named(runs: Path) -> None:
    log = runs / "front-fold.csv"
    found = undertray("reduce", log, "--json")
    given = undertray("reduce", log, "--json", "--car", runs / "car.toml")
    assert found.returncode == 0, found.stderr
    assert found.stdout == given.stdout
    assert f"undertray: found and used: {runs / 'car.toml'}\n" in found.stderr
    assert "found and used" not in given.stderr


def test_the_option_comes_first_then_the_log_s_folder_then_this_one(runs: Path) -> None:
    log = runs / "front-fold.csv"
    Path("car.toml").write_text(TEXT.replace("mass = 2.9 ", "mass = 3.3 "), encoding="utf-8")
    Path("other.toml").write_text(TEXT.replace("mass = 2.9 ", "mass = 3.1 "), encoding="utf-8")

    def needed_n(*words: object) -> float:
        done = undertray("reduce", log, "--json", *words)
        assert done.returncode == 0, done.stderr
        return float(json.loads(done.stdout)["hold"]["required_n"])

    # weight times 1 + allowance, upside down: 9.80665 m/s2, exact by definition
    assert needed_n("--car", "other.toml") == pytest.approx(3.1 * 9.80665 * 1.25)
    assert needed_n() == pytest.approx(2.9 * 9.80665 * 1.25)
    (runs / "car.toml").unlink()
    assert needed_n() == pytest.approx(3.3 * 9.80665 * 1.25)


def test_none_leaves_it_out(runs: Path) -> None:
    done = undertray("reduce", runs / "front-fold.csv", "--car", "none")
    assert done.returncode == 1
    assert "give its car.toml with --car" in done.stderr


def test_a_calibration_is_found_too(runs: Path) -> None:
    log, out = runs / "front-fold.csv", runs / "calibration.json"
    made = undertray("calibrate", "--points", DEMO / "column.csv", "--log", log, "--out", out, "--zero-open")
    assert made.returncode == 0, made.stderr
    done = undertray("reduce", log, "--json")
    assert f"found and used: {runs / 'car.toml'}, {out}" in done.stderr
    assert json.loads(done.stdout)["calibrated"] is True
    assert (
        json.loads(undertray("reduce", log, "--json", "--calibration", "none").stdout)["calibrated"] is False
    )


def test_folders_that_differ_are_a_question_and_no_guess(runs: Path) -> None:
    other = runs.parent / "other"
    shutil.copytree(runs, other)
    logs = (runs / "front-fold.csv", other / "front-fold.csv")
    same = undertray("report", *logs, "--out", "page.html")
    assert same.returncode == 0, same.stderr
    (other / "car.toml").write_text(TEXT.replace("mass = 2.9 ", "mass = 3.3 "), encoding="utf-8")
    done = undertray("report", *logs, "--out", "page.html")
    assert done.returncode == 2
    assert "differ: give the one to use" in " ".join(done.stderr.replace("│", " ").split())


@pytest.mark.parametrize("command", ["target", "sessions"])
def test_commands_without_a_log_look_too(runs: Path, command: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(runs)
    done = undertray(command, *(["."] if command == "sessions" else []))
    assert done.returncode == 0, done.stderr
    assert "undertray: found and used: car.toml" in done.stderr


def test_the_units_of_the_car_hold_unless_something_else_is_asked_for(runs: Path) -> None:
    log = runs / "front-fold.csv"
    (runs / "car.toml").write_text(TEXT.replace("format = 1", 'format = 1\nunits = "us"'), encoding="utf-8")
    assert "lbf" in undertray("axles", log).stdout
    assert "lbf" not in undertray("axles", log, "--units", "si").stdout
    assert "lbf" not in undertray("axles", log, env={"UNDERTRAY_UNITS": "si"}).stdout
    wrong = undertray("axles", log, env={"UNDERTRAY_UNITS": "metric"})
    assert wrong.returncode == 2

"""Files that a folder holds: car.toml and calibration.json are found, named, and never taken in silence."""

from __future__ import annotations

import json
import re
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
    shutil.copyfile(DEMO / "hose-off.csv", other / "hose-off.csv")
    logs = (runs / "front-fold.csv", other / "hose-off.csv")
    same = undertray("compare", *logs)
    assert same.returncode == 0, same.stderr
    (other / "car.toml").write_text(TEXT.replace("mass = 2.9 ", "mass = 3.3 "), encoding="utf-8")
    done = undertray("compare", *logs)
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


def test_us_units_in_the_numbers_of_a_run_and_never_in_json(runs: Path) -> None:
    log = runs / "front-fold.csv"
    si, us = (undertray("reduce", log, "--units", name).stdout for name in ("si", "us"))
    found = [
        re.search(rf"^suction, {unit} +([\d.]+)", text, re.M) for unit, text in (("Pa", si), ("inH₂O", us))
    ]
    force = [
        re.search(rf"^downforce, {unit} +([\d.]+)", text, re.M) for unit, text in (("N", si), ("lbf", us))
    ]
    assert all(found)
    assert all(force)
    pa, inh2o, n, lbf = (float(one[1]) for one in (*found, *force) if one)
    # NIST SP 811: 1 inH2O (conventional) = 249.0889 Pa, 1 lbf = 4.448222 N; shown to 0.01
    assert inh2o == pytest.approx(pa / 249.0889, abs=0.01)
    assert lbf == pytest.approx(n / 4.448222, abs=0.02)
    assert not re.search(r"\d N\b|\d Pa\b|\d mm\b", us)
    env = {"UNDERTRAY_UNITS": "us"}
    assert undertray("reduce", log, "--json", env=env).stdout == undertray("reduce", log, "--json").stdout
    target = undertray("target", "--car", runs / "car.toml", "--units", "us").stdout
    # 2.9 kg is 6.39 lb
    assert "of its weight of 6.39 lbf" in target


def test_numbers_are_taken_in_the_units_they_come_in(runs: Path) -> None:
    us = undertray("column", "4 in", "--water-c", "70 F", "--height-m", "1200 ft", "--latitude", "47").stdout
    si = undertray(
        "column", "101.6", "--water-c", f"{190 / 9!r}", "--height-m", "365.76", "--latitude", "47"
    ).stdout
    assert us == si
    wrong = undertray("column", "4 in", "--water-c", "70 K")
    assert wrong.returncode == 2
    assert "not a temperature" in wrong.stderr
    text = TEXT.replace("mass = 2.9 ", 'mass = "6 lb 6.3 oz" ').replace(
        "wheelbase = 262 ", "wheelbase = '10 5/16\"' "
    )
    (runs / "car.toml").write_text(text.replace("allowance = 0.25 ", 'allowance = "25 %" '), encoding="utf-8")
    done = undertray("target", "--car", runs / "car.toml")
    assert done.returncode == 0, done.stderr
    # (6 + 6.3/16) lb = 2.9002 kg: 28.44 N
    assert "allowance of 0.25 of its weight of 28.44 N" in done.stdout


@pytest.mark.parametrize("kind", ["svg", "png", "pdf"])
def test_a_car_is_drawn_before_it_is_driven(runs: Path, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(runs)
    out = runs / f"car.{kind}"
    done = undertray("car", "draw", "--out", out)
    assert done.returncode == 0, done.stderr
    first = out.read_bytes()
    assert first.startswith({"svg": b"<?xml", "png": b"\x89PNG", "pdf": b"%PDF"}[kind])
    undertray("car", "draw", "--out", out)
    assert out.read_bytes() == first
    if kind == "svg":
        words = re.findall(r">([^<>]+)</t", first.decode())
        assert {"front-left", "rear-right", "p1", "p4", "weight"} <= set(" ".join(words).split())
        us = undertray("car", "draw", "--out", out, "--units", "us")
        assert us.returncode == 0
        assert "behind the front axle, in" in out.read_text(encoding="utf-8")
    assert undertray("car", "draw", "--out", "car.jpg").returncode == 1
    (runs / "car.toml").unlink()
    assert undertray("car", "draw").returncode == 2

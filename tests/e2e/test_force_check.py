"""A spring balance on an invented car: the only thing that ties pascals times area to newtons."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from fakes.handlog import hand_calibration, hand_car, hand_log
from fakes.program import undertray

RATE_HZ = 50.0
MASS_KG, G = 2.0, 9.80665
AREA_M2 = 0.3 * 0.2
# a second and a half at each throttle before the car is pulled off and set down again
STEPS = ((1400.0, 400.0), (1550.0, 750.0), (1700.0, 1200.0))


def pulled_run(folder: Path) -> tuple[Path, Path, list[float]]:
    """A log, its car, and when the car came off at each throttle."""
    t = np.arange(round(22 * RATE_HZ)) / RATE_HZ
    level, throttle, off = np.zeros(len(t)), np.full(len(t), 1000.0), []
    for place, (us, pa) in enumerate(STEPS):
        start = 2 + 6 * place
        here = (t >= start) & (t < start + 5)
        throttle[here] = us
        level[here] = pa * (1 - np.exp(-(t[here] - start) / 0.1))
        gone = (t >= start + 4) & (t < start + 4.5)
        level[gone] = 20.0
        off.append(start + 4.0)
    rng = np.random.default_rng(5)
    taps = level[:, None] + rng.normal(0, 2.0, (len(t), 4))
    return hand_log(folder / "run.csv", taps, throttle, RATE_HZ), hand_car(folder / "car.toml"), off


def write_pulls(folder: Path, head: str, rows: list[tuple[float, float]]) -> Path:
    path = folder / "pulls.csv"
    path.write_text(f"# read by eye\n{head}\n" + "".join(f"{a},{b:.3f}\n" for a, b in rows), encoding="utf-8")
    return path


def check(folder: Path, head: str, rows: list[tuple[float, float]], *more: object) -> dict:
    log, car, _ = pulled_run(folder)
    pulls = write_pulls(folder, head, rows)
    given = ("--pulls", pulls, "--car", car, "--calibration", hand_calibration(folder), "--json", *more)
    done = undertray("force-check", log, *given)
    assert done.returncode == 0, done.stderr
    return dict(json.loads(done.stdout))


def test_a_balance_that_agrees(tmp_path: Path) -> None:
    _, _, off = pulled_run(tmp_path)
    # derived: a car that stands comes off at suction times floor and its weight; read 1 % off, to and fro
    rows = [
        (at, (pa * AREA_M2 + MASS_KG * G) * f)
        for at, (_, pa), f in zip(off, STEPS, (1.01, 0.99, 1.01), strict=True)
    ]
    found = check(tmp_path, "at_s,pull_n", rows)
    assert found["agree"] is True
    for pull, (_, pa) in zip(found["pulls"], STEPS, strict=True):
        assert pull["computed_n"] == pytest.approx(pa * AREA_M2 + MASS_KG * G, rel=2e-3)
    assert found["ratio"] == pytest.approx(1.0, abs=0.02)
    assert found["ratio_half"] < 0.06


def test_a_floor_that_is_drawn_too_large_shows_and_corrects_nothing(tmp_path: Path) -> None:
    # the real floor bears a quarter less than the drawn one
    rows = [(us, 0.75 * pa * AREA_M2 + MASS_KG * G) for us, pa in STEPS]
    found = check(tmp_path, "throttle_us,pull_n", rows)
    assert found["agree"] is False
    assert found["ratio"] == pytest.approx(0.75, abs=0.01)
    # derived: a quarter of 1200 Pa on 0.06 m2
    assert found["largest_n"] == pytest.approx(-0.25 * 1200 * AREA_M2, rel=0.02)
    for pull, (_, pa) in zip(found["pulls"], STEPS, strict=True):
        assert pull["computed_n"] == pytest.approx(pa * AREA_M2 + MASS_KG * G, rel=5e-3)


def test_a_hanging_car_comes_off_by_so_much_less_and_other_units_are_read(tmp_path: Path) -> None:
    # published: 1 kgf = 9.80665 N
    rows = [(us, (pa * AREA_M2 - MASS_KG * G) / 9.80665) for us, pa in STEPS]
    found = check(tmp_path, "throttle_us,pull_kgf", rows, "--hanging")
    assert found["agree"] is True
    assert found["ratio"] == pytest.approx(1.0, abs=0.01)


def test_words_picture_and_page(tmp_path: Path) -> None:
    log, car, _ = pulled_run(tmp_path)
    pulls = write_pulls(
        tmp_path, "throttle_us,pull_n", [(us, pa * AREA_M2 + MASS_KG * G) for us, pa in STEPS]
    )
    given = ("--pulls", pulls, "--car", car, "--calibration", hand_calibration(tmp_path))
    done = undertray("force-check", log, *given, "--pictures", tmp_path / "pictures")
    assert "balance and taps agree within" in done.stdout
    assert "Nothing is corrected" in done.stdout
    assert "fans" in done.stderr or "caution" in done.stderr.lower()
    assert (tmp_path / "pictures" / "force-check.svg").exists()
    page = tmp_path / "page.html"
    assert undertray("report", log, *given, "--out", page).returncode == 0
    assert "Balance against taps" in page.read_text(encoding="utf-8")
    bare = undertray("force-check", log, "--pulls", pulls, "--car", car, "--calibration", "none")
    assert "balance and taps differ by" in bare.stdout  # without a calibration nobody knows if that is much


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("at_s,force\n1,2\n", "unknown header"),
        ("at_s,pull\n1,2\n", "expected a pull and its unit"),
        ("at_s,kind,pull_n\n5.9,moving,2\n", "no pull-off among the pulls"),
        ("at_s,pull_n\n1,-2\n", "no pull"),
        ("at_s,pull_n\n1,nan\n", "no pull"),
        ("at_s,pull_n\n1,2,3\n", "no pull"),
        ("at_s,pull_n\n", "no file of pulls"),
        ("at_s,pull_n\n0.5,20\n", "no suction in the run where a pull was noted"),
        ("throttle_us,pull_n\n1900,20\n", "no suction in the run where a pull was noted"),
    ],
)
def test_what_is_no_pull_is_one_line(tmp_path: Path, text: str, said: str) -> None:
    log, car, _ = pulled_run(tmp_path)
    (tmp_path / "pulls.csv").write_text(text, encoding="utf-8")
    done = undertray("force-check", log, "--pulls", tmp_path / "pulls.csv", "--car", car)
    assert done.returncode == 1
    assert said in done.stderr.splitlines()[-1]

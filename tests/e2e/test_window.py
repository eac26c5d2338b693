"""The drivable window of an invented car that is pulled, and would be driven, on springs and contacts."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import pytest

from fakes.program import undertray
from fakes.pulling import Evenings, G, Puller, Session, session

# a skirt that rubs and carries a lot: it holds the car fast at some suction
HEAVY = Puller(repeat=1e-4, step_n=0.01, skirt_mu=0.7, skirt_n_mm=120.0, tyre_mu=0.9)
WEIGHT_N = 2.0 * G


def pulled(made: Session, folder: Path) -> Path:
    given = ("--pulls", made.pulls, "--car", made.car, "--calibration", made.calibration)
    done = undertray("pull-test", made.log, *given, "--out", folder / "drag.json")
    assert done.returncode == 0, done.stderr
    return folder / "drag.json"


def change(made: Session, text: str) -> None:
    made.car.write_text(made.car.read_text().replace("allowance", f"{text}\nallowance"))


def windows(made: Session, *more: object) -> dict[float, dict]:
    given = ("--car", made.car, "--calibration", made.calibration, "--json")
    done = undertray("window", made.log, *given, *more)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    return {one["angle_deg"]: one for one in found["windows"]} | {-1.0: found["runs"][0]}


def test_the_lower_end_is_that_of_target(tmp_path: Path) -> None:
    made = session(tmp_path, HEAVY, gain_sd=1e-4, noise_pa=0.5)
    change(made, "tyre_mu = 0.5\ncg_height = 30")
    found = windows(made)
    # derived: upside down each axle needs half of the weight of half of the floor; with a fifth to spare more
    assert found[180]["falls"]["at_pa"] == pytest.approx(WEIGHT_N / 0.06, rel=2e-3)
    assert found[180]["needs"]["at_pa"] == pytest.approx(1.2 * WEIGHT_N / 0.06, rel=2e-3)
    # derived: on a wall mu D = W
    assert found[90]["falls"]["at_pa"] == pytest.approx(WEIGHT_N / 0.5 / 0.06, rel=2e-3)
    assert found[90]["falls"]["limited_by"] == "sliding"
    assert found[0]["falls"]["at_pa"] == 0
    assert found[0]["locks"] is None
    assert found[0]["drives"] is None
    for angle, key in ((180, "falls"), (90, "falls")):
        done = undertray("target", "--car", made.car, "--surface-angle", angle, "--allowance", 0).stdout
        assert f"{found[angle][key]['at_pa']:.0f}"[:2] in done


@pytest.mark.slow
def test_the_upper_end_on_the_ground_is_worked_by_hand(tmp_path: Path) -> None:
    made = session(tmp_path, HEAVY, gain_sd=1e-4, noise_pa=0.5)
    change(made, "surface_angle = 0")
    found = windows(made, "--drag", pulled(made, tmp_path))
    share = 120 / 180
    # derived: 0.9 (W + (1 - s) S) = b + c (W + (1 - s) S) + 0.7 s S, static on both sides but for nothing
    at_n = ((0.9 - 0.02) * WEIGHT_N - 0.25) / (0.7 * share - (0.9 - 0.02) * (1 - share))
    assert found[0]["locks"]["at_pa"] == pytest.approx(at_n / 0.06, rel=0.03)
    assert found[0]["locks"]["low_pa"] < at_n / 0.06 < found[0]["locks"]["high_pa"]
    assert found[0]["locks"]["limited_by"] == "the driven wheels"
    assert HEAVY.stuck_pa(0.06, 5000) == pytest.approx(at_n / 0.06, abs=1)  # the fake marches to the same
    # derived: with the rear wheels alone half of the load pushes
    change(made, 'driven = "rear"')
    rear = windows(made, "--drag", tmp_path / "drag.json")
    at_n = ((0.45 - 0.02) * WEIGHT_N - 0.25) / (0.7 * share - (0.45 - 0.02) * (1 - share))
    assert rear[0]["locks"]["at_pa"] == pytest.approx(at_n / 0.06, rel=0.03)
    assert rear[0]["locks"]["limited_by"] == "the driven rear wheels"
    # derived: a motor of 10 N, static 1.12: 10 = 1.12 (b + c (W + (1 - s) S) + 0.7 s S)
    change(made, 'drive_force = "10 N"')
    motor = windows(made, "--drag", tmp_path / "drag.json")
    at_n = (10 / 1.12 - 0.25 - 0.02 * WEIGHT_N) / (0.7 * share + 0.02 * (1 - share))
    assert motor[0]["locks"]["at_pa"] == pytest.approx(at_n / 0.06, rel=0.02)
    assert motor[0]["locks"]["limited_by"] == "the motor"
    change(made, "tyre_mu_within = 0.1")
    pounds = made.car.read_text().replace('"10 N"', f'"{10 / 4.4482216152605:.9f} lbf"')
    made.car.write_text(pounds)
    again = windows(made, "--drag", tmp_path / "drag.json")
    assert again[0]["locks"]["at_pa"] == pytest.approx(motor[0]["locks"]["at_pa"], rel=1e-6)


@pytest.mark.slow
def test_locked_is_told_where_the_suction_was_above_and_only_with_pulls(tmp_path: Path) -> None:
    made = session(tmp_path, HEAVY, gain_sd=1e-4, noise_pa=0.5)
    change(made, 'surface_angle = 0\ndriven = "rear"')
    given = ("--car", made.car, "--calibration", made.calibration)
    drag = pulled(made, tmp_path)
    # derived: the rear wheels give up at 422 Pa, as above; of 400, 750 and 1150 Pa two are above
    found = windows(made, "--drag", drag)[-1]
    assert found["locked"] is True
    assert found["above_s"] == pytest.approx(8.0, abs=0.5)
    done = undertray("reduce", made.log, *given, "--drag", drag, "--json")
    verdict = json.loads(done.stdout)["verdict"]
    assert verdict["word"] == "locked"
    assert verdict["good"] is False
    assert "rear wheels cannot overcome the drag of the skirt" in verdict["headline"]
    page = tmp_path / "page.html"
    assert undertray("report", made.log, *given, "--drag", drag, "--out", page).returncode == 0
    assert "Drivable window" in page.read_text(encoding="utf-8")
    assert "Locked. For" in page.read_text(encoding="utf-8")
    bare = undertray("reduce", made.log, *given, "--json")
    assert json.loads(bare.stdout)["verdict"]["word"] != "locked"
    listed = undertray("sessions", tmp_path, "--no-cache", *given, "--drag", drag, "--json")
    assert json.loads(listed.stdout)[0]["verdict"] == "locked"
    (tmp_path / "other").mkdir()
    other = session(tmp_path / "other", HEAVY, 1, gain_sd=1e-4, noise_pa=0.5)
    for log, skirt in ((made.log, "brush"), (other.log, "foam")):
        assert undertray("annotate", log, f"skirt={skirt}").returncode == 0
    compared = undertray("compare", made.log, other.log, *given, "--drag", drag, "--json")
    assert [group["locked"] for group in json.loads(compared.stdout)["groups"]] == [1, 1]
    told = undertray("compare", made.log, other.log, *given, "--drag", drag).stdout
    assert re.search(r"^held with certainty +0 of 1, 1 locked +0 of 1, 1 locked$", told, re.M)
    # driven by all, it is not
    change(made, "")
    made.car.write_text(made.car.read_text().replace('driven = "rear"\n', ""))
    assert windows(made, "--drag", drag)[-1]["locked"] is False


@pytest.mark.slow
def test_words_throttles_and_pictures(tmp_path: Path) -> None:
    made = session(tmp_path, HEAVY, gain_sd=1e-4, noise_pa=0.5)
    change(made, 'surface_angle = 0\ndriven = "rear"')
    given = ("--car", made.car, "--calibration", made.calibration, "--drag", pulled(made, tmp_path))
    done = undertray("window", made.log, *given, "--angle", "30", "--pictures", tmp_path / "pictures")
    assert "at 30 degrees:" in done.stdout
    assert "its weight alone holds it" in done.stdout
    assert "locked above" in done.stdout
    assert " µs: the driven rear wheels cannot overcome the skirt" in done.stdout
    assert "locked, wherever it was asked to drive there" in " ".join(done.stdout.split())
    assert (tmp_path / "pictures" / "window.svg").exists()
    twice = undertray("window", made.log, made.log, *given)
    assert twice.stdout.count("run, at 0 degrees: with the fans up") == 2
    alone = undertray("window", "--car", made.car, "--units", "us")
    assert "inH₂O" in alone.stdout
    assert alone.stdout.count("not measured, the upper end") == 1
    wrong = undertray("window", "--angle", "200", "--car", made.car)
    assert wrong.returncode == 2
    assert undertray("window").returncode == 2


EVENINGS = Evenings(
    8, tyre_mu=(0.7, 1.0), skirt_mu=(0.5, 0.9), skirt_n_mm=(80, 160), repeat=(0.02, 0.05), blown=True
)


def holds(end: dict, truth: float) -> bool:
    low = 0.0 if end["low_pa"] is None else end["low_pa"]
    high = math.inf if end["high_pa"] is None else end["high_pa"]
    return low - 1 <= truth <= high + 1  # the fake marches by one Pa


def held(made: Session, puller: Puller) -> dict[str, bool]:
    found = windows(made, "--drag", pulled(made, made.log.parent), "--angle", 30)
    read, whole_n = made.truth["read"], made.truth["whole_n"]
    axle_n = puller.mass_kg * G / 2
    falls = max(axle_n / made.truth["front_n"], axle_n / made.truth["rear_n"])
    told = {"falls, upside down": holds(found[180]["falls"], read * falls)}
    for angle in (0, 30):
        stuck = puller.stuck_pa(whole_n / read, found[0]["most_pa"], angle)
        told[f"locks at {angle}"] = holds(found[angle]["locks"], stuck)
    return told


@pytest.mark.statistics
def test_the_ends_hold_the_truth(tmp_path: Path) -> None:
    got = EVENINGS.hits(tmp_path, range(52_000, 52_012), held)
    # derived: of 12, 95 % are 11.4 +- 0.8; 9 is three standard deviations below
    assert min(got.values()) >= 9, got


@pytest.mark.statistics
def test_the_ends_hold_the_truth_as_often_as_they_say(tmp_path: Path) -> None:
    got = EVENINGS.hits(tmp_path, range(53_000, 53_200), held)
    print(got)
    assert min(got.values()) >= 180, got  # what is asked for: 90 to 98 %
    # at a true 98 % 199 and more of 200 come in 9 of 100 cases (binomial)
    assert max(got.values()) <= 198, got


def test_a_skirt_on_springs_and_one_pressed_by_suction_are_alike_on_the_ground_alone() -> None:
    # derived: 0.25 of 40 N either way on the ground; upside down springs give 2 s W back to the tyres at most
    springs, blown = replace(Puller(), skirt_n_mm=20.0), replace(Puller(), skirt_n_mm=20.0, blown=True)
    assert springs.contacts_n(40.0)[1] == pytest.approx(10.0, abs=1e-6)
    assert blown.contacts_n(40.0)[1] == pytest.approx(10.0)
    assert springs.contacts_n(60.0, 180.0)[0] - blown.contacts_n(60.0, 180.0)[0] == pytest.approx(
        2 * 0.25 * WEIGHT_N, abs=1e-6
    )

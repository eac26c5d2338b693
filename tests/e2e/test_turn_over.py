"""Before a car is turned over: what its runs show and what they do not, through the command line."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from fakes.handlog import hand_calibration, hand_car, hand_log
from fakes.program import undertray

RATE_HZ = 50.0
AREA_M2, MASS_KG, G, ALLOWANCE = 0.3 * 0.2, 2.0, 9.80665, 0.2
FULL_PA, FULL_V, LEFT_V = 1000.0, 8.2, 7.4
"""At 8.2 V; the pack falls to 7.4 V while the car drives for 150 s."""


def driven(folder: Path, dip: float = 0.0, level: float = 1.0) -> list[object]:
    """A run the right way up, even suction under the whole floor, one dip of 0.1 s; car and calibration."""
    t = np.arange(round(160 * RATE_HZ)) / RATE_HZ
    up = (t >= 4) & (t < 156)
    volts = np.interp(t, [4, 156], [FULL_V, LEFT_V])
    # textbook: speed of a fan goes with the voltage, pressure with the square of the speed
    pa = np.where(up, level * FULL_PA * (volts / FULL_V) ** 2, 0.0)
    pa[(t >= 60) & (t < 60.1)] *= 1 - dip
    taps = pa[:, None] + np.random.default_rng(3).normal(0, 2.0, (len(t), 4))
    log = hand_log(folder / "run.csv", taps, np.where(up, 1700.0, 1000.0), RATE_HZ, pack_mv=1000 * volts)
    car = hand_car(folder / "car.toml", mass_kg=MASS_KG)
    return [log, "--car", car, "--calibration", hand_calibration(folder)]


def items(*given: object) -> dict[str, dict[str, str]]:
    done = undertray("turn-over", *given, "--json")
    assert done.returncode == 0, done.stderr
    return {item["topic"]: item for item in json.loads(done.stdout)["items"]}


def test_everything_shown_is_still_not_called_safe(tmp_path: Path) -> None:
    given = driven(tmp_path, dip=0.1)
    pulls = tmp_path / "pulls.csv"
    # derived: a car that stands comes off at suction times floor and its weight; here halfway down the pack
    pulls.write_text(
        f"at_s,pull_n\n80,{FULL_PA * (7.8 / 8.2) ** 2 * AREA_M2 + MASS_KG * G:.2f}\n", encoding="utf-8"
    )
    word = (
        "--bumps",
        25,
        "--taps-checked",
        "--alarm-heard",
        "--net-hung",
        "--pack-empty",
        "7.41V",
        "--pulls",
        pulls,
    )
    found = items(*given, *word)
    states = {topic: item["state"] for topic, item in found.items()}
    # nobody lifted the skirt, so the alarm never came on; and the car file gives no travel of its skirt
    left = {topic for topic, state in states.items() if state != "shown"}
    assert left == {"alarm", "drop in the dips"}
    done = undertray("turn-over", *given, *word, "--out", tmp_path / "page.html")
    assert "8 of 10 points are shown. No list makes it safe" in done.stdout
    assert "Local rules and licensed practice come first" in done.stderr
    for text in (done.stdout, (tmp_path / "page.html").read_text(encoding="utf-8")):
        assert "safe" not in text.replace("No list makes it safe", "")


def test_the_margin_on_an_empty_pack_is_that_of_the_fan_law(tmp_path: Path) -> None:
    found = items(*driven(tmp_path), "--pack-empty", "6.6 V")["margin on an empty pack"]
    # derived: half of suction times floor on each axle, by (6.6 V / 8.2 V)^2, less half of 1.2 weights
    expected_n = FULL_PA * (6.6 / FULL_V) ** 2 * AREA_M2 / 2 - (1 + ALLOWANCE) * MASS_KG * G / 2
    assert found["state"] == "not shown"  # it was not driven that far
    # the emptiest hundredth of the voltages is averaged: 2 % of the suction, 0.4 N, at most
    assert float(found["said"].split(" N")[0].replace("−", "-")) == pytest.approx(expected_n, abs=0.4)
    assert "it was not driven that far" in found["said"]
    low = items(*driven(tmp_path, level=0.5), "--pack-empty", "6.6 V")["margin on an empty pack"]
    assert low["state"] == "speaks against it"


def test_a_dip_deeper_than_the_allowance_leaves_speaks_against_it(tmp_path: Path) -> None:
    # derived: an allowance of 0.2 leaves 0.2 / 1.2, a sixth
    assert items(*driven(tmp_path, dip=0.1), "--bumps", 25)["bumps"]["state"] == "shown"
    assert items(*driven(tmp_path, dip=0.3), "--bumps", 25)["bumps"]["state"] == "speaks against it"
    assert items(*driven(tmp_path, dip=0.1))["bumps"]["state"] == "not shown"
    assert items(*driven(tmp_path, dip=0.3), "--bumps", 25, "--deepest", 40)["bumps"]["state"] == "shown"


def test_nothing_given_shows_little(tmp_path: Path) -> None:
    log, _, car, *_ = driven(tmp_path)
    found = items(log, "--car", car, "--calibration", "none")
    shown = {topic for topic, item in found.items() if item["state"] == "shown"}
    assert shown == {"seal"}  # uncalibrated, even its margin has no uncertainty
    assert all(item["next"] for topic, item in found.items() if topic not in shown)


def test_a_car_that_stays_on_the_ground_has_no_list(tmp_path: Path) -> None:
    log, *_ = driven(tmp_path)
    car = hand_car(tmp_path / "flat.toml")
    text = car.read_text(encoding="utf-8")
    car.write_text(text.replace("allowance", "surface_angle = 0\nallowance", 1), encoding="utf-8")
    done = undertray("turn-over", log, "--car", car)
    assert done.returncode == 1
    assert "surface_angle" in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_link_that_died_in_mid_drive_shows_nothing_and_did_not_surely_hold(tmp_path: Path) -> None:
    given = driven(tmp_path, dip=0.1)
    log = Path(str(given[0]))
    *rows, end = log.read_text(encoding="utf-8").splitlines()
    last = next(i for i, line in enumerate(rows) if line.startswith("150005123,"))
    log.write_text("\n".join([*rows[:last], end, ""]), encoding="utf-8")
    found = items(*given, "--bumps", 25, "--pack-empty", "7.5V")
    assert found["margin"]["state"] == "not shown"
    assert "how run.csv ended is unknown" in found["margin"]["said"]
    assert not [topic for topic in ("seal", "bumps") if found[topic]["state"] == "shown"]
    done = undertray("reduce", *given, "--json")
    told = json.loads(done.stdout)
    # derived: of 160 s the last 10 are not there
    assert told["truncated"] is True
    assert told["why"] == "the recording went on for 10.0 s after its last good row"
    assert told["verdict"]["word"] == "held, but not surely"
    listed = json.loads(undertray("sessions", tmp_path, *given[1:], "--json", "--no-cache").stdout)
    assert [one["truncated"] for one in listed] == [told["why"]]

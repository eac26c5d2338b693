"""The demo recordings: repeatable to the byte, and true to the story they tell."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from undertray import Calibration, Car, read_run, reduce_run
from undertray.calibrate.evaluate import Setup, calibrate
from undertray.calibrate.liquid_column import Conditions
from undertray.calibrate.points import read_points
from undertray.virtual.demo_runs import LATITUDE_DEG, MADE_UTC, RUNS, WATER_C, main
from undertray.virtual.stories import CAR, UID

LOGS = Path(__file__).parents[2] / "demo_logs"


@pytest.fixture(scope="module")
def calibration() -> Calibration:
    setup = Setup(conditions=Conditions(fluid_c=WATER_C, latitude_deg=LATITUDE_DEG), zero_open=True)
    return calibrate(read_points(LOGS / "column.csv"), setup, made_utc=MADE_UTC, uid=UID)


@pytest.mark.slow
def test_one_command_makes_them_again_byte_for_byte(tmp_path: Path) -> None:
    shutil.copyfile(LOGS / "car.toml", tmp_path / "car.toml")
    main(tmp_path)
    names = sorted(p.name for p in LOGS.iterdir() if p.suffix not in (".md", ".png"))
    assert sorted(p.name for p in tmp_path.iterdir()) == names
    assert [n for n in names if (tmp_path / n).read_bytes() != (LOGS / n).read_bytes()] == []


def test_the_calibration_finds_the_errors_of_the_sensors(calibration: Calibration) -> None:
    # a sensor reads offset + gain * p, so p = (reading - offset) / gain
    for i, column in enumerate(calibration.columns.values()):
        truth = np.array([-CAR["sensor_offset_pa"][i], 1.0]) / CAR["sensor_gain"][i]
        off = np.asarray(column.coefficients[:2]) - truth
        chi_squared = off @ np.linalg.solve(np.asarray(column.covariance)[:2, :2], off)
        assert chi_squared < 9.21  # 99 % of a chi-squared variable with 2 degrees of freedom


@pytest.mark.parametrize("name", RUNS)
def test_each_run_reduces_to_its_truth(name: str, calibration: Calibration) -> None:
    told = json.loads((LOGS / f"{name}.truth.json").read_text())
    reduction = reduce_run(read_run(LOGS / f"{name}.csv"), Car.from_toml(LOGS / "car.toml"), calibration)
    assert [e.kind for e in reduction.events] == [e["kind"] for e in told["events"]]
    for found, true in zip(reduction.events, told["events"], strict=True):
        if true["kind"] in ("seal-loss", "sensor-fault"):
            # two samples: the fault is inside the first, and the fold begins as a ramp
            assert found.onset_s == pytest.approx(true["onset_s"], abs=0.0101)
            # the floor lets go as one, and the front left tap falls furthest: together, that one named first
            together = true["kind"] == "seal-loss"
            assert found.first_tap == (None if together else true["first_tap"])
            assert found.order[0] == true["first_tap"]
        elif true["kind"] == "throttle-cut":
            # one servo frame of 20 ms, and what the fan's lag of 320 ms hides of its first moments
            assert found.onset_s == pytest.approx(true["onset_s"], abs=0.05)
        else:
            # a leak of 4 s shows above the noise only when some of it has happened
            assert found.onset_s == pytest.approx(true["onset_s"], abs=0.5)


@pytest.mark.parametrize("name", RUNS)
def test_calibrated_suction_is_the_true_one_within_its_uncertainty(
    name: str, calibration: Calibration
) -> None:
    held = json.loads((LOGS / f"{name}.truth.json").read_text())["held"]
    car = Car.from_toml(LOGS / "car.toml")
    series = reduce_run(read_run(LOGS / f"{name}.csv"), car, calibration).series
    rows = (series.t_s >= held["from_s"]) & (series.t_s < held["to_s"])
    for i, tap in enumerate(car.taps):
        mean_pa = float(series.tap_suction_pa[rows, i].mean())
        # expanded uncertainty of the calibration at this suction (its certificate says 5 to 7 Pa at
        # the top of the range); noise of 400 readings adds 0.2 Pa
        assert mean_pa == pytest.approx(held["suction_pa"][tap.name], abs=6.0)

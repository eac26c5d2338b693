"""What an accelerometer felt, against drives written as forces on a car and turned by another library."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from fakes.handlog import ACCELEROMETER, hand_car, hand_log
from fakes.program import undertray
from undertray import Car, read_run, reduce_run
from undertray.acquire.device import Accelerometer
from undertray.reduce.motion import car_g
from undertray.reduce.summary import Motion

RATE_HZ = 200.0
G = 9.80665
Array = NDArray[np.float64]


class Drive:
    """12 s: stands, goes off at 0.6 g for 2 s, rolls, brakes at 0.9 g, turns at 0.8 g, stands."""

    def __init__(
        self, seed: int = 1, angle_deg: float = 0.0, zero_g: float = 0.0, scale: float = 1.0
    ) -> None:
        t = self.t_s = np.arange(2400) / RATE_HZ
        self.ahead_g = 0.6 * ((t >= 2) & (t < 4)) - 0.9 * ((t >= 6) & (t < 7.2))
        self.right_g = 0.8 * ((t >= 8) & (t < 9.5))
        # the surface turned about the car's own length, forward 0 0: gravity holds the car from below
        chance = np.random.default_rng(seed)
        turn = Rotation.from_euler("x", angle_deg, degrees=True)
        # world: x ahead, y to the right, z down; the floor pushes the car up against gravity
        holds = turn.apply([0.0, 0.0, -1.0])
        felt = np.column_stack([self.ahead_g, self.right_g, np.zeros_like(t)]) + holds
        felt[:, 2] *= -1  # up, not down
        for at, peak in ((5.0, 1.5), (5.4, -0.9)):
            felt[:, 2] += peak * np.clip(1 - np.abs(t - at) / 0.012, 0, None)
        felt += chance.normal(0, 0.02, felt.shape)
        self.felt = scale * felt + zero_g * chance.normal(0, 1, 3)

    def reduced(self, folder: Path, **car: Any) -> Motion:
        counts = np.round(self.felt * 1000 / ACCELEROMETER["mg_per_count"])
        # forward x, to the left y, up z: as the part's axes are right-handed
        channels = {"ax": counts[:, 0], "ay": -counts[:, 1], "az": counts[:, 2]}
        throttle = np.where((self.t_s > 1.0) & (self.t_s < 11.0), 1600.0, 1000.0)
        suction = np.full((len(self.t_s), 4), 50.0) + np.where(throttle > 1100, 700, 0)[:, None]
        suction += np.random.default_rng(2).normal(0, 1, suction.shape)
        self.log = hand_log(
            folder / "run.csv", suction, throttle, RATE_HZ, channels=channels, accelerometer=ACCELEROMETER
        )
        self.car = hand_car(folder / "car.toml", **car)
        motion = reduce_run(read_run(self.log), Car.from_toml(self.car), speeds_m_s=[5.0, 100.0]).motion
        assert motion is not None
        return motion


@pytest.mark.parametrize(
    ("forward", "up", "counts", "felt_g"),
    [  # derived by hand: which way each axis of the part points, and what it then reads
        ("+x", "+z", (0, 0, 250), (0, 0, 1)),
        ("+x", "-z", (0, 0, 250), (0, 0, -1)),
        ("-y", "+z", (0, -100, 250), (0.4, 0, 1)),
        ("+x", "+z", (0, -100, 250), (0, 0.4, 1)),  # y points to the left
        ("+z", "+x", (250, 50, -25), (-0.1, 0.2, 1)),  # z x x = y, to the right
    ],
)
def test_the_parts_axes_are_turned_into_the_cars(
    forward: str, up: str, counts: tuple[float, ...], felt_g: tuple[float, ...]
) -> None:
    part = Accelerometer("LIS3DH", 4.0, 8000.0, 400.0, forward, up)
    np.testing.assert_allclose(car_g(part, np.array([counts], float)), [felt_g], atol=1e-12)


def test_a_drive_on_the_ground(tmp_path: Path) -> None:
    found = Drive().reduced(tmp_path)
    assert found.angle_deg is not None
    assert found.angle_deg.mean == pytest.approx(0, abs=1)
    # the truth is a constant push: its mean over any tenth of a second, with noise of 0.02 / sqrt(20)
    assert found.forward_g == pytest.approx(0.6, abs=0.02)
    assert found.braking_g == pytest.approx(0.9, abs=0.02)
    assert found.lateral_g == pytest.approx(0.8, abs=0.02)
    # two bumps of 24 ms; the higher is 1.5 g, less what it lifts the mean by, and a row may miss its peak
    assert [bump.at_s for bump in found.bumps] == pytest.approx([5.0, 5.4], abs=0.006)
    assert found.bumps[0].peak_g == pytest.approx(1.4, abs=0.15)
    # derived: 5 m/s at 0.6 g takes 5 / (0.6 g); 100 m/s it never reaches. A push that is there at once begins
    # at the late end of the interval of the start, which is some 0.04 s wide
    assert [(gain.speed_m_s, gain.from_s) for gain in found.gains] == [(5.0, pytest.approx(2.0, abs=0.03))]
    assert found.gains[0].seconds == pytest.approx(5 / (0.6 * G), abs=found.gains[0].u95_s)
    assert found.gains[0].u95_s < 0.06


@pytest.mark.parametrize("builds_up_s", [0.0, 0.05, 0.15])
def test_the_time_to_a_speed_of_a_car_that_squats(tmp_path: Path, builds_up_s: float) -> None:
    """The push builds up evenly, and the body leans back by 1.2 degrees for each g: held in 18 of 20."""
    held = 0
    for seed in range(20):
        drive = Drive(seed)
        push_g = 0.5 + 0.04 * seed
        grows = np.clip((drive.t_s - 2) / max(builds_up_s, 1e-9), 0, 1) * ((drive.t_s >= 2) & (drive.t_s < 4))
        extra_g = push_g * grows - 0.6 * ((drive.t_s >= 2) & (drive.t_s < 4))
        lean = np.radians(1.2) * push_g * grows
        drive.felt[:, 0] += extra_g + np.sin(lean)
        gain = drive.reduced(tmp_path).gains[0]
        (there,) = np.nonzero(np.cumsum(push_g * grows) * G / RATE_HZ >= 5.0)
        held += abs(gain.seconds - (drive.t_s[there[0]] - 2.0)) <= gain.u95_s
        drive.log.unlink()
    # derived (binomial): 18 and more of 20 come in 92 of 100 cases at a true 95 %, in 68 at 90, in 4 at 70
    assert held >= 18, held


def test_upside_down_and_on_a_wall(tmp_path: Path) -> None:
    over = Drive(angle_deg=178).reduced(tmp_path)
    assert over.angle_deg is not None
    assert over.angle_deg.mean == pytest.approx(178, abs=1)
    assert over.braking_g == pytest.approx(0.9, abs=0.03)
    wall = Drive(angle_deg=90).reduced(tmp_path)
    assert wall.angle_deg is not None
    assert wall.angle_deg.mean == pytest.approx(90, abs=1)
    # gravity pulls along a wall, one way or the other as the car turns: no number stands
    assert (wall.forward_g, wall.braking_g, wall.lateral_g, wall.within_g, wall.gains) == (
        *(None, None, None, None),
        (),
    )


@pytest.mark.parametrize(("drives", "least"), [(12, 9), pytest.param(200, 180, marks=pytest.mark.slow)])
def test_what_is_stated_covers_parts_with_zero_and_scale_errors(
    tmp_path: Path, drives: int, least: int
) -> None:
    """Zeros of 40 mg (one standard deviation), scale 2 %: the figures that the uncertainty is built from."""
    # derived: 12 drives at 95 % have 11.4 +- 0.8, and 9 is three of those below; of 200 it is asked for 90 %
    within: dict[str, list[bool]] = {"angle": [], "gain": [], "braking": []}
    for seed in range(drives):
        chance = np.random.default_rng(1000 + seed)
        drive = Drive(seed, angle_deg=180.0, zero_g=0.04, scale=1 + 0.02 * chance.normal())
        found = drive.reduced(tmp_path)
        assert found.angle_deg is not None
        assert found.angle_deg.u95 is not None
        assert found.within_g is not None
        assert found.braking_g is not None
        within["angle"].append(abs(found.angle_deg.mean - 180) <= found.angle_deg.u95)
        within["braking"].append(abs(found.braking_g - 0.9) <= found.within_g)
        gain = found.gains[0]
        within["gain"].append(abs(gain.seconds - 5 / (0.6 * G)) <= gain.u95_s)
    assert min(map(sum, within.values())) >= least, {what: sum(held) for what, held in within.items()}


def test_the_summary_and_the_table_tell_it(tmp_path: Path) -> None:
    drive = Drive(angle_deg=180)
    drive.reduced(tmp_path)
    words = ("reduce", str(drive.log), "--car", str(drive.car))
    told = json.loads(undertray(*words, "--json").stdout)["motion"]
    assert set(told) >= {"part", "angle_deg", "braking_g", "lateral_g", "bumps", "gains"}
    text = undertray(*words).stdout
    assert "felt (LIS3DH): surface at 180 ±6 degrees, 180 in the car file" in text
    assert "0.90 g braking, 0.81 g sideways" in text  # pinned: the largest of noisy tenths
    assert "bumps above 0.5 g: 2, the largest" in text
    undertray("export", str(drive.log), "--pa", "--out", str(tmp_path / "pa.csv"))
    head = (tmp_path / "pa.csv").read_text(encoding="utf-8").splitlines()[0]
    assert head.endswith("forward_g,right_g,up_g,ax,ay,az")


def test_a_run_without_one_says_nothing_of_it(tmp_path: Path) -> None:
    drive = Drive()
    drive.reduced(tmp_path)
    plain = hand_log(tmp_path / "plain.csv", np.full((400, 4), 700.0), 1500.0)
    reduction = reduce_run(read_run(plain), Car.from_toml(drive.car))
    assert reduction.motion is None
    assert "motion" not in reduction.as_dict()

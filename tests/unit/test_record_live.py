"""The live view's numbers: the same as by hand, the alarm in time, no harm from strangers."""

from __future__ import annotations

import json
import math
import tempfile
from pathlib import Path

import numpy as np
import pytest

from fakes.board import ScriptedBoard
from fakes.cells import some
from undertray.acquire.wire import Row, WireNote
from undertray.calibrate.calibration import Calibration
from undertray.live.judge import SealIndex
from undertray.live.monitor import Monitor
from undertray.live.snapshot import Snapshot
from undertray.reduce.car import Car
from undertray.reduce.detect.detector import Detector

CAR = """format = 1
name = "made up"
mass = 2.0
wheelbase = 300
front_weight = 0.5
floor = [[-50, -100], [350, -100], [350, 100], [-50, 100]]

[[tap]]
name = "front"
column = "p1"
x = 50
y = 0

[[tap]]
name = "rear"
column = "p2"
x = 250
y = 0
"""
AREA_M2 = 0.4 * 0.2
WEIGHT_N = 2.0 * 9.80665


@pytest.fixture
def car(tmp_path: Path) -> Car:
    path = tmp_path / "car.toml"
    path.write_text(CAR)
    return Car.from_toml(path)


class Drive:
    """Rows of a board on the car, with noise, fed as a recorder does."""

    def __init__(self, monitor: Monitor, rate_hz: float = 200, seed: int = 0) -> None:
        self.monitor = monitor
        self.board = ScriptedBoard(2, rate_hz=rate_hz)
        self.rng = np.random.default_rng(seed)
        self.now_us = 0
        self.note(WireNote("device", self.board.device))

    def note(self, note: WireNote) -> None:
        self.monitor.take(self.now_us, [note])

    def row(
        self, front_pa: float | None, rear_pa: float | None, throttle_us: int | None = 1600, flags: int = 0
    ) -> None:
        self.board.throttle_us = throttle_us
        self.board.counts = lambda slot: [
            None if pa is None else round(8192 + (pa + self.rng.normal(0, 2)) / 0.38)
            for pa in (front_pa, rear_pa)
        ]
        row = self.board.row()
        self.now_us += self.board.period_us
        self.monitor.take(self.now_us, [Row(row.seq, row.t_us, row.throttle_us, flags, row.counts)])

    def steady(
        self, seconds: float, front_pa: float | None, rear_pa: float | None, **more: int | None
    ) -> Snapshot:
        snapshot = Snapshot()
        for i in range(round(seconds * 1e6 / self.board.period_us)):
            self.row(front_pa, rear_pa, **more)  # type: ignore[arg-type]
            if i % 4 == 3:
                snapshot = self.monitor.update(self.now_us)
        return snapshot


def test_the_newtons_are_those_by_hand(car: Car) -> None:
    shown = Drive(Monitor(car)).steady(3, 600, 400)
    # derived: each tap stands for half of the floor, whose force acts at its middle, x = 50 and 250 mm;
    # an axle's share is the lever's. Tolerance: 50 readings of 2 Pa noise and counts of 0.38 Pa, five sigma
    half = AREA_M2 / 2
    front = 600 * half * 250 / 300 + 400 * half * 50 / 300
    rear = 600 * half * 50 / 300 + 400 * half * 250 / 300
    assert shown.downforce_n == pytest.approx(500 * AREA_M2, abs=0.12)
    assert shown.required_n == pytest.approx(WEIGHT_N, abs=1e-3)
    assert [a.downforce_n for a in shown.axles] == pytest.approx([front, rear], abs=0.12)
    assert [a.margin_n for a in shown.axles] == pytest.approx(
        [front - WEIGHT_N / 2, rear - WEIGHT_N / 2], abs=0.12
    )
    assert shown.limiting is not None
    assert shown.limiting.name == "rear"
    assert shown.suction_pa == pytest.approx(500, abs=1.5)
    assert [t.suction_pa for t in shown.taps] == pytest.approx([600, 400], abs=1.5)
    assert (shown.throttle_us, shown.alarm, shown.notice) == (1600, "", "uncalibrated")
    assert shown.rows_per_s == pytest.approx(200, abs=1)
    assert shown.elapsed_s == pytest.approx(3, abs=0.01)


@pytest.mark.parametrize("phase", some([0, 3, 5], [1, 2, 4, 6, 7]))
def test_a_lost_seal_is_an_alarm_within_130_ms_of_board_time(car: Car, phase: int) -> None:
    """Onset to words, in the worst place between two blocks; the link and the drawing come on top."""
    drive = Drive(Monitor(car), seed=phase)
    drive.steady(4 + phase * 0.005, 800, 800)
    onset_us = drive.now_us
    while not drive.monitor.update(drive.now_us).alarm:
        drive.row(150, 650)
        assert drive.now_us - onset_us < 400_000
    shown = drive.monitor.update(drive.now_us)
    assert "SEAL LOST at front" in shown.alarm
    assert shown.alarms == 1
    assert drive.now_us - onset_us <= 130_000


def test_a_negative_suction_with_the_throttle_up_is_marked(car: Car) -> None:
    """A hose on the wrong port, as it is seen while there is still time to move it."""
    wrong = "negative: wrong port?"
    assert [t.fault for t in Drive(Monitor(car)).steady(1, -600, 400).taps] == [wrong, ""]
    assert [t.fault for t in Drive(Monitor(car)).steady(1, -600, -400).taps] == [wrong, wrong]
    assert [t.fault for t in Drive(Monitor(car)).steady(1, -600, 400, throttle_us=1000).taps] == ["", ""]
    assert [t.fault for t in Drive(Monitor(car)).steady(1, 600, -50).taps] == ["", ""]


def test_an_alarm_ends_when_the_suction_is_back_and_a_second_one_counts(car: Car) -> None:
    drive = Drive(Monitor(car))
    drive.steady(4, 800, 800)
    assert "SEAL LOST" in drive.steady(0.5, 300, 700).alarm
    assert drive.steady(1, 800, 800).alarm == ""
    drive.steady(4, 800, 800)
    assert drive.steady(0.5, 300, 700).alarms == 2


def test_no_alarm_when_the_fans_are_told_to_rest(car: Car) -> None:
    drive = Drive(Monitor(car))
    drive.steady(5, 800, 800)
    alarms = 0
    for i in range(100):  # spins down over half a second
        drive.row(800 * math.exp(-i / 25), 800 * math.exp(-i / 25), throttle_us=1000)
        alarms += bool(drive.monitor.update(drive.now_us).alarm)
    assert alarms == 0
    assert drive.steady(2, 5, 5, throttle_us=1000).alarm == ""


def test_an_axle_that_lets_go_is_an_alarm_only_after_it_held(car: Car) -> None:
    drive = Drive(Monitor(car))
    assert drive.steady(3, 200, 200).alarm == ""  # has not held yet: it is still being set up
    drive.steady(3, 800, 800)
    for pa in range(800, 150, -1):  # slow enough to be no sudden loss
        drive.row(pa, pa)
    assert "DOES NOT HOLD" in drive.steady(0.5, 150, 150).alarm


def test_the_board_s_own_alarm_is_shown(car: Car) -> None:
    assert Drive(Monitor(car)).steady(0.5, 800, 800, flags=2).alarm == "BOARD ALARM"


def test_a_board_and_a_margin_that_do_not_agree_are_said_in_one_line(car: Car) -> None:
    # 800 Pa hold this car of 2 kg on 0.08 m2 (64 N against 19.6 N), 150 Pa do not (12 N)
    assert "yet both axles hold" in Drive(Monitor(car)).steady(0.5, 800, 800, flags=2).notice
    drive = Drive(Monitor(car))
    assert drive.steady(3, 800, 800).notice == "uncalibrated"
    silent = drive.steady(0.5, 150, 150)
    assert "DOES NOT HOLD" in silent.alarm
    assert "the board's alarm is silent" in silent.notice
    assert drive.steady(0.5, 150, 150, flags=2).notice == "uncalibrated"  # both say it
    # fans at rest ask for nothing: then the two do not contradict each other
    assert drive.steady(0.5, 5, 5, throttle_us=1000, flags=2).notice == "uncalibrated"


def test_the_last_alarm_is_kept_with_its_worst(car: Car) -> None:
    drive = Drive(Monitor(car))
    assert drive.steady(4, 800, 800).last_alarm is None
    during = drive.steady(0.5, 100, 700).last_alarm
    assert during is not None
    assert during.until_s is None
    assert "SEAL LOST at front" in during.words
    after = drive.steady(2, 800, 800).last_alarm
    assert after is not None
    assert after.words == during.words
    assert after.at_s == during.at_s == pytest.approx(4, abs=0.2)
    assert after.until_s == pytest.approx(4.5, abs=0.4)
    # derived as above: front axle 0.04 m2 (100 Pa 250/300 + 700 Pa 50/300) less half the weight
    assert after.worst_n == pytest.approx(0.04 * (100 * 250 + 700 * 50) / 300 - WEIGHT_N / 2, abs=0.15)
    assert (after.axle, after.least_pa) == ("front", pytest.approx(400, abs=3))
    again = drive.steady(0.5, 700, 100).last_alarm
    assert again is not None
    assert again.at_s > after.at_s


def test_a_missing_tap_leaves_its_cell_to_the_others(car: Car) -> None:
    shown = Drive(Monitor(car)).steady(1, 600, None)
    assert [t.fault for t in shown.taps] == ["", "missing"]
    assert shown.downforce_n == pytest.approx(600 * AREA_M2, abs=0.2)
    assert Drive(Monitor(car)).steady(1, None, None).axles == ()


def test_without_a_car_there_are_pressures_and_a_word_why() -> None:
    shown = Drive(Monitor()).steady(1, 600, 400)
    assert shown.suction_pa == pytest.approx(500, abs=2)
    assert shown.axles == ()
    assert "no car given" in shown.notice


def test_a_board_without_the_car_s_columns_says_so(car: Car) -> None:
    monitor = Monitor(car)
    board = ScriptedBoard(1)
    monitor.take(0, [WireNote("device", board.device), board.row()])
    assert "no such column" in monitor.update(1).notice


def test_a_calibration_that_does_not_fit_says_so(car: Car) -> None:
    column = {
        "part": "hsc",
        "coefficients": [0.0, 2.0],
        "covariance": [[0.01, 0.0], [0.0, 1e-8]],
        "range_pa": [0.0, 2000.0],
        "residual_sd_pa": 1.0,
        "hysteresis_pa": 0.0,
        "repeatability_pa": 0.0,
        "linearity_pa": 0.0,
        "points": [],
    }
    both = {
        "format": 1,
        "made_utc": "2026-05-02T10:15:00Z",
        "fluid": {},
        "gravity_m_s2": 9.80665,
        "uid": "00",
        "columns": {"p1": column, "p2": column},
    }
    shown = Drive(Monitor(car, calibration(both))).steady(1, 300, 200)
    assert shown.suction_pa == pytest.approx(500, abs=3)  # twice the nominal, as the calibration says
    assert shown.notice == "the calibration is of another board"
    one = Monitor(car, calibration(both | {"columns": {"p1": column}}))
    assert "the calibration has no such column, got 'p2'" in Drive(one).steady(0.1, 300, 200).notice


def calibration(data: dict[str, object]) -> Calibration:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "calibration.json"
        path.write_text(json.dumps(data))
        return Calibration.from_json(path)


def test_rows_before_the_board_described_itself_do_no_harm(car: Car) -> None:
    monitor = Monitor(car)
    monitor.take(5000, [ScriptedBoard(2).row()])
    shown = monitor.update(5000)
    assert shown.notice == "the board has not described itself yet"
    assert shown.throttle_us == 1500


@pytest.mark.parametrize("junk", [None, True, "x", [], {}, 10**400, [None], {"kind": []}])
def test_notes_of_a_stranger_do_no_harm(car: Car, junk: object) -> None:
    drive = Drive(Monitor(car))
    for kind in ("status", "fault", "reply", "device", "novel"):
        for key in ("second", "columns", "boot", "uid", "column", "temperature_c"):
            drive.note(WireNote(kind, {**drive.board.device, key: junk}))
            drive.row(500, 500)
            shown = drive.monitor.update(drive.now_us)
            assert shown.alarm == ""
    drive.note(WireNote("device", drive.board.device))
    shown = drive.steady(1, 500, 500)
    assert [t.suction_pa for t in shown.taps] == pytest.approx([500, 500], abs=2)
    assert (shown.alarm, shown.alarms, shown.notice) == ("", 0, "uncalibrated")


def test_a_reset_goes_on_by_the_host_s_clock(car: Car) -> None:
    drive = Drive(Monitor(car))
    drive.steady(2, 800, 800)
    drive.board = ScriptedBoard(2, boot=5)
    drive.now_us += 1_500_000
    drive.note(WireNote("device", drive.board.device))
    shown = drive.steady(2, 800, 800)
    assert shown.alarm == ""
    assert shown.suction_pa == pytest.approx(800, abs=2)


class Index:
    """The seal index beside the detector that learns the fan for it, as the live view has them."""

    def __init__(self) -> None:
        self.detector = Detector(0.005, 1)
        self.seal = SealIndex(self.detector.fan)

    def feed(self, t: np.ndarray, suction: np.ndarray, throttle: np.ndarray) -> None:
        self.detector.feed(t, suction[:, None], throttle)
        self.seal.feed(t, suction, throttle)

    @property
    def value(self) -> float | None:
        return self.seal.value


def test_the_seal_index_falls_with_a_leak_and_not_with_the_throttle() -> None:
    seal = Index()
    rng = np.random.default_rng(3)
    t = np.arange(0, 60, 0.005)
    throttle = np.where(t % 10 < 5, 1500.0, 1700.0)
    suction = 2000 * ((throttle - 1000) / 1000) ** 2 + rng.normal(0, 3, len(t))
    said = []
    for i in range(0, len(t), 20):
        leak = np.where(t[i : i + 20] > 50, 0.6, 1.0)
        seal.feed(t[i : i + 20], suction[i : i + 20] * leak, throttle[i : i + 20])
        said.append((t[i], seal.value))
    settled = np.array([value for at, value in said if 20 < at < 50 and at % 5 > 1.5], float)
    # 5 %: what the law may be off between two pulses
    assert np.all(np.abs(settled - 1) < 0.05)
    assert np.mean([value for at, value in said if 52 < at < 55]) == pytest.approx(0.6, abs=0.05)
    assert said[0][1] is None


@pytest.mark.parametrize("spin_up_s", some([0.16], [0.1, 0.3]))
def test_the_seal_index_is_1_on_one_seal_from_the_first_on(spin_up_s: float) -> None:
    """Spinning up or down says nothing of the seal, whenever in a second the throttle moves."""
    t = np.arange(0, 40, 0.005)
    throttle = np.where((t > 2.31) & (t % 20 < 14.57), 1700.0, 1000.0)
    speed = np.zeros(len(t))
    for i in range(1, len(t)):
        speed[i] = speed[i - 1] + (throttle[i] - 1000 - speed[i - 1]) * 0.005 / (spin_up_s + 0.005)
    suction = 1800 * (speed / 1000) ** 2 + np.random.default_rng(5).normal(0, 3, len(t))
    seal = Index()
    said = {}
    for i in range(0, len(t), 10):
        seal.feed(t[i : i + 10], suction[i : i + 10], throttle[i : i + 10])
        if seal.value is not None:
            said[float(t[i])] = seal.value
    assert 7 < min(said) < 10  # five seconds of running
    assert list(said.values()) == pytest.approx([1.0] * len(said), abs=0.05)
    assert sum(at > 20 for at in said) > 250


def test_the_seal_index_needs_the_throttle_and_running_fans() -> None:
    seal = Index()
    t = np.arange(0, 20, 0.005)
    seal.feed(t, np.full(len(t), 500.0), np.full(len(t), np.nan))
    assert seal.value is None
    seal.feed(t + 20, np.full(len(t), 500.0), np.full(len(t), 1600.0))
    assert seal.value == pytest.approx(1, abs=0.01)
    seal.feed(t[:20] + 40, np.full(20, 0.0), np.full(20, np.nan))
    assert seal.value is None


def test_what_is_old_is_not_shown_and_is_an_alarm(car: Car) -> None:
    """A board that fell silent, a link that was lost: the last margin is no longer so."""
    drive = Drive(Monitor(car))
    assert drive.steady(2, 800, 800).alarms == 0
    assert drive.monitor.update(drive.now_us + 900_000).alarm == ""
    for late_s in (1.1, 2.5):
        shown = drive.monitor.update(drive.now_us + round(late_s * 1e6))
        assert (shown.alarm, shown.alarms) == ("NO ROWS", 1)
        assert (shown.axles, shown.taps, shown.suction_pa, shown.downforce_n) == ((), (), None, None)
        assert (shown.throttle_us, shown.seal_index) == (None, None)
    assert shown.notice == "the last row came 2 s ago"
    drive.now_us += 3_000_000
    shown = drive.steady(1, 800, 800)
    assert (shown.alarm, shown.alarms) == ("", 1)
    assert len(shown.axles) == 2


def test_no_row_at_all_is_an_alarm_as_well() -> None:
    monitor = Monitor()
    assert monitor.update(900_000).alarm == ""
    shown = monitor.update(1_100_000)
    assert (shown.alarm, shown.alarms, shown.notice) == ("NO ROWS", 1, "no row has come yet")
    drive = Drive(monitor)
    drive.now_us = 1_200_000
    assert drive.steady(1, 800, 800).alarm == ""


@pytest.mark.parametrize(("every", "missing", "alarm"), [(3, 1 / 3, "ROWS MISSING"), (50, 0.02, "")])
def test_rows_that_never_came_are_said_and_many_of_them_are_an_alarm(
    car: Car, every: int, missing: float, alarm: str
) -> None:
    drive, shown = Drive(Monitor(car)), Snapshot()
    for slot in range(1200):
        if slot % every == 1:  # taken by the board, and lost on the way
            drive.board.row()
            drive.now_us += drive.board.period_us
        else:
            shown = drive.steady(0.005, 800, 800)
            shown = drive.monitor.update(drive.now_us)
    assert shown.missing == pytest.approx(missing, abs=0.01)
    assert (shown.alarm, shown.alarms) == (alarm, int(bool(alarm)))
    assert ("a short loss may not be seen" in shown.notice) == bool(alarm)
    shown = drive.steady(3, 800, 800)
    assert (shown.alarm, shown.missing) == ("", 0.0)


def test_a_slow_board_is_not_silent_between_its_rows(car: Car) -> None:
    drive = Drive(Monitor(car), rate_hz=0.5)
    drive.steady(8, 800, 800)
    assert drive.monitor.update(drive.now_us + 5_000_000).alarm == ""

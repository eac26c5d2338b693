"""A run, a car and a calibration to newtons: derived by hand from what went into the log."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

import undertray
from fakes.cars import bare_car
from fakes.program import CliRunner
from fakes.signals import ramp, steady, times
from undertray import notebook
from undertray.acquire.device import Column, Device
from undertray.acquire.runlog import Note, Run
from undertray.calibrate.calibration import Calibration, ColumnCalibration
from undertray.cli import app
from undertray.errors import CalibrationError, ReductionError
from undertray.reduce.hold import hold_need
from undertray.reduce.run import reduce_run

FLOOR = ((-50.0, -100.0), (350.0, -100.0), (350.0, 100.0), (-50.0, 100.0))  # 0.08 m2, centre at x = 150
TAPS = [(50, -50), (50, 50), (250, -50), (250, 50)]
SCALE = {"zero": 100, "pa_per_count": 0.1, "min": -100_000, "max": 100_000}


def car(**changes):
    facts = {"mass_kg": 3.0, "wheelbase_mm": 300.0, "front_weight": 0.4} | changes
    return bare_car(FLOOR, TAPS, **facts)


def run_of(suction_pa, throttle_us=1700.0, rate_hz=200.0, **changes):
    """A run as if it came off a board whose counts are tenths of a Pa."""
    n, taps = suction_pa.shape
    names = tuple(f"p{i + 1}" for i in range(taps))
    columns = tuple(Column(name, "part", "", 0, 40, None, "low", SCALE) for name in names)
    step_us = round(1e6 / rate_hz)
    facts = {
        "name": "made",
        "facts": {},
        "device": Device("1", "board", "ab", 1, rate_hz, 1_000_000, 30, columns),
        "columns": names,
        "host_us": np.arange(n) * step_us + 2000,
        "seq": np.arange(n) % 65536,
        "t_us": np.arange(n) * step_us,
        "throttle_us": np.full(n, throttle_us),
        "flags": np.zeros(n, np.int64),
        "counts": np.round(suction_pa * 10) + 100,
        "notes": (),
        "bad_lines": 0,
        "cut_off": False,
        "end": {},
    }
    return Run(**(facts | changes))


def level(pa, seconds=10):
    return np.full((round(200 * seconds), 4), float(pa))


def test_uniform_suction_by_hand():
    result = reduce_run(run_of(level(500)), car())
    # derived: 500 Pa on 0.08 m2 are 40 N in the middle, half a wheelbase behind the front axle
    assert result.downforce_n.mean == pytest.approx(40.0)
    assert result.suction_pa.median == pytest.approx(500.0)
    assert (result.centre_mm.x, result.centre_mm.y) == (pytest.approx(150.0), pytest.approx(0.0, abs=1e-9))
    assert result.axles["front"].downforce_n == pytest.approx(20.0)
    assert result.rate_hz == pytest.approx(200.0)
    assert result.duration_s == pytest.approx(9.995)
    assert (result.rows, result.lost_rows, result.calibrated) == (2000, 0, False)


def test_each_axle_needs_its_own_share_upside_down():
    result = reduce_run(run_of(level(500)), car(allowance=0.25))
    weight = 3.0 * 9.80665
    # derived: 0.4 and 0.6 of the weight, a quarter more each, against 20 N
    assert result.axles["front"].required_n == pytest.approx(0.4 * weight * 1.25)
    assert result.axles["rear"].required_n == pytest.approx(0.6 * weight * 1.25)
    assert result.axles["rear"].margin_n.median == pytest.approx(20 - 0.6 * weight * 1.25)
    assert result.hold.margin_n.median == pytest.approx(40 - weight * 1.25)
    assert result.hold.limiting_axle == "rear"
    # more than the weight is not enough: the rear axle is below all the time
    assert result.hold.margin_n.min > 0 > result.axles["rear"].margin_n.min
    assert result.axles["front"].below_s == 0
    assert result.hold.below_s == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("angle", "mu", "share"),
    [
        (0, 0.9, 0.0),  # the weight itself holds
        (180, None, 1.2),
        (180, 0.9, 1.2),
        (90, 0.8, 0.2 + 1 / 0.8),  # a wall: friction carries the weight
        (90, None, 0.2),  # unknown mu: the friction condition is left out
        (135, 0.8, 0.2 + math.sqrt(0.5) * (1 + 1 / 0.8)),
        (30, 0.8, 0.0),
    ],
)
def test_need_at_any_angle(angle, mu, share):
    # derived: D >= W (a - cos A + sin A / mu)
    need = hold_need(car(surface_angle_deg=float(angle), tyre_mu=mu, allowance=0.2))
    assert need.whole_n == pytest.approx(share * 3.0 * 9.80665, abs=1e-9)


def test_below_hold_is_timed_and_the_loss_has_it():
    t = times(12)
    suction = steady(t, level_pa=800, shape=lambda t: 1 - 0.7 * (ramp(t, 7.0, 0.01) - ramp(t, 9.0, 0.01)))
    result = reduce_run(run_of(suction), car())
    (event,) = result.events
    assert event.kind == "seal-loss"
    # derived: 240 Pa on 0.08 m2 are 19 N of the 29 N needed, for 2 s
    assert result.hold.below_s == pytest.approx(2.0, abs=0.02)
    assert event.below_hold_s == pytest.approx(2.0, abs=0.15)
    assert event.warning_s is None


def test_a_faulty_tap_is_another_matrix():
    t = times(12)
    suction = steady(t, level_pa=600) * 0 + 600 + np.random.default_rng(1).normal(0, 5, (len(t), 4))
    suction[t >= 6, 1] = np.random.default_rng(2).normal(0, 5, int((t >= 6).sum()))
    result = reduce_run(run_of(suction), car())
    assert [e.kind for e in result.events] == ["sensor-fault"]
    # derived: 600 Pa on the whole floor, whichever taps are left
    assert result.downforce_n.p05 == pytest.approx(48.0, rel=0.02)
    assert any("t1 was missing or faulty" in n for n in result.notices)


def test_missing_readings_are_no_zero():
    suction = level(500)
    suction[300:310, 0] = np.nan
    suction[400:403] = np.nan
    result = reduce_run(run_of(suction), car())
    assert result.downforce_n.mean == pytest.approx(40.0)
    assert result.taps["t0"].missing_s == pytest.approx(13 / 200)
    assert result.taps["t1"].missing_s == pytest.approx(3 / 200)


def test_a_sensor_at_its_limit_is_said():
    suction = level(500)
    suction[100:150, 2] = 10_500.0  # counts beyond 'max'
    result = reduce_run(run_of(suction), car())
    assert result.taps["t2"].saturated_s == pytest.approx(0.25)


def test_a_tap_on_the_high_port_reads_the_other_way():
    run = run_of(-level(500))
    columns = tuple(replace(c, port="high") for c in run.device.columns)
    result = reduce_run(replace(run, device=replace(run.device, columns=columns)), car())
    assert result.downforce_n.mean == pytest.approx(40.0)


def calibration(b0, b1, sd=1.0, uid="ab"):
    column = ColumnCalibration("part", np.array([b0, b1]), np.diag([sd**2, 1e-8]), (0.0, 400.0), 1.0)
    return Calibration("2026-05-02T00:00:00Z", {}, 9.80665, uid, {f"p{i}": column for i in range(1, 5)})


def test_a_calibration_is_used_and_its_doubt_carried_over():
    result = reduce_run(run_of(level(500)), car(), calibration(10.0, 1.02))
    assert result.calibrated
    assert result.suction_pa.mean == pytest.approx(520.0)
    assert result.suction_pa.u95 > 0
    assert result.downforce_n.u95 > 0
    assert any("outside the calibrated range" in n for n in result.notices)
    assert reduce_run(run_of(level(500)), car()).suction_pa.u95 is None


def test_a_calibration_of_another_board_is_said():
    result = reduce_run(run_of(level(300)), car(), calibration(0.0, 1.0, uid="cd"))
    assert any("another board" in n for n in result.notices)


def test_what_makes_a_hold_unsure():
    whole = run_of(level(300))
    assert reduce_run(whole, car(), calibration(0.0, 1.0)).caveats == ()
    assert reduce_run(whole, car()).caveats == ("the sensors are not calibrated",)
    (foreign,) = reduce_run(whole, car(), calibration(0.0, 1.0, uid="cd")).caveats
    assert foreign == "the calibration is of another board"
    (cut,) = reduce_run(replace(whole, cut_off=True), car(), calibration(0.0, 1.0)).caveats
    assert "cut off" in cut
    (broken,) = reduce_run(replace(whole, end={"why": "port vanished"}), car(), calibration(0.0, 1.0)).caveats
    assert broken == "the recording broke off (port vanished): how the run ended is unknown"
    for why in ("stopped", "time is up", "fetched", ["port vanished"], None):
        assert reduce_run(replace(whole, end={"why": why}), car(), calibration(0.0, 1.0)).caveats == ()
    late = np.arange(len(whole.seq)) >= 1000
    gap = replace(whole, seq=(whole.seq + 400 * late) % 65536, t_us=whole.t_us + 2_000_000 * late)
    (gone,) = reduce_run(gap, car(), calibration(0.0, 1.0)).caveats
    assert gone == "no rows came for 2.0 s of it"


def test_a_run_in_which_nothing_ever_sucks_is_reduced():
    assert reduce_run(run_of(level(-500)), car()).downforce_n.mean == pytest.approx(-40.0)


def test_a_tube_on_the_other_port_is_said():
    suction = level(600)
    suction[:, 2] *= -1
    found = reduce_run(run_of(suction), car())
    (said,) = (n for n in found.notices if "wrong port" in n)
    assert "at t2 -600 Pa with the fans up, the others 600 Pa" in said
    assert found.no_verdict == said
    assert not any("wrong port" in n for n in reduce_run(run_of(level(600)), car()).notices)


@pytest.mark.parametrize(
    ("part", "doubtful", "plain"),
    [
        ("in degrees", {"surface_angle_deg": 3.14159}, {"surface_angle_deg": 0.0}),
        ("no allowance", {"allowance": 0.0}, {"allowance": 0.1}),
        ("no allowance", {"surface_angle_deg": 90.0}, {"surface_angle_deg": 0.0}),
        ("no tyre_mu", {"surface_angle_deg": 90.0}, {"surface_angle_deg": 90.0, "tyre_mu": 0.9}),
        ("another unit", {"wheelbase_mm": 30.0}, {"wheelbase_mm": 300.0}),
        ("another unit", {"wheelbase_mm": 3000.0}, {"wheelbase_mm": 300.0}),
    ],
)
def test_what_a_car_file_leaves_in_doubt_is_said(part, doubtful, plain):
    run = run_of(level(300))
    assert any(part in n for n in reduce_run(run, car(**doubtful)).notices)
    assert not any(part in n for n in reduce_run(run, car(**plain)).notices)


def test_fans_that_never_ran_were_never_steady():
    never = reduce_run(run_of(level(300), throttle_us=1000.0), replace(car(), tyre_mu=0.9))
    # the median of a run that was never steady buys no grip that anybody can count on
    assert (never.steady, never.grip) == (None, None)
    assert reduce_run(run_of(level(300), throttle_us=1400.0), car()).steady is not None


def test_a_tap_that_was_dead_from_the_start_leaves_a_steady_part():
    counts = np.round(level(600) * 10) + 100
    counts[:, 3] = np.nan
    result = reduce_run(run_of(level(600), counts=counts), car())
    assert [e.kind for e in result.events] == ["sensor-fault"]
    assert result.steady is not None
    assert result.steady.suction_pa.mean == pytest.approx(600, rel=1e-6)


def test_no_throttle_is_said():
    result = reduce_run(run_of(level(500), throttle_us=np.nan), car())
    assert any("no throttle" in n for n in result.notices)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda r: replace(r, device=None), "no description of the board"),
        (lambda r: replace(r, columns=("p1", "p2", "p3", "x")), "no column for tap 't3'"),
    ],
)
def test_refuses_what_does_not_go_together(change, message):
    with pytest.raises(ReductionError, match=message):
        reduce_run(change(run_of(level(500))), car())


def test_refuses_too_few_rows_and_a_calibration_without_the_column():
    with pytest.raises(ReductionError, match="too few good rows"):
        reduce_run(run_of(level(500)[:1]), car())
    some = calibration(0.0, 1.0)
    columns = {k: v for k, v in some.columns.items() if k != "p4"}
    with pytest.raises(CalibrationError, match="lacks a column"):
        reduce_run(run_of(level(500)), car(), replace(some, columns=columns))


def test_all_taps_silent_is_refused():
    with pytest.raises(ReductionError, match="no row with a good tap"):
        reduce_run(run_of(level(np.nan)), car())


KEYS = [
    *("format", "run", "calibrated", "rows", "bad_lines", "lost_rows", "duration_s", "rate_hz"),
    *("suction_pa", "taps", "downforce_n", "centre_mm", "axles", "hold", "events"),
]
SPREAD = {"mean", "p05", "median", "p95", "max", "u95"}
EVENT = {
    *("kind", "onset_s", "bottom_s", "end_s", "first_tap", "order", "from_pa", "to_pa", "drop", "fall_s"),
    *("warning_s", "throttle_us", "below_hold_s", "confidence", "brief", "onset_between_s"),
}


def test_the_json_has_the_keys_of_the_format(tmp_path):
    """Section 5 of the formats, key by key, from the command line and with nothing that is no JSON."""
    from undertray.virtual.scenarios import write_recordings

    write_recordings(tmp_path, [2], 30)
    log, description = tmp_path / "invented-00002.csv", tmp_path / "invented-00002.car.toml"
    done = CliRunner().invoke(app, ["reduce", str(log), "--car", str(description), "--json"])
    assert done.exit_code == 0, done.output
    data = json.loads(done.stdout, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))
    assert set(KEYS) <= set(data)
    assert set(data["suction_pa"]) >= SPREAD <= set(data["downforce_n"])
    assert set(data["taps"]["p1"]) >= {"mean", "median", "max", "saturated_s", "missing_s"}
    assert set(data["axles"]) == {"front", "rear"}
    assert set(data["axles"]["front"]) >= {"downforce_n", "required_n", "margin_n", "below_s"}
    assert set(data["hold"]) >= {"surface_angle", "required_n", "margin_n", "below_s", "limiting_axle"}
    assert all(set(e) >= EVENT for e in data["events"])
    assert data["events"]
    for event in data["events"]:
        assert all(isinstance(tap, str) and (ms is None or ms >= 0) for tap, ms in event["order"])
    assert "Caution" in done.stderr


def test_the_same_inputs_give_the_same_bytes():
    t = times(12)
    suction = steady(t, shape=lambda t: 1 - 0.7 * ramp(t, 7.0, 0.01))
    one, two = (json.dumps(reduce_run(run_of(suction), car()).as_dict()) for _ in range(2))
    assert one == two


def test_notes_of_other_columns_do_not_disturb():
    run = run_of(level(500), notes=(Note(0, "status", {"second": [1, 2, 3, 4]}, 0),))
    only = replace(car(), taps=car().taps[2:])
    assert reduce_run(run, only).downforce_n.mean == pytest.approx(40.0)


def test_public_names():
    assert undertray.reduce_run is notebook.reduce_run


def test_too_few_rows_a_second_for_a_loss_are_said():
    result = reduce_run(run_of(level(900, 60)[::100], rate_hz=2.0), car())
    assert any("2 rows a second" in notice and "cannot be found" in notice for notice in result.notices)
    assert any("2 rows a second" in caveat for caveat in result.caveats)


def test_a_clock_that_stands_still_is_refused():
    still = run_of(level(900))
    still = replace(still, t_us=np.zeros_like(still.t_us))
    with pytest.raises(ReductionError, match="clock stands still"):
        reduce_run(still, car())


def test_a_clock_that_stands_still_for_half_of_the_rows_is_refused():
    whole = run_of(level(900))
    every_other = whole.t_us // 10_000 * 10_000
    with pytest.raises(ReductionError, match="clock stands still"):
        reduce_run(replace(whole, t_us=every_other), car())

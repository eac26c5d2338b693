"""The zero of a run: taken off as asked, and said where it was not."""

from __future__ import annotations

import json

import numpy as np
import pytest

from fakes.cars import bare_car
from fakes.runs import run_of
from undertray.calibrate.calibration import Calibration, ColumnCalibration
from undertray.errors import ReductionError
from undertray.reduce.run import reduce_run

RATE = 200.0
CAR = bare_car([(0, 0), (300, 0), (300, 200), (0, 200)], [(50, 50), (50, 150), (250, 50), (250, 150)])
ZERO = np.array([40.0, -30.0, 20.0, 0.0])
DRIFT = np.array([8.0, -4.0, 0.0, 2.0])


def run(before_s=4.0, after_s=5.0, work_s=20.0, drift=DRIFT, zero=ZERO):
    """Rest, work at 800 Pa, rest; the sensors' zeros move linearly."""
    t = np.arange(round((before_s + work_s + after_s) * RATE)) / RATE
    on = (t >= before_s) & (t < before_s + work_s)
    level = np.zeros(len(t))
    for k in range(1, len(t)):
        level[k] = level[k - 1] + (800.0 * on[k] - level[k - 1]) / (0.1 * RATE)
    noise = np.random.default_rng(1).normal(0, 1.0, (len(t), 4))
    return run_of(
        t, level[:, None] + zero + drift * (t / t[-1])[:, None] + noise, np.where(on, 1700.0, 1000.0)
    )


def calibration():
    column = ColumnCalibration("x", np.array([0.0, 1.0]), np.diag([1.0, 1e-8]), (-200.0, 2000.0), 1.0)
    return Calibration("2026-01-01T00:00:00Z", {}, 9.80665, "", {f"p{i + 1}": column for i in range(4)})


def working_pa(reduction):
    rows = (reduction.series.t_s > 10.0) & (reduction.series.t_s < 20.0)
    return reduction.series.tap_suction_pa[rows].mean(axis=0)


def test_without_tare_nothing_is_taken_off_and_the_offset_is_said():
    reduction = reduce_run(run(), CAR, calibration())
    # derived: zero and half the drift or so are still in it
    assert working_pa(reduction) == pytest.approx(800 + ZERO + DRIFT * 15 / 29, abs=0.5)
    said = [n for n in reduction.notices if "not zero at rest" in n]
    assert len(said) == 1
    assert "t0 +40 Pa" in said[0]
    assert "--tare" in said[0]
    assert reduction.rest.tare == "none"
    assert reduction.rest.drift_pa is not None
    # derived: what is not taken off is known, each tap with its sign and a quarter of the floor, at
    # the middle of the run; that each zero may have been anywhere in its drift of the 20 s adds a rectangle
    known = (ZERO + DRIFT / 2).sum() / 4
    moved = np.sqrt(np.square(DRIFT * 20 / 29).sum() / 12) / 4
    expected = np.hypot(known, moved)
    assert reduction.doubt.sources_n["zero"] / 0.06 == pytest.approx(expected, rel=0.02)


def test_the_zero_before_the_run():
    reduction = reduce_run(run(), CAR, calibration(), tare="zero")
    # derived: at 15 s half of the drift has come since the rest at 2 s
    assert working_pa(reduction) == pytest.approx(800 + DRIFT * (15 - 1.75) / 29, abs=0.5)
    assert any("the zero before the run was taken off: t0 +40." in n for n in reduction.notices)
    assert reduction.rest.zero_pa["t1"] == pytest.approx(-30, abs=0.5)
    assert reduction.rest.drift_pa["t0"] == pytest.approx(8 * 25 / 29, abs=0.7)


def test_a_zero_that_moves():
    reduction = reduce_run(run(), CAR, calibration(), tare="linear")
    assert working_pa(reduction) == pytest.approx(np.full(4, 800.0), abs=0.4)
    assert reduction.rest.tare == "linear"
    zero, moving = (reduce_run(run(), CAR, calibration(), tare=how) for how in ("zero", "linear"))
    # derived: the middle of the drift is known and taken off by the one only; when it came nobody knows
    # (the seconds next to the run lie 22.5 s apart; each is known to 0.07 Pa, which is 6 % of what moved)
    moved = np.sqrt(np.square(DRIFT * 22.5 / 29).sum() / 12) / 4
    known = DRIFT.sum() / 4 * (14.5 - 1.75) / 29
    assert moving.doubt.sources_n["zero"] / 0.06 == pytest.approx(moved, rel=0.08)
    assert zero.doubt.sources_n["zero"] / 0.06 == pytest.approx(np.hypot(known, moved), rel=0.08)


def test_no_still_part_says_so_and_changes_nothing():
    busy = run(before_s=0.0, after_s=0.0)
    plain, tared = (reduce_run(busy, CAR, calibration(), tare=how) for how in ("none", "zero"))
    assert any("no zero was taken off" in n for n in tared.notices)
    assert tared.downforce_n == plain.downforce_n
    assert tared.rest.zero_pa is None
    assert not any("zero" in n for n in plain.notices)


def test_rest_only_before_takes_the_constant_zero():
    reduction = reduce_run(run(after_s=0.0, drift=0 * DRIFT), CAR, calibration(), tare="linear")
    assert reduction.rest.tare == "zero"
    assert any("no still part at both ends" in n for n in reduction.notices)
    assert any("drift of the zero during the run is not known" in n for n in reduction.notices)
    assert working_pa(reduction) == pytest.approx(np.full(4, 800.0), abs=0.4)


def test_rest_only_after():
    reduction = reduce_run(run(before_s=0.0, drift=0 * DRIFT), CAR, calibration(), tare="zero")
    assert any("the zero after the run" in n for n in reduction.notices)
    assert working_pa(reduction) == pytest.approx(np.full(4, 800.0), abs=0.4)


def test_a_tap_without_reading_at_rest_keeps_its_zero():
    blind = run(drift=0 * DRIFT)
    blind.counts[: round(4.2 * RATE), 0] = np.nan
    blind.counts[round(23.9 * RATE) :, 0] = np.nan
    reduction = reduce_run(blind, CAR, calibration(), tare="zero")
    assert any("tap t0 gave no reading at rest" in n for n in reduction.notices)
    assert working_pa(reduction) == pytest.approx([840.0, 800.0, 800.0, 800.0], abs=0.5)


def test_the_format_of_the_summary_stays_as_it_is_without_tare():
    data = reduce_run(run(), CAR, calibration()).as_dict()
    assert json.loads(json.dumps(data, allow_nan=False)) == data
    assert data["rest"]["tare"] == "none"


def test_an_unknown_way_is_refused():
    with pytest.raises(ReductionError, match="no such tare"):
        reduce_run(run(), CAR, tare="some")

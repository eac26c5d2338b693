"""Quality rows, and the blocks in which nothing was going on."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from fakes.reductions import invented_car, invented_reduction, only_rows, with_parts
from fakes.runs import run_of
from undertray.acquire.logscan import Note
from undertray.reduce.steady import run_blocks
from undertray.reduce.tube import tap_tubes
from undertray.report.display import SI
from undertray.report.sheet import calibration_age_days, quality_rows


def _said(rows: list[tuple[str, str, str]]) -> dict[str, str]:
    return {name: value for name, value, _ in rows}


def test_zero_drift_of_the_reduction_is_told() -> None:
    reduction = invented_reduction()
    assert (
        _said(quality_rows(reduction, None, invented_car(), None, SI))["Zero drift over the run"] == "unknown"
    )
    drift_pa = {"front-left": 1.0, "front-right": -7.0, "rear-left": None, "rear-right": 0.0}
    drifted = with_parts(reduction, rest=dataclasses.replace(reduction.rest, drift_pa=drift_pa))
    rows = _said(quality_rows(drifted, None, invented_car(), None, SI))
    assert rows["Zero drift over the run"] == "−7.0 Pa at worst (front-right)"


def test_the_largest_source_of_uncertainty_is_named() -> None:
    rows = {name: how for name, _, how in quality_rows(invented_reduction(), None, invented_car(), None, SI)}
    assert rows["Uncertainty of the whole log's mean downforce"].endswith("largest source: between taps")


def test_age_of_a_calibration() -> None:
    facts = {"started_utc": "2026-05-03T12:00:00Z"}
    assert calibration_age_days(facts, "2026-05-01T00:00:00+00:00") == pytest.approx(2.5)
    assert calibration_age_days(facts, "2026-05-01T00:00:00") == pytest.approx(2.5)
    for broken in ("", "soon", "<b>"):
        assert calibration_age_days(facts, broken) is None
    assert calibration_age_days({"started_utc": 7}, "2026-05-01T00:00:00") is None


def test_what_the_board_said_of_itself_is_shown() -> None:
    notes = (
        Note(
            0,
            "status",
            {"skipped": 3, "read_errors": [0, 2], "temperature_c": [24.5, None, 26.0], "pack_mv": 8100},
            0,
        ),
        Note(0, "fault", {}, 0),
    )
    run = dataclasses.replace(run_of([0.0, 1.0], [[0.0], [0.0]], [1000.0, 1000.0]), notes=notes)
    said = _said(quality_rows(invented_reduction(), run, invented_car(), None, SI))
    assert said["Slots the board skipped"] == "3"
    assert said["Failed sensor reads"] == "0, 2"
    assert said["Temperature of the sensors"] == "24.5 to 26.0 °C"
    assert said["Pack voltage"] == "8.10 to 8.10 V"
    assert said["Faults the board reported"] == "1"
    assert said["Calibration"] == "none"


def test_tubes_of_the_car_file_are_shown() -> None:
    car = invented_car()
    taps = tuple(dataclasses.replace(t, tube_length_mm=150.0, tube_bore_mm=2.0) for t in car.taps)
    car = dataclasses.replace(car, taps=taps)
    rows = quality_rows(invented_reduction(tubes=tap_tubes(car)), None, car, None, SI)
    # computed outside this project from the published tube model: 442 Hz, true up to 84 Hz, 0.02 ms late
    assert (
        "Tubes",
        "150 mm, bore 2.0 mm (all taps)",
        "true within 5 % up to 84 Hz, rings at 442 Hz, late by 0.0 ms",
    ) in rows


def test_blocks_are_means_and_steady_ones_are_settled_and_clear() -> None:
    reduction = invented_reduction(fold_at_s=None)
    blocks = run_blocks(reduction.series, reduction.events)
    assert len(blocks.t_s) == 120
    rows = (reduction.series.t_s >= blocks.t_s[30]) & (reduction.series.t_s < blocks.t_s[31])
    assert rows.sum() == 20
    assert blocks.suction_pa[30] == pytest.approx(reduction.series.mean_suction_pa[rows].mean(), rel=1e-12)
    # derived: the throttle steps up at 2 s and must be still for 0.8 s; it is cut at 11 s
    assert blocks.t_s[blocks.steady].min() == pytest.approx(2.8)
    assert blocks.t_s[blocks.steady].max() == pytest.approx(10.9)


def test_an_event_and_half_a_second_after_it_are_not_steady() -> None:
    reduction = invented_reduction(fold_at_s=6.0)
    blocks = run_blocks(reduction.series, (dataclasses.replace(reduction.events[0], end_s=7.0),))
    inside = (blocks.t_s > 5.9) & (blocks.t_s < 7.5)
    assert not blocks.steady[inside].any()
    assert blocks.steady[(blocks.t_s >= 7.5) & (blocks.t_s < 10.9)].all()


def test_a_gap_breaks_a_stretch_and_a_moving_throttle_is_not_steady() -> None:
    reduction = invented_reduction(fold_at_s=None)
    t_s = reduction.series.t_s
    series = only_rows(reduction, (t_s < 5.0) | (t_s >= 6.0)).series
    blocks = run_blocks(series, reduction.events)
    assert not blocks.steady[(blocks.t_s >= 6.0) & (blocks.t_s < 6.75)].any()
    series.throttle_us[(series.t_s > 8.0) & (series.t_s < 8.02)] += 30.0
    blocks = run_blocks(series, reduction.events)
    assert not blocks.steady[(blocks.t_s >= 8.0) & (blocks.t_s < 8.75)].any()


def test_a_throttle_that_never_moves_is_steady_and_none_falls_back_to_suction() -> None:
    reduction = invented_reduction(fold_at_s=None)
    reduction.series.throttle_us[:] = 1700.0
    assert run_blocks(reduction.series, reduction.events).steady[10:].all()
    reduction = invented_reduction(fold_at_s=None, throttle=False)
    blocks = run_blocks(reduction.series, reduction.events)
    assert blocks.steady.sum() == pytest.approx(88, abs=2)
    assert np.isnan(blocks.throttle_us).all()

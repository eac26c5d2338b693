"""The verdict in words, against runs whose answer is known."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from fakes.reductions import invented_car, invented_event, invented_reduction
from undertray.report.display import US
from undertray.report.verdict import judge, work_rows


def test_a_firm_hold_holds() -> None:
    verdict = judge(invented_reduction(fold_at_s=None))
    assert (verdict.word, verdict.good) == ("held", True)
    assert verdict.below_s == 0
    # derived: throttle is up from 2 to 11 s, and the fans need some tenths of a second to hold
    assert verdict.held_s == pytest.approx(8.9, abs=0.1)
    assert verdict.least_margin_n is not None
    assert verdict.least_margin_n > 15


def test_a_fold_lets_go_with_axle_time_and_length() -> None:
    verdict = judge(invented_reduction(fold_at_s=8.0))
    assert (verdict.word, verdict.good) == ("let go", False)
    # derived: it folds at 8 s and the throttle is cut at 11 s
    assert verdict.below_s == pytest.approx(3.0, abs=0.01)
    assert "from 8.00 s on the" in verdict.headline
    assert any("3.00 s of it within events named seal-loss" in reason for reason in verdict.reasons)


def test_time_below_outside_every_event_is_told() -> None:
    verdict = judge(invented_reduction(fold_at_s=8.0, events=()))
    assert any("outside every named event" in reason for reason in verdict.reasons)


def test_too_little_suction_never_holds() -> None:
    verdict = judge(invented_reduction(fold_at_s=None, suction_pa=400.0))
    assert verdict.word == "never held"
    assert verdict.least_margin_n is not None
    assert verdict.least_margin_n < 0
    assert "short" in verdict.headline


def test_a_margin_within_its_uncertainty_is_no_clean_hold() -> None:
    for changes in ({"calibrated": False}, {"suction_pa": 680.0}):
        verdict = judge(invented_reduction(fold_at_s=None, **changes))
        assert verdict.word == "held, but not surely", changes
        assert not verdict.good


def test_a_hold_with_a_caveat_is_no_sure_one() -> None:
    verdict = judge(invented_reduction(fold_at_s=None, caveats=("the log was cut off",)))
    assert (verdict.word, verdict.good) == ("held, but not surely", False)
    assert verdict.headline.startswith("It held, but the log was cut off. The least margin")


def test_spinning_up_and_running_down_do_not_count() -> None:
    verdict = judge(invented_reduction(seconds=6.0, fold_at_s=None))
    assert verdict.word == "held"
    assert verdict.at_s is not None
    assert 3.0 < verdict.at_s < 5.0


def test_without_throttle_the_end_of_the_log_counts_and_it_says_so() -> None:
    verdict = judge(invented_reduction(fold_at_s=None, throttle=False))
    assert verdict.word == "let go"
    assert any("no throttle was logged" in reason for reason in verdict.reasons)


def test_nothing_measured_cannot_be_told() -> None:
    reduction = invented_reduction(fold_at_s=None)
    reduction.series.front_n[:] = np.nan
    assert judge(reduction).word == "cannot be told"


def test_missing_rows_are_not_time_below() -> None:
    reduction = invented_reduction(fold_at_s=None)
    for series in (reduction.series.front_n, reduction.series.rear_n, reduction.series.downforce_n):
        series[1000:1200] = np.nan
    verdict = judge(reduction)
    assert verdict.word == "held"
    assert verdict.held_s == pytest.approx(7.9, abs=0.1)


def test_on_a_wall_sliding_can_decide() -> None:
    reduction = invented_reduction(fold_at_s=None)
    reduction.hold.required_n = float(np.nanmax(reduction.series.downforce_n)) + 5.0
    verdict = judge(reduction)
    assert (verdict.word, verdict.axle) == ("never held", "whole car")


def test_words_in_us_units() -> None:
    assert " lbf" in judge(invented_reduction(fold_at_s=None), US).headline


def test_work_is_throttle_above_half_way() -> None:
    rows = work_rows(np.array([1000.0, 1000, 1349, 1351, 1700, np.nan]))
    assert rows is not None
    assert rows.tolist() == [False, False, False, True, True, False]
    assert work_rows(np.full(5, np.nan)) is None
    assert work_rows(np.array([1000.0, 1010])) is None


def test_an_open_event_of_another_kind_does_not_hide_the_loss() -> None:
    events = (invented_event(), invented_event(kind="throttle-cut", onset_s=11.0, bottom_s=11.4))
    verdict = judge(invented_reduction(events=events))
    assert any("named seal-loss" in reason for reason in verdict.reasons)
    assert not any("throttle-cut" in reason for reason in verdict.reasons)


def test_the_demo_car_is_the_invented_one() -> None:
    assert "invented" in invented_car().name


def test_the_uncertainty_is_that_of_the_axle_itself() -> None:
    reduction = invented_reduction(fold_at_s=None, suction_pa=680.0)
    axle = str(judge(reduction).axle).removesuffix(" axle")
    reduction.downforce_n.u95 = 50.0
    reduction.axles[axle].u95_n = 1e-3
    assert judge(reduction).word == "held"
    reduction.downforce_n.u95 = 1e-3
    reduction.axles[axle].u95_n = 50.0
    assert judge(reduction).word == "held, but not surely"


def test_the_larger_of_working_and_whole_counts() -> None:
    reduction = invented_reduction(fold_at_s=None)
    estimate = SimpleNamespace(u95=40.0)
    reduction.steady = SimpleNamespace(front_n=estimate, rear_n=estimate, downforce_n=estimate)
    assert judge(reduction).word == "held, but not surely"
    assert "±40" in judge(reduction).headline


def test_fans_that_were_never_up_tell_nothing_about_holding() -> None:
    reduction = invented_reduction(fold_at_s=None)
    reduction.series.throttle_us = np.full(len(reduction.series.t_s), 1000.0)
    verdict = judge(reduction)
    assert verdict.word == "cannot be told"
    assert "the throttle was never up" in verdict.headline
    # a throttle that is up from the first row to the last is judged like any other
    reduction.series.throttle_us[:] = 1700.0
    assert judge(reduction).held_s > 8

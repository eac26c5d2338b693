"""From when on a run counts, and what leaves it unsure: invented runs with one thing wrong each."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from fakes.reductions import invented_event, invented_reduction, with_parts
from undertray.report import verdict as report_verdict


def judge(reduction: Any) -> report_verdict.Verdict:
    """The verdict on a run as its rows stand now."""
    return report_verdict.judge(with_parts(reduction))


def _without_suction(reduction: Any, from_s: float, to_s: float) -> Any:
    series = reduction.series
    for load in (series.front_n, series.rear_n, series.downforce_n):
        load[(series.t_s >= from_s) & (series.t_s < to_s)] = 0.0
    return reduction


@pytest.mark.parametrize("rest_s", [0.5, 1.5])
def test_a_second_time_that_never_held_has_let_go(rest_s: float) -> None:
    reduction = _without_suction(invented_reduction(fold_at_s=None), 6.0, 99.0)
    t_s = reduction.series.t_s
    reduction.series.throttle_us[(t_s >= 6.0) & (t_s < 6.0 + rest_s)] = 1000.0
    verdict = judge(reduction)
    assert verdict.word == "let go"
    # derived: up again from 6 s plus the rest to 11 s; a second of spin-up is forgiven after a real rest
    assert verdict.short_s == pytest.approx(5.0 if rest_s < 1 else 11.0 - 6.0 - rest_s - 1.0, abs=0.02)


@pytest.mark.parametrize("pulse_us", [np.nan, 1000.0, 1300.0])
@pytest.mark.parametrize("rows", [1, 40])
def test_a_bad_pulse_before_a_loss_excuses_nothing(pulse_us: float, rows: int) -> None:
    reduction = _without_suction(invented_reduction(fold_at_s=None), 6.0, 9.0)
    at = int(np.searchsorted(reduction.series.t_s, 6.0))
    reduction.series.throttle_us[at - rows : at] = pulse_us
    verdict = judge(reduction)
    assert (verdict.word, verdict.short_s) == ("let go", pytest.approx(3.0, abs=0.01))


def test_a_long_time_up_before_it_first_held_leaves_no_sure_hold() -> None:
    verdict = judge(_without_suction(invented_reduction(fold_at_s=None, seconds=30.0), 0.0, 20.0))
    assert verdict.word == "held, but not surely"
    assert "the throttle was up for 18.0 s before it first had what it needs" in verdict.headline


@pytest.mark.parametrize(("seconds", "word"), [(3.6, "held, but not surely"), (6.0, "held")])
def test_a_moment_is_no_sure_hold(seconds: float, word: str) -> None:
    verdict = judge(invented_reduction(fold_at_s=None, seconds=seconds))
    assert verdict.word == word
    assert ("s of the run count" in verdict.headline) == (word != "held")


def test_an_unknown_throttle_is_the_last_one_known() -> None:
    lost = _without_suction(invented_reduction(fold_at_s=None), 8.0, 99.0)
    lost.series.throttle_us[lost.series.t_s >= 7.5] = np.nan
    verdict = judge(lost)
    assert (verdict.word, verdict.short_s) == ("let go", pytest.approx(4.0, abs=0.01))
    kept = invented_reduction(fold_at_s=None)
    t_s = kept.series.t_s
    kept.series.throttle_us[(t_s >= 5.0) & (t_s < 8.0)] = np.nan
    verdict = judge(kept)
    assert verdict.word == "held, but not surely"
    assert "for 3.00 s after it first held the throttle is unknown" in verdict.headline
    # a single pulse that was missed, and a receiver switched off after the run, are nothing
    sound = invented_reduction(fold_at_s=None)
    sound.series.throttle_us[[900, *range(len(t_s) - 100, len(t_s))]] = np.nan
    assert judge(sound).word == "held"


def test_a_run_that_ends_unmeasured_is_no_sure_hold() -> None:
    reduction = invented_reduction(fold_at_s=None)
    _without_suction(reduction, 5.0, 99.0)
    for load in (reduction.series.front_n, reduction.series.rear_n, reduction.series.downforce_n):
        load[reduction.series.t_s >= 5.0] = np.nan
    verdict = judge(reduction)
    assert verdict.word == "held, but not surely"
    assert "for 6.00 s of the time that counts no suction was measured" in verdict.headline
    # nor does it count as held before it was ever measured
    for load in (reduction.series.front_n, reduction.series.rear_n, reduction.series.downforce_n):
        load[:] = np.where(np.isnan(load), load, 0.0)
    assert judge(reduction).word == "never held"


def test_it_counts_at_the_throttle_that_it_held_at_not_only_at_the_greatest() -> None:
    reduction = _without_suction(invented_reduction(fold_at_s=None, seconds=16.0), 9.0, 12.0)
    series = reduction.series
    working = series.throttle_us > 1100
    series.throttle_us[working] = np.where(series.t_s[working] < 3.0, 2000.0, 1450.0)
    assert judge(reduction).short_s == pytest.approx(3.0, abs=0.01)
    # nor need it stand still there
    calm = series.throttle_us == 1450.0
    series.throttle_us[calm] += 40.0 * np.sin(9.0 * series.t_s[calm])
    assert judge(reduction).short_s == pytest.approx(3.0, abs=0.01)
    # one row is no throttle at all
    series.throttle_us[series.throttle_us > 1450] = 1450.0
    series.throttle_us[500] = 2150.0
    assert judge(reduction).short_s == pytest.approx(3.0, abs=0.01)
    # even where one comes in every tenth of a second
    series.throttle_us[::10] = 1000.0
    assert judge(reduction).short_s == pytest.approx(3.0, abs=0.01)


def test_a_run_that_never_idles_counts_at_its_least_throttle() -> None:
    reduction = _without_suction(invented_reduction(fold_at_s=None), 9.0, 10.0)
    series = reduction.series
    series.throttle_us[:] = np.where((series.t_s > 3.0) & (series.t_s < 5.0), 2000.0, 1600.0)
    reduction.series.front_n[series.t_s > 10.9] = reduction.series.front_n[800]
    reduction.series.rear_n[series.t_s > 10.9] = reduction.series.rear_n[800]
    assert judge(reduction).short_s == pytest.approx(1.0, abs=0.01)


def test_a_loss_outside_what_counts_with_the_throttle_up_forbids_a_sure_hold() -> None:
    events = (invented_event(onset_s=9.0, bottom_s=9.05),)
    # at 1200 us, 8 s on, it never has what it takes
    reduction = _without_suction(invented_reduction(fold_at_s=None, events=events), 8.0, 99.0)
    reduction.series.throttle_us[reduction.series.t_s >= 8.0] = 1200.0
    verdict = judge(reduction)
    assert verdict.word == "held, but not surely"
    assert "a seal-loss at 9.00 s, with the throttle up, does not count in it" in verdict.headline
    reduction.series.throttle_us[reduction.series.t_s >= 8.0] = 1000.0
    assert judge(reduction).word == "held"


def test_fans_that_run_down_at_a_low_throttle_do_not_make_it_one_to_hold_at() -> None:
    reduction = invented_reduction(fold_at_s=None, seconds=14.0)
    series = reduction.series
    series.throttle_us[series.t_s >= 8.0] = 1200.0
    _without_suction(reduction, 9.5, 99.0)  # 1.5 s from 1700 us down
    assert judge(reduction).word == "held"


def test_without_a_throttle_letting_go_may_be_fans_that_were_shut_off() -> None:
    said = "fans that were shut off look the same"
    assert said in judge(invented_reduction(fold_at_s=None, throttle=False)).headline
    assert said not in judge(invented_reduction()).headline

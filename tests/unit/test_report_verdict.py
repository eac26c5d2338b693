"""The verdict in words, against runs whose answer is known."""

from __future__ import annotations

import dataclasses
import re
from typing import Any

import numpy as np
import pytest

from fakes.reductions import invented_car, invented_event, invented_reduction, with_parts
from undertray.reduce.steady import work_rows
from undertray.reduce.summary import Estimate, Steady
from undertray.report import verdict as report_verdict
from undertray.report.display import SI, US, Display, moment_text


def judge(reduction: Any, *units: Display) -> report_verdict.Verdict:
    """The verdict on a run as its rows stand now."""
    return report_verdict.judge(with_parts(reduction), *units)


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
    assert re.fullmatch(r"The (front|rear) let go at 8\.0\d s, and stayed off\.", verdict.headline)
    assert (
        verdict.least
        == f"Least margin {SI.n(verdict.least_margin_n, signed=True)} (±{SI.n(verdict.least_u95_n)}), "
        + (f"{verdict.axle}, at {verdict.at_s:.2f} s.")
    )
    assert any("3.00 s below its need within events named seal-loss" in reason for reason in verdict.reasons)


def test_a_fold_in_a_log_of_which_much_is_missing_says_so() -> None:
    folded = invented_reduction(fold_at_s=8.0)
    plain = judge(folded).headline
    assert judge(with_parts(folded, lost_rows=folded.rows // 50)).headline == plain
    folded = with_parts(folded, lost_rows=folded.rows)
    said = " But 50% of the rows were lost: it may have been off more often, and by more."
    assert judge(folded).headline == plain + said


def test_time_below_outside_every_event_is_told() -> None:
    verdict = judge(invented_reduction(fold_at_s=8.0, events=()))
    assert any("outside every named event" in reason for reason in verdict.reasons)


def test_too_little_suction_never_holds() -> None:
    verdict = judge(invented_reduction(fold_at_s=None, suction_pa=400.0))
    assert verdict.word == "never held"
    assert verdict.least_margin_n is not None
    assert verdict.least_margin_n < 0
    assert re.fullmatch(r"It never held: its best margin was −[\d.]+ N, .* at [\d.]+ s\.", verdict.headline)


def test_a_margin_within_its_uncertainty_is_no_clean_hold() -> None:
    for changes in ({"calibrated": False}, {"suction_pa": 680.0}):
        verdict = judge(invented_reduction(fold_at_s=None, **changes))
        assert verdict.word == "held, but not surely", changes
        assert not verdict.good


def test_a_hold_with_a_caveat_is_no_sure_one() -> None:
    verdict = judge(invented_reduction(fold_at_s=None, caveats=("the log was cut off",)))
    assert (verdict.word, verdict.good) == ("held, but not surely", False)
    assert verdict.headline == "It held, but the log was cut off."


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
    assert (verdict.word, verdict.below_s) == ("held, but not surely", 0.0)
    assert "for 1.00 s of the time that counts no suction was measured" in verdict.headline
    assert verdict.held_s == pytest.approx(7.9, abs=0.1)


def test_on_a_wall_sliding_can_decide() -> None:
    reduction = invented_reduction(fold_at_s=None)
    required_n = float(np.nanmax(reduction.series.downforce_n)) + 5.0
    hold = dataclasses.replace(reduction.hold, required_n=required_n, stay_n=required_n - 1.0)
    verdict = judge(with_parts(reduction, hold=hold))
    assert (verdict.word, verdict.axle) == ("never held", "whole car")


def test_friction_that_is_badly_known_leaves_a_hold_on_a_wall_unsure() -> None:
    reduction = invented_reduction(fold_at_s=None)
    axles_n = sum(axle.required_n for axle in reduction.axles.values())
    sure = judge(reduction)
    assert (sure.word, sure.axle != "whole car") == ("held", True)
    # the whole car has some 35 N more than it needs: 4 N of doubt leave it sure, 60 N do not
    for within_n, word, end in (
        (4.0, "held", "that count."),
        (60.0, "held, but not surely", "at the least friction that its tyres may have it slides."),
    ):
        hold = dataclasses.replace(reduction.hold, required_n=axles_n, required_u95_n=within_n)
        verdict = judge(with_parts(reduction, hold=hold))
        assert (verdict.word, verdict.headline.endswith(end)) == (word, True), verdict.headline
    # where the whole car is the nearest to its need, the doubt is in the interval of the least margin
    near_n = float(np.nanmedian(reduction.series.downforce_n)) - 6.0
    hold = dataclasses.replace(reduction.hold, required_n=near_n, stay_n=near_n, required_u95_n=8.0)
    verdict = judge(with_parts(reduction, hold=hold))
    assert (verdict.word, verdict.axle) == ("held, but not surely", "whole car")
    assert verdict.least_u95_n is not None
    assert verdict.least_u95_n > 8.0


def test_words_in_us_units() -> None:
    assert " lbf" in judge(invented_reduction(fold_at_s=None), US).text


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
    for whole_n, own_n, word in ((50.0, 1e-3, "held"), (1e-3, 50.0, "held, but not surely")):
        downforce_n = dataclasses.replace(reduction.downforce_n, u95=whole_n)
        axles = {**reduction.axles, axle: dataclasses.replace(reduction.axles[axle], u95_n=own_n)}
        assert judge(with_parts(reduction, downforce_n=downforce_n, axles=axles)).word == word


def test_the_larger_of_working_and_whole_counts() -> None:
    reduction = invented_reduction(fold_at_s=None)
    one = Estimate(50.0, 40.0)
    reduction = with_parts(reduction, steady=Steady(1700.0, 8.0, one, one, one, one, one, one, one))
    assert judge(reduction).word == "held, but not surely"
    assert "±40" in judge(reduction).least


def test_fans_that_were_never_up_tell_nothing_about_holding() -> None:
    reduction = invented_reduction(fold_at_s=None)
    reduction.series.throttle_us[:] = 1000.0
    verdict = judge(reduction)
    assert verdict.word == "cannot be told"
    assert "the throttle was never up" in verdict.headline
    # a throttle that is up from the first row to the last is judged like any other
    reduction.series.throttle_us[:] = 1700.0
    assert judge(reduction).held_s > 8


def _dipping(short_n: float, **changes: Any) -> Any:
    """A firm hold whose front axle, from 6 s for 0.06 s, has this much less than it needs."""
    reduction = invented_reduction(fold_at_s=None, **changes)
    rows = (reduction.series.t_s >= 6.0 - 1e-9) & (reduction.series.t_s < 6.06 - 1e-9)
    reduction.series.front_n[rows] = reduction.axles["front"].required_n - short_n
    return reduction


def test_less_than_the_allowance_is_not_called_letting_go() -> None:
    # derived: of the front axle's 19.2 N the allowance is 0.25 / 1.25 = 3.84 N
    verdict = judge(_dipping(2.0))
    assert (verdict.word, verdict.good) == ("used its allowance", False)
    assert (verdict.least_margin_n, verdict.axle) == (pytest.approx(-2.0), "front axle")
    assert verdict.least_stay_n == pytest.approx(1.84, abs=0.01)
    assert (verdict.below_s, verdict.short_s) == (pytest.approx(0.06), 0.0)
    assert "0.06 s in all" in verdict.headline
    assert any("Without the allowance the least was +1.84 N" in said for said in verdict.reasons)


def test_less_than_it_takes_to_stay_on_is_and_both_are_told() -> None:
    verdict = judge(_dipping(6.0))
    assert verdict.word == "let go"
    assert verdict.least_stay_n == pytest.approx(-2.16, abs=0.01)
    assert any("Without the allowance the least was −2.16 N" in said for said in verdict.reasons)
    assert verdict.headline == "The front let go at 6.00 s, and was off for 0.06 s."
    # one number, and it is the margin: with the allowance
    assert verdict.least.startswith("Least margin −6.00 N")


def test_what_is_left_without_the_allowance_is_not_trusted_beyond_its_uncertainty() -> None:
    # 0.84 N are left, and the load is known to 1.2 N
    verdict = judge(_dipping(3.0))
    assert verdict.word == "used its allowance"
    assert "but what was left is smaller than its uncertainty" in verdict.headline
    assert "but the log was cut off" in judge(_dipping(2.0, caveats=("the log was cut off",))).headline


def test_without_an_allowance_there_is_no_word_of_one() -> None:
    car = dataclasses.replace(invented_car(), allowance=0.0)
    verdict = judge(invented_reduction(car=car))
    assert verdict.word == "let go"
    assert verdict.least_stay_n == verdict.least_margin_n
    assert "allowance" not in " ".join((verdict.headline, *verdict.reasons))


def test_a_run_that_never_had_its_allowance_is_told_by_its_worst_moment() -> None:
    # 600 Pa hold the weight of the invented car (523 Pa), but not with its allowance (654 Pa)
    verdict = judge(invented_reduction(fold_at_s=None, suction_pa=600.0))
    assert verdict.word == "never had its allowance"
    assert "its best margin was −" in verdict.headline
    assert verdict.below_s == verdict.held_s > 8
    fallen = judge(invented_reduction(fold_at_s=8.0, suction_pa=600.0))
    assert fallen.word == "let go"
    assert "It never had its allowance" in fallen.headline
    assert fallen.least_margin_n is not None
    assert verdict.least_margin_n is not None
    assert fallen.least_margin_n < verdict.least_margin_n - 5


def test_a_run_that_never_held_ranks_by_its_worst_moment_too() -> None:
    whole = judge(invented_reduction(fold_at_s=None, suction_pa=400.0))
    fallen = judge(invented_reduction(fold_at_s=8.0, suction_pa=400.0))
    assert (whole.word, fallen.word) == ("never held", "never held")
    assert whole.least_margin_n is not None
    assert fallen.least_margin_n is not None
    assert fallen.least_margin_n < whole.least_margin_n - 5
    assert fallen.at_s is not None
    assert 8.0 <= fallen.at_s < 11.0
    assert fallen.below_s == fallen.held_s > 7


def _nothing_needed(**given: Any) -> Any:
    reduction = invented_reduction(fold_at_s=None, **given)
    none = {"required_n": 0.0, "stay_n": 0.0}
    axles = {name: dataclasses.replace(axle, **none) for name, axle in reduction.axles.items()}
    return with_parts(reduction, axles=axles, hold=dataclasses.replace(reduction.hold, **none))


def test_where_nothing_is_needed_noise_is_no_loss() -> None:
    assert judge(_nothing_needed(suction_pa=0.0)).below_s == 0


def test_where_nothing_is_needed_it_says_so() -> None:
    assert "nothing was asked of the suction" in judge(_nothing_needed()).headline
    assert "nothing was asked" not in judge(invented_reduction(fold_at_s=None)).headline


def test_it_says_how_long_before_the_first_sign_was_and_whether_it_came_back() -> None:
    reduction = invented_reduction()
    # from 7.5 s on the front flutters at 25 Hz, by a tenth
    rows = (reduction.series.t_s >= 7.5) & (reduction.series.t_s < 8.0)
    flutter = 1 + 0.1 * np.sin(2 * np.pi * 25 * reduction.series.t_s[rows])
    reduction.series.tap_suction_pa[rows, :2] *= flutter[:, None]
    said = judge(reduction).headline
    found = re.fullmatch(
        r"The \w+ let go at 8\.0\d s, ([\d.]+) s after the first flutter, and stayed off\.", said
    )
    assert found is not None, said
    # seen in windows of a tenth of a second, told to a tenth
    assert float(found[1]) == pytest.approx(0.5, abs=0.11)
    bare = judge(invented_reduction(events=(invented_event(warning_s=None),))).headline
    assert "without warning" in bare
    leak = judge(invented_reduction(events=(invented_event(kind="slow-leak", onset_s=6.0),))).headline
    assert "2.0 s after the leak began" in leak


def test_several_times_off_are_counted_and_a_flicker_is_none() -> None:
    reduction = _dipping(6.0)
    t_s = reduction.series.t_s
    for at_s in (7.0, 7.1):  # back for less than 0.2 s: one time
        rows = (t_s >= at_s - 1e-9) & (t_s < at_s + 0.05 - 1e-9)
        reduction.series.front_n[rows] = 0.0
    assert judge(reduction).headline == "The front let go at 6.00 s, the first of 2 times, 0.16 s in all."


def test_a_late_moment_is_told_in_minutes_too() -> None:
    assert moment_text(99.994) == "99.99 s"
    assert moment_text(725.34) == "725.34 s (12:05)"
    assert moment_text(3725.3, 1) == "3725.3 s (1:02:05)"

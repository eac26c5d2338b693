"""Comparing groups of runs: what is claimed, what is not, and how it is said."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

import numpy as np
import pytest
from scipy.signal import lfilter

from fakes.reductions import invented_event, invented_reduction
from undertray.errors import ReductionError
from undertray.report.compare import compare
from undertray.report.comparepicture import comparison_picture
from undertray.report.comparewords import claim_words, comparison_words, holding_words, text_table
from undertray.report.digest import Digest, digest, fact_of, throttle_levels
from undertray.report.display import US

MARKUP = "<script>alert(1)</script>\x1b[31m\n$x$"


def _noise(rng: np.random.Generator, n: int, correlation_s: float) -> Any:
    phi = np.exp(-0.1 / correlation_s)
    return lfilter([np.sqrt(1 - phi**2)], [1.0, -phi], rng.normal(size=n + 400))[400:]


def _minute(
    rng: np.random.Generator, run: str, value: str, factor: float = 1.0, correlation_s: float = 1.0
) -> Digest:
    """Steady blocks of a 60 s run: 2 % of slow noise, 0.3 % of white noise, a trembling throttle."""
    n = 560
    common = 1 + 0.02 * _noise(rng, n, correlation_s) + 0.003 * rng.normal(size=n)
    axles = [26.0 * factor * (common + 0.007 * _noise(rng, n, correlation_s)) for _ in range(2)]
    return Digest(
        run=run,
        value=value,
        started=run,
        calibrated=True,
        throttle_us=1700.0 + rng.integers(-2, 3, n),
        idle_us=1000.0,
        quantities={"suction_pa": 1500.0 * factor * common, "front_n": axles[0], "rear_n": axles[1]},
        required_n={"front": 19.0, "rear": 17.0},
        losses=int(rng.poisson(0.5)),
        dips=0,
        warnable=0,
        up_s=57.0,
        warnings_s=(),
        verdict="held",
        least_margin_n=3.0 * factor,
    )


def _claims(found: Any, what: str) -> list[Any]:
    return [c for c in found.claims if c.what == what]


@pytest.mark.parametrize("correlation_s", [0.05, 0.5, 2.0])
def test_of_equal_pairs_at_most_5_percent_are_claimed_to_differ(correlation_s: float) -> None:
    rng = np.random.default_rng(1)
    wrong = 0
    for _ in range(400):
        pair = [_minute(rng, str(i), v, correlation_s=correlation_s) for i, v in enumerate("AB")]
        wrong += any(claim.more_than_noise for claim in compare(pair, "skirt").claims)
    assert wrong / 400 <= 0.05


@pytest.mark.parametrize("correlation_s", [0.05, 0.5, 2.0])
def test_of_pairs_5_percent_apart_at_least_90_percent_are_found(correlation_s: float) -> None:
    rng = np.random.default_rng(2)
    found = 0
    for _ in range(200):
        pair = [_minute(rng, "a", "A", 1.0, correlation_s), _minute(rng, "b", "B", 1.05, correlation_s)]
        found += _claims(compare(pair, "skirt"), "suction_pa")[0].more_than_noise
    assert found / 200 >= 0.90


def test_several_runs_a_group_count_as_runs_not_as_blocks() -> None:
    # each run has an offset of 2 % of its own: two groups of three do not differ, however long the runs
    rng = np.random.default_rng(3)
    wrong = 0
    for _ in range(200):
        runs = [_minute(rng, f"{v}{i}", v, 1 + 0.02 * rng.normal()) for v in "AB" for i in range(3)]
        wrong += any(claim.more_than_noise for claim in compare(runs, "skirt").claims)
    assert wrong / 200 <= 0.05


def test_difference_interval_and_words_of_a_true_difference() -> None:
    rng = np.random.default_rng(4)
    found = compare([_minute(rng, "a", "brush"), _minute(rng, "b", "foam", 1.05)], "skirt")
    claim = _claims(found, "suction_pa")[0]
    assert claim.share.low < claim.share.value < claim.share.high
    assert claim.difference.value == pytest.approx(75.0, abs=25.0)  # 5 % of 1500 Pa, noise of 0.5 % a run
    assert found.groups[0].seal_index.value == pytest.approx(1.0)
    assert found.groups[1].seal_index.value == pytest.approx(1.05, abs=0.02)
    assert "foam: suction +" in claim_words(claim)
    assert "more than noise" in claim_words(claim)
    assert any("one run each" in notice for notice in found.notices)


def test_the_interval_holds_the_true_difference_in_19_of_20_cases() -> None:
    rng = np.random.default_rng(17)
    inside = 0
    for _ in range(300):
        pair = [_minute(rng, "a", "A", 1.0, 0.3), _minute(rng, "b", "B", 1.05, 0.3)]
        share = _claims(compare(pair, "skirt"), "suction_pa")[0].share
        inside += share.low <= 0.05 <= share.high
    # 300 tries know 95 % to 1.3 %
    assert inside / 300 >= 0.92


def test_the_reference_can_be_chosen() -> None:
    rng = np.random.default_rng(5)
    runs = [_minute(rng, "a", "A"), _minute(rng, "b", "B", 0.9), _minute(rng, "c", "C", 1.1)]
    found = compare(runs, "gap", against="B")
    assert [g.value for g in found.groups] == ["B", "A", "C"]
    assert {c.against for c in found.claims} == {"B"}
    with pytest.raises(ReductionError, match="no such group"):
        compare(runs, "gap", against="D")


def test_one_group_is_nothing_to_compare() -> None:
    rng = np.random.default_rng(6)
    with pytest.raises(ReductionError, match="nothing to compare"):
        compare([_minute(rng, "a", "A"), _minute(rng, "b", "A")], "skirt")


def test_only_the_same_throttle_is_compared() -> None:
    rng = np.random.default_rng(7)
    runs = [_minute(rng, "a", "A"), _minute(rng, "b", "B")]
    for place, one in enumerate(runs):
        # half of each run at a throttle of its own, with half of the suction
        one.throttle_us[280:] = 1400.0 + 60 * place
        for values in one.quantities.values():
            values[280:] *= 0.5 + 0.2 * place
    found = compare(runs, "skirt")
    assert found.throttle_us == pytest.approx((1700.0,))
    assert not _claims(found, "suction_pa")[0].more_than_noise


def test_a_few_microseconds_of_throttle_are_no_difference_of_skirts() -> None:
    rng = np.random.default_rng(8)
    wrong = 0
    for _ in range(50):
        # the second run stands 4 us higher: by the fan laws 1.1 % more suction
        one, two = _minute(rng, "a", "A", 1.0, 0.05), _minute(rng, "b", "B", (704 / 700) ** 2, 0.05)
        two.throttle_us[:] += 4.0
        wrong += any(c.more_than_noise for c in compare([one, two], "skirt").claims)
    assert wrong <= 5


def test_no_common_throttle_leaves_suction_uncompared_and_says_so() -> None:
    rng = np.random.default_rng(9)
    one, two = _minute(rng, "a", "A"), _minute(rng, "b", "B")
    two.throttle_us[:] -= 300.0
    found = compare([one, two], "skirt")
    assert _claims(found, "suction_pa") == []
    assert found.groups[0].suction_pa.value is None
    assert any("no throttle at which every group was steady" in n for n in found.notices)
    json.dumps(found.as_dict(), allow_nan=False)


def test_without_any_throttle_it_compares_and_says_what_that_is_worth() -> None:
    rng = np.random.default_rng(10)
    runs = [_minute(rng, "a", "A"), _minute(rng, "b", "B", 1.05)]
    for one in runs:
        one.throttle_us[:] = np.nan
    found = compare(runs, "skirt")
    assert _claims(found, "suction_pa")[0].more_than_noise
    assert any("no throttle was logged" in n for n in found.notices)


def test_losses_and_warnings_are_compared() -> None:
    runs = []
    for value, count in (("A", 1), ("B", 14)):
        events = tuple(
            invented_event(onset_s=3.0 + 0.1 * i, end_s=3.05 + 0.1 * i, warning_s=0.4 + 0.01 * i)
            for i in range(count)
        )
        reduction = invented_reduction(seconds=30.0, fold_at_s=None, events=events)
        runs.append(digest(reduction, {"skirt": value, "started_utc": value}, "skirt"))
    found = compare(runs, "skirt")
    rate = _claims(found, "losses_per_min")[0]
    assert rate.more_than_noise
    # derived: the invented throttle is up for 27 of 30 s
    assert found.groups[1].losses_per_min.value == pytest.approx(14 / (27 / 60), rel=0.01)
    assert found.groups[1].warned == 14
    assert not _claims(found, "warning_s")[0].more_than_noise


def test_a_worn_skirt_shows_as_a_trend() -> None:
    rng = np.random.default_rng(11)
    worn = [_minute(rng, f"w{i}", "worn", 1 - 0.02 * i, 0.1) for i in range(7)]
    fresh = [_minute(rng, f"x{i}", "fresh", 1.0, 0.1) for i in range(7)]
    found = compare([*worn, *fresh], "skirt")
    trends = {c.value: c for c in _claims(found, "trend")}
    assert trends["worn"].more_than_noise
    assert trends["worn"].difference.value == pytest.approx(-0.0213, abs=0.003)  # 2 % of the mean of 0.94
    assert not trends["fresh"].more_than_noise
    assert "falls by" in claim_words(trends["worn"])


def test_runs_stay_in_order_of_recording() -> None:
    rng = np.random.default_rng(12)
    runs = [_minute(rng, f"{i}", "AB"[i % 2]) for i in range(6)]
    assert [run for run, _, _ in compare(runs, "skirt").runs] == ["0", "1", "2", "3", "4", "5"]


def test_levels_are_narrow_and_apart() -> None:
    rng = np.random.default_rng(13)
    one = _minute(rng, "a", "A")
    one.throttle_us[:] = np.linspace(1400, 1500, len(one.throttle_us))
    one.throttle_us[:50] = 1700.0
    one.throttle_us[50:60] = np.nan
    levels = throttle_levels([one])
    assert all(high - low <= 20.0 for low, high in levels)
    assert levels[-1] == (1700.0, 1700.0)
    assert throttle_levels([]) == []


def test_facts_are_found_and_missing_ones_are_told() -> None:
    facts = {"skirt": "brush", "notes": {"gap": 0.5, "pack": " 2S ", "bad": True, "deep": {"x": 1}}}
    assert [fact_of(facts, by) for by in ("skirt", "gap", "pack", "bad", "deep", "tyre")] == [
        *("brush", "0.5", "2S", None, None, None),
    ]
    assert fact_of({"notes": "text"}, "gap") is None
    with pytest.raises(ReductionError, match="does not say its 'tyre'") as caught:
        digest(invented_reduction(), facts, "tyre")
    assert "gap" in str(caught.value)


def test_the_words_say_what_the_intervals_do_not_have_in_them() -> None:
    rng = np.random.default_rng(15)
    runs = [_minute(rng, "a", "A"), _minute(rng, "b", "B", 1.05)]
    said = " ".join(comparison_words(compare(runs, "skirt")))
    assert "of the scatter alone: what all runs share (calibration" in said


def test_markup_and_escapes_in_names_reach_neither_terminal_nor_picture() -> None:
    rng = np.random.default_rng(14)
    runs = [_minute(rng, MARKUP, MARKUP), _minute(rng, "b", "B", 1.05)]
    found = compare(runs, MARKUP)
    text = "\n".join(comparison_words(found))
    assert "\x1b" not in text
    assert "script>alert(1)</script>\n" not in text
    picture = comparison_picture(found)
    assert "<script" not in picture.svg
    assert "<script" not in picture.inline()


def test_json_is_plain_and_complete() -> None:
    rng = np.random.default_rng(15)
    found = compare([_minute(rng, "a", "A"), _minute(rng, "b", "B")], "skirt")
    data = json.loads(json.dumps(found.as_dict(), allow_nan=False))
    assert data["format"] == 1
    assert [g["value"] for g in data["groups"]] == ["A", "B"]
    assert {
        "value",
        "against",
        "what",
        "difference",
        "share",
        "p_value",
        "p_adjusted",
        "more_than_noise",
        "runs",
        "least_p",
        "too_few",
    } == set(data["claims"][0])
    again = compare([_minute(np.random.default_rng(15), "a", "A"), _minute(rng, "b", "B")], "skirt")
    assert again.as_dict()["groups"][0]["value"] == "A"


def test_picture_and_words_in_us_units_are_the_same_twice() -> None:
    rng = np.random.default_rng(16)
    found = compare([_minute(rng, "a", "A"), _minute(rng, "b", "B")], "skirt")
    picture = comparison_picture(found, US)
    assert picture.svg == comparison_picture(found, US).svg
    assert "inH₂O" in picture.csv()
    assert " Pa" not in "\n".join(comparison_words(found, US))


def test_how_often_each_group_held() -> None:
    rng = np.random.default_rng(17)
    runs = [_minute(rng, "a", "A"), _minute(rng, "b", "A"), _minute(rng, "c", "B", 0.9)]
    runs[1] = dataclasses.replace(runs[1], verdict="held, but not surely", least_margin_n=0.4)
    runs[2] = dataclasses.replace(runs[2], verdict="let go", least_margin_n=-7.25)
    found = compare(runs, "skirt")
    assert [(g.held, g.let_go, g.least_margin_n) for g in found.groups] == [(1, 0, 0.4), (0, 1, -7.25)]
    assert holding_words(found.groups[0]) == "A: held for sure in 1 of 2 runs; least margin +0.40 N"
    assert holding_words(found.groups[1]).startswith(
        "B: held for sure in 0 of 1 run, did not hold in 1; least"
    )


def test_allowance_used_and_not_held_are_counted_apart() -> None:
    rng = np.random.default_rng(18)
    runs = [_minute(rng, "a", "A"), _minute(rng, "b", "A"), _minute(rng, "c", "A"), _minute(rng, "d", "B")]
    runs[0] = dataclasses.replace(runs[0], verdict="used its allowance")
    runs[1] = dataclasses.replace(runs[1], verdict="never had its allowance")
    runs[2] = dataclasses.replace(runs[2], verdict="never held")
    group = compare(runs, "skirt").groups[0]
    assert (group.held, group.spent, group.let_go) == (0, 2, 1)
    assert "in 0 of 3 runs, not with all of its allowance in 2, did not hold in 1;" in holding_words(group)


def test_interval_and_p_value_of_a_question_say_the_same_whatever_else_is_asked() -> None:
    rng = np.random.default_rng(19)
    seen = set()
    for step in range(40):
        sizes = (1 + step % 3, 1 + step // 3 % 3)
        runs = [
            _minute(rng, f"{v}{i}", v, 1.0 + 0.01 * rng.normal() + 0.03 * (v == "B"))
            for v, size in zip("AB", sizes, strict=True)
            for i in range(size)
        ]
        few = compare(runs, "skirt")
        more = compare([*runs, _minute(rng, "c", "C", 0.8)], "skirt")
        for claim in few.claims:
            if claim.difference.low is None:
                continue
            apart = claim.difference.low > 0 or claim.difference.high < 0
            assert apart == (claim.p_value < 0.05)
            assert claim.more_than_noise == (claim.p_adjusted < 0.05)
            assert not (claim.more_than_noise and claim.too_few)
            seen.add((apart, claim.more_than_noise))
            if claim.what == "suction_pa":
                same = next(c for c in more.claims if c.what == "suction_pa" and c.value == "B")
                # shares are of the mean of all groups, so a third one moves the numbers by a hair
                assert same.p_value == pytest.approx(claim.p_value, rel=0.05)
                assert same.difference.low == pytest.approx(claim.difference.low, abs=2.0)
                assert same.p_adjusted >= same.p_value
    assert seen == {(False, False), (True, True), (True, False)}


def test_too_few_runs_is_not_called_noise() -> None:
    rng = np.random.default_rng(20)
    runs = [_minute(rng, "a", "A", 1.0), _minute(rng, "b", "A", 1.004), _minute(rng, "c", "B", 1.03)]
    claim = _claims(compare(runs, "skirt"), "suction_pa")[0]
    assert not claim.more_than_noise
    assert claim.too_few
    assert "too few runs to tell" in claim_words(claim)
    assert "one run of B" in claim_words(claim)
    # many runs that do not differ are another thing
    many = [_minute(rng, f"{v}{i}", v, 1 + 0.02 * rng.normal()) for v in "AB" for i in range(5)]
    claim = _claims(compare(many, "skirt"), "suction_pa")[0]
    assert "not more than noise (p " in claim_words(claim)
    assert "one run" not in claim_words(claim)


def test_a_count_that_could_not_have_told_is_too_few() -> None:
    # derived: two losses in all, as long in either group, have p = 0.5 at the very least
    rng = np.random.default_rng(21)
    runs = [
        dataclasses.replace(_minute(rng, v, v), losses=losses) for v, losses in zip("AB", (2, 0), strict=True)
    ]
    claim = _claims(compare(runs, "skirt"), "losses_per_min")[0]
    assert (claim.least_p, claim.too_few) == (pytest.approx(0.5), True)


def test_the_sign_has_the_right_word_and_the_single_run_stands_beside_it() -> None:
    rng = np.random.default_rng(22)
    runs = [
        dataclasses.replace(_minute(rng, "a", "A"), losses=1, warnable=1, warnings_s=(1.5,)),
        dataclasses.replace(_minute(rng, "b", "B"), losses=0, warnings_s=(0.75,)),
    ]
    found = compare(runs, "skirt")
    said = {claim.what: claim_words(claim) for claim in found.claims}
    assert "B: warning 0.750 s shorter than A" in said["warning_s"]
    assert "losses of the seal a minute fewer than A" in said["losses_per_min"]
    assert all("one run each" in words for words in said.values())
    back = {c.what: claim_words(c) for c in compare(runs, "skirt", against="B").claims}
    assert "A: warning 0.750 s longer than B" in back["warning_s"]
    assert "a minute more than B" in back["losses_per_min"]


def test_what_the_words_mean_is_said_once() -> None:
    rng = np.random.default_rng(23)
    runs = [_minute(rng, "a", "A"), _minute(rng, "b", "B"), _minute(rng, "c", "B")]
    text = "\n".join(comparison_words(compare(runs, "skirt")))
    assert text.count("95 %") == 1
    assert "questions asked together" in text
    assert "held for sure: always what it needs" in text


@pytest.mark.parametrize(("bare", "words"), [(0, None), (1, "1 of 2 runs are"), (2, "all runs are")])
def test_how_many_runs_are_uncalibrated(bare: int, words: str | None) -> None:
    rng = np.random.default_rng(24)
    runs = [dataclasses.replace(_minute(rng, v, v), calibrated=i >= bare) for i, v in enumerate("AB")]
    notices = [n for n in compare(runs, "skirt").notices if "uncalibrated" in n]
    assert notices == ([] if words is None else [f"{words} uncalibrated"])


def test_the_warning_of_a_group_is_told_only_where_there_can_be_one() -> None:
    rng = np.random.default_rng(25)
    shown = []
    for changes in (
        {"losses": 0},
        {"losses": 2, "warnable": 0},
        {"losses": 2, "warnable": 1},
        {"losses": 2, "warnable": 2, "warnings_s": (0.5,)},
    ):
        runs = [dataclasses.replace(_minute(rng, "a", "A"), **changes), _minute(rng, "b", "B")]
        lines = list(comparison_words(compare(runs, "skirt")))
        shown.append(lines[3].split("  ")[-1].strip())
    assert shown == ["no loss", "undefined", "none of 1", "0.50 s (1 of 2)"]


def test_tables_line_up() -> None:
    lines = list(text_table(("name", "n"), [("a", "1"), ("long name", "100")]))
    assert lines == ["name         n", "a            1", "long name  100"]


def test_a_value_has_no_more_decimals_than_its_uncertainty() -> None:
    from undertray.report.comparewords import _estimate
    from undertray.report.comparison import Estimate

    shown = [
        _estimate(Estimate(value, value - half, value + half), 1.0, "N")
        for value, half in ((9.2474, 0.986), (942.04, 33.2), (0.91703, 0.00581))
    ]
    assert shown == ["9.25 ±0.99 N", "942 ±33 N", "0.9170 ±0.0058 N"]
    assert _estimate(Estimate(9.2474, None, None), 1.0, "N") == "9.247 N"

"""Comparing groups of runs: what is claimed, what is not, and how it is said."""

from __future__ import annotations

import dataclasses
import json
import re
import warnings
from typing import Any

import numpy as np
import pytest

from fakes.digests import minute
from fakes.reductions import invented_event, invented_reduction
from undertray.errors import ReductionError
from undertray.report.comparedrun import Digest, digest, fact_of, throttle_levels
from undertray.report.comparewords import (
    answer_words,
    claim_words,
    comparison_picture,
    comparison_words,
    estimate_words,
    holding_words,
    least_width,
    plan_words,
    text_table,
)
from undertray.report.comparison import compare
from undertray.report.display import US
from undertray.report.mountings import Scatter, needed

MARKUP = "<script>alert(1)</script>\x1b[31m\n$x$"


def _groups(rng: np.random.Generator, factor: float, each: int = 4, scatter: float = 0.005) -> list[Digest]:
    """By turns, each run on a mounting of its own."""
    return [
        minute(
            rng, f"{i}{value}", value, (factor if value == "B" else 1.0) * (1 + scatter * rng.normal()), 0.3
        )
        for i in range(each)
        for value in ("AB" if i % 2 == 0 else "BA")
    ]


def _claims(found: Any, what: str) -> list[Any]:
    return [c for c in found.claims if c.what == what]


def test_one_mounting_each_is_no_claim_however_far_apart_and_however_many_runs() -> None:
    rng = np.random.default_rng(1)
    runs = [minute(rng, f"{v}{i}", v, f, 0.1, "1") for v, f in (("A", 1.0), ("B", 0.8)) for i in range(5)]
    found = compare(runs, "skirt")
    assert {c.what for c in found.claims} >= {"suction_pa", "front_margin_n", "rear_margin_n"}
    assert not any(c.more_than_noise for c in found.claims if c.what != "trend")
    claim = _claims(found, "suction_pa")[0]
    assert (claim.difference.low, claim.mountings, claim.runs, claim.too_few) == (None, (1, 1), (5, 5), True)
    assert "one mounting each: no claim" in claim_words(claim)
    assert claim.share.value == pytest.approx(-0.2, abs=0.02)
    # 20 % is ten times the scatter that is assumed: three of each would tell
    assert [plan.ways[0] for plan in found.plans] == [(1, 3)]
    # more runs of each mounting do not save one: only what does is told
    assert {n for _, n in found.plans[0].ways} == {3}
    assert "takes mountings of each: 3 (2% from" in plan_words(found.plans[0])
    assert "assumed: none was seen" in plan_words(found.plans[0])


def test_runs_that_do_not_say_their_mounting_are_one() -> None:
    rng = np.random.default_rng(2)
    runs = [dataclasses.replace(one, mounting=None) for one in _groups(rng, 0.8)]
    found = compare(runs, "skirt")
    assert [g.mountings for g in found.groups] == [1, 1]
    assert not any(c.more_than_noise for c in found.claims)
    assert any("no mounting is noted in" in n for n in found.notices)


@pytest.mark.statistics
def test_several_runs_a_group_count_as_runs_not_as_blocks() -> None:
    # each run has an offset of 2 % of its own: two groups of three do not differ, however long the runs
    rng = np.random.default_rng(3)
    wrong = 0
    for _ in range(200):
        runs = [minute(rng, f"{v}{i}", v, 1 + 0.02 * rng.normal()) for v in "AB" for i in range(3)]
        wrong += any(claim.more_than_noise for claim in compare(runs, "skirt").claims)
    assert wrong / 200 <= 0.05


def test_difference_interval_and_words_of_a_true_difference() -> None:
    rng = np.random.default_rng(4)
    found = compare(_groups(rng, 1.05), "skirt")
    claim = _claims(found, "suction_pa")[0]
    assert claim.share.low < claim.share.value < claim.share.high
    # 5 % of 1500 Pa; mountings scatter 0.5 %, the noise of a run adds 0.2 %
    assert claim.difference.value == pytest.approx(75.0, abs=25.0)
    assert found.groups[0].seal_index.value == pytest.approx(1.0)
    assert found.groups[1].seal_index.value == pytest.approx(1.05, abs=0.02)
    assert "B: suction +" in claim_words(claim)
    assert "more than noise (p" in claim_words(claim)


@pytest.mark.statistics
def test_the_interval_holds_the_true_difference_in_19_of_20_cases() -> None:
    rng = np.random.default_rng(17)
    inside = 0
    for _ in range(300):
        share = _claims(compare(_groups(rng, 1.05, 3, 0.02), "skirt"), "suction_pa")[0].share
        inside += share.low <= 0.05 <= share.high
    # 300 tries know 95 % to 1.3 %
    assert inside / 300 >= 0.92


def test_the_reference_can_be_chosen() -> None:
    rng = np.random.default_rng(5)
    runs = [minute(rng, "a", "A"), minute(rng, "b", "B", 0.9), minute(rng, "c", "C", 1.1)]
    found = compare(runs, "gap", against="B")
    assert [g.value for g in found.groups] == ["B", "A", "C"]
    assert {c.against for c in found.claims} == {"B"}
    with pytest.raises(ReductionError, match="no such group"):
        compare(runs, "gap", against="D")


def test_one_group_is_nothing_to_compare() -> None:
    rng = np.random.default_rng(6)
    with pytest.raises(ReductionError, match="nothing to compare"):
        compare([minute(rng, "a", "A"), minute(rng, "b", "A")], "skirt")


def test_only_the_same_throttle_is_compared() -> None:
    rng = np.random.default_rng(7)
    runs = [minute(rng, "a", "A"), minute(rng, "b", "B")]
    for place, one in enumerate(runs):
        # half of each run at a throttle of its own, with half of the suction
        one.throttle_us[280:] = 1400.0 + 60 * place
        for values in one.quantities.values():
            values[280:] *= 0.5 + 0.2 * place
    found = compare(runs, "skirt")
    assert found.throttle_us == pytest.approx((1700.0,))
    assert not _claims(found, "suction_pa")[0].more_than_noise


@pytest.mark.statistics
def test_a_few_microseconds_of_throttle_are_no_difference_of_skirts() -> None:
    rng = np.random.default_rng(8)
    wrong = 0
    for _ in range(50):
        # the second run stands 4 us higher: by the fan laws 1.1 % more suction
        runs = _groups(rng, (704 / 700) ** 2, 3, 0.003)
        for one in runs:
            one.throttle_us[:] += 4.0 * (one.value == "B")
        wrong += any(c.more_than_noise for c in compare(runs, "skirt").claims)
    assert wrong <= 5


def test_no_common_throttle_leaves_suction_uncompared_and_says_so() -> None:
    rng = np.random.default_rng(9)
    one, two = minute(rng, "a", "A"), minute(rng, "b", "B")
    two.throttle_us[:] -= 300.0
    found = compare([one, two], "skirt")
    assert _claims(found, "suction_pa") == []
    assert found.groups[0].suction_pa.value is None
    assert any("no throttle at which every group was steady" in n for n in found.notices)
    json.dumps(found.as_dict(), allow_nan=False)


def test_without_any_throttle_it_compares_and_says_what_that_is_worth() -> None:
    rng = np.random.default_rng(10)
    runs = _groups(rng, 1.05)
    for one in runs:
        one.throttle_us[:] = np.nan
    found = compare(runs, "skirt")
    assert _claims(found, "suction_pa")[0].more_than_noise
    assert any("no throttle was logged" in n for n in found.notices)


def test_losses_and_warnings_are_compared() -> None:
    runs = []
    for value, count in (("A", 1), ("B", 14)) * 5:
        events = tuple(
            invented_event(onset_s=3.0 + 0.1 * i, end_s=3.05 + 0.1 * i, warning_s=0.4 + 0.01 * i)
            for i in range(count)
        )
        reduction = invented_reduction(seconds=30.0, fold_at_s=None, events=events)
        facts = {"skirt": value, "mounting": len(runs), "started_utc": str(len(runs))}
        runs.append(digest(reduction, facts, "skirt"))
    found = compare(runs, "skirt")
    rate = _claims(found, "losses_per_min")[0]
    # derived: of the 252 ways to deal ten mountings out to five and five, two are as far apart
    assert rate.p_value == pytest.approx(2 / 252)
    assert rate.mountings == (5, 5)
    # derived: the invented throttle is up for 27 of 30 s
    assert found.groups[1].losses_per_min.value == pytest.approx(14 / (27 / 60), rel=0.01)
    assert found.groups[1].warned == 70


def test_many_losses_on_one_mounting_are_one_bad_mounting() -> None:
    # a torn strip loses the seal again and again: 40 losses against none, as independent events p = 2e-12
    rng = np.random.default_rng(26)
    runs = [dataclasses.replace(one, losses=0) for one in _groups(rng, 1.0, 4)]
    runs[0] = dataclasses.replace(runs[0], losses=40)
    claim = _claims(compare(runs, "skirt"), "losses_per_min")[0]
    assert claim.p_value > 0.5
    assert not claim.more_than_noise


def test_a_worn_skirt_shows_as_a_trend() -> None:
    rng = np.random.default_rng(11)
    worn = [minute(rng, f"w{i}", "worn", 1 - 0.02 * i, 0.1, "1") for i in range(9)]
    fresh = [minute(rng, f"x{i}", "fresh", 1.0, 0.1, "1") for i in range(9)]
    found = compare([*worn, *fresh], "skirt")
    trends = {c.value: c for c in _claims(found, "trend")}
    assert trends["worn"].more_than_noise
    assert trends["worn"].difference.value == pytest.approx(-0.0217, abs=0.003)  # 2 % of the mean of 0.92
    assert not trends["fresh"].more_than_noise
    assert "falls by" in claim_words(trends["worn"])
    # an emptying pack looks the same: where its voltage is not logged nothing is asked
    blind = [dataclasses.replace(one, pack_mv=np.full(560, np.nan)) for one in [*worn, *fresh]]
    assert _claims(compare(blind, "skirt"), "trend") == []


def test_each_mounting_stands_for_itself_in_a_trend() -> None:
    # the second mounting is 6 % worse: that is no wear from run to run
    rng = np.random.default_rng(27)
    runs = [minute(rng, f"{m}{i}", "A", 1 - 0.06 * m, 0.1, str(m)) for m in range(2) for i in range(4)]
    runs.append(minute(rng, "x", "B"))
    assert not _claims(compare(runs, "skirt"), "trend")[0].more_than_noise


def test_runs_stay_in_order_of_recording() -> None:
    rng = np.random.default_rng(12)
    runs = [minute(rng, f"{i}", "AB"[i % 2]) for i in range(6)]
    assert [run for run, _, _ in compare(runs, "skirt").runs] == ["0", "1", "2", "3", "4", "5"]


def test_levels_are_narrow_and_apart() -> None:
    rng = np.random.default_rng(13)
    one = minute(rng, "a", "A")
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
    runs = [minute(rng, "a", "A"), minute(rng, "b", "B", 1.05)]
    said = " ".join(comparison_words(compare(runs, "skirt")))
    assert "from the scatter of the mountings; none with one. What all runs share (calibration" in said


def test_markup_and_escapes_in_names_reach_neither_terminal_nor_picture() -> None:
    rng = np.random.default_rng(14)
    runs = [minute(rng, MARKUP, MARKUP), minute(rng, "b", "B", 1.05)]
    found = compare(runs, MARKUP)
    text = "\n".join(comparison_words(found))
    assert "\x1b" not in text
    assert "script>alert(1)</script>\n" not in text
    picture = comparison_picture(found)
    assert "<script" not in picture.svg
    assert "<script" not in picture.inline()


def test_json_is_plain_and_complete() -> None:
    rng = np.random.default_rng(15)
    found = compare([minute(rng, "a", "A"), minute(rng, "b", "B")], "skirt")
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
        "mountings",
        "least_p",
        "too_few",
    } == set(data["claims"][0])
    again = compare([minute(np.random.default_rng(15), "a", "A"), minute(rng, "b", "B")], "skirt")
    assert again.as_dict()["groups"][0]["value"] == "A"


def test_picture_and_words_in_us_units_are_the_same_twice() -> None:
    rng = np.random.default_rng(16)
    found = compare([minute(rng, "a", "A"), minute(rng, "b", "B")], "skirt")
    picture = comparison_picture(found, US)
    assert picture.svg == comparison_picture(found, US).svg
    assert "inH₂O" in picture.csv()
    assert " Pa" not in "\n".join(comparison_words(found, US))


def test_how_often_each_group_held() -> None:
    rng = np.random.default_rng(17)
    runs = [minute(rng, "a", "A"), minute(rng, "b", "A"), minute(rng, "c", "B", 0.9)]
    runs[1] = dataclasses.replace(runs[1], verdict="held, but not surely", least_margin_n=0.4)
    runs[2] = dataclasses.replace(runs[2], verdict="let go", least_margin_n=-7.25)
    found = compare(runs, "skirt")
    assert [(g.held, g.let_go, g.least_margin_n) for g in found.groups] == [(1, 0, 0.4), (0, 1, -7.25)]
    assert holding_words(found.groups[0]) == "A: held with certainty in 1 of 2 runs; least margin +0.40 N"
    assert holding_words(found.groups[1]).startswith(
        "B: held with certainty in 0 of 1 run, did not hold in 1; least"
    )


def test_allowance_used_and_not_held_are_counted_apart() -> None:
    rng = np.random.default_rng(18)
    runs = [minute(rng, "a", "A"), minute(rng, "b", "A"), minute(rng, "c", "A"), minute(rng, "d", "B")]
    runs[0] = dataclasses.replace(runs[0], verdict="used its allowance")
    runs[1] = dataclasses.replace(runs[1], verdict="never had its allowance")
    runs[2] = dataclasses.replace(runs[2], verdict="never held")
    group = compare(runs, "skirt").groups[0]
    assert (group.held, group.spent, group.let_go) == (0, 2, 1)
    assert "in 0 of 3 runs, not with all of its allowance in 2, did not hold in 1;" in holding_words(group)


@pytest.mark.statistics
def test_interval_and_p_value_of_a_question_say_the_same_whatever_else_is_asked() -> None:
    rng = np.random.default_rng(19)
    seen = set()
    for step in range(40):
        runs = _groups(rng, 1.0 + 0.004 * (step % 10), 3 + step % 2, 0.01)
        few = compare(runs, "skirt")
        more = compare([*runs, *(minute(rng, f"c{i}", "C", 0.8) for i in range(3))], "skirt")
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
                assert same.p_adjusted >= same.p_value
    assert seen == {(False, False), (True, True), (True, False)}


def test_each_run_says_its_mounting_and_the_picture_joins_no_two() -> None:
    rng = np.random.default_rng(34)
    runs = [
        minute(rng, f"{day}{value}{i}", value, mounting=day)
        for day in "12"
        for value in "AB"
        for i in range(2)
    ]
    found = compare(runs, "skirt")
    assert [one[:2] for one in found.runs] == [(d.run, d.value) for d in runs]
    assert found.run_mountings == (1, 1, 1, 1, 2, 2, 2, 2)
    assert found.as_dict()["run_mountings"] == [1, 1, 1, 1, 2, 2, 2, 2]
    assert "a line joins the runs of one mounting" in comparison_picture(found).caption


def test_too_few_mountings_is_not_called_noise() -> None:
    rng = np.random.default_rng(20)
    runs = _groups(rng, 1.01, 2, 0.004)
    claim = _claims(compare(runs, "skirt"), "suction_pa")[0]
    assert not claim.more_than_noise
    assert "too few mountings to tell" in claim_words(claim)
    only = _claims(compare(runs[:3], "skirt"), "suction_pa")[0]
    assert "one mounting of A: no claim" in claim_words(only)
    # many that do not differ are another thing
    claim = _claims(compare(_groups(rng, 1.0, 5, 0.02), "skirt"), "suction_pa")[0]
    assert "not more than noise (p " in claim_words(claim)


def test_a_count_that_could_not_have_told_is_too_few() -> None:
    # derived: two mountings of each can be dealt out in six ways, two of them as far apart at the very most
    rng = np.random.default_rng(21)
    runs = [dataclasses.replace(one, losses=2 * (one.value == "A")) for one in _groups(rng, 1.0, 2)]
    claim = _claims(compare(runs, "skirt"), "losses_per_min")[0]
    assert (claim.least_p, claim.too_few) == (pytest.approx(1 / 3), True)


def test_the_sign_has_the_right_word_and_the_single_mounting_stands_beside_it() -> None:
    rng = np.random.default_rng(22)
    runs = [
        dataclasses.replace(minute(rng, "a", "A"), losses=1, warnable=1, warnings_s=(1.5,)),
        dataclasses.replace(minute(rng, "b", "B"), losses=0, warnings_s=(0.75,)),
    ]
    found = compare(runs, "skirt")
    said = {claim.what: claim_words(claim) for claim in found.claims}
    assert "B: warning 0.750 s shorter than A" in said["warning_s"]
    assert "losses of the seal a minute fewer than A" in said["losses_per_min"]
    assert all("one mounting each" in words for words in said.values())
    back = {c.what: claim_words(c) for c in compare(runs, "skirt", against="B").claims}
    assert "A: warning 0.750 s longer than B" in back["warning_s"]
    assert "a minute more than B" in back["losses_per_min"]


def test_brief_losses_are_named_as_the_others() -> None:
    runs = _groups(np.random.default_rng(23), 1.0)
    runs = [
        dataclasses.replace(one, losses=1, brief_losses=int(one.value == "A" and i < 2))
        for i, one in enumerate(runs)
    ]
    found = compare(runs, "skirt")
    assert [(group.losses, group.brief_losses) for group in found.groups] == [(4, 1), (4, 0)]
    text = "\n".join(comparison_words(found))
    assert "(4, 1 brief)" in text
    assert "(4)" in text


def _scaled(one: Digest, factor: float) -> Digest:
    return dataclasses.replace(
        one, quantities={name: values * factor for name, values in one.quantities.items()}
    )


def _on_packs(rng: np.random.Generator, volts: dict[str, float], **facts: dict[str, str]) -> list[Digest]:
    """No difference but that of the packs, by the square of their voltage."""
    runs = _groups(rng, 1.0, 3, 0.004)
    for i, one in enumerate(runs):
        v = volts[one.value]
        told = {name: by[one.value] for name, by in facts.items()}
        runs[i] = dataclasses.replace(
            _scaled(one, (v / 8.0) ** 2), pack_mv=np.full(560, 1000 * v), facts=told
        )
    return runs


def test_an_emptier_pack_is_no_worse_skirt() -> None:
    rng = np.random.default_rng(28)
    runs = _on_packs(rng, {"A": 8.25, "B": 7.75})
    found = compare(runs, "skirt")
    assert not any(c.more_than_noise for c in found.claims)
    assert any("brought to one pack voltage" in n and "B 7.75 V" in n for n in found.notices)
    # derived: without the correction it is (7.75 / 8.25)^2 - 1 = -11.8 %, and that is told as unknown
    blind = [dataclasses.replace(one, pack_mv=np.full(560, np.nan)) for one in runs]
    seen = compare(blind, "skirt")
    assert _claims(seen, "suction_pa")[0].share.value == pytest.approx(-0.118, abs=0.02)
    assert any("pack voltage was not logged" in n for n in seen.notices)


def test_what_changed_along_is_named() -> None:
    rng = np.random.default_rng(29)
    packs = {"A": "red", "B": "blue"}
    found = compare(
        _on_packs(rng, {"A": 8.0, "B": 8.0}, pack=packs, surface={"A": "oak", "B": "oak"}), "skirt"
    )
    assert found.confounded == ("pack",)
    assert any("pack changed along with skirt" in n for n in found.notices)
    assert found.as_dict()["confounded"] == ["pack"]


def test_air_is_corrected_where_it_is_noted() -> None:
    rng = np.random.default_rng(30)
    runs = _groups(rng, 1.0, 3, 0.002)
    for i, one in enumerate(runs):
        rho = 1.25 if one.value == "A" else 1.15
        runs[i] = dataclasses.replace(_scaled(one, rho / 1.2), air_kg_m3=rho)
    assert _claims(compare(runs, "skirt"), "suction_pa")[0].share.value == pytest.approx(0, abs=0.01)
    # published: dry air of 15 degC and 1013.25 hPa has 1.225 kg/m3 (ICAO standard atmosphere)
    told = digest(invented_reduction(), {"skirt": "A", "notes": {"air_c": "15", "air_hpa": 1013.25}}, "skirt")
    assert told.air_kg_m3 == pytest.approx(1.225, abs=5e-4)
    assert digest(invented_reduction(), {"skirt": "A", "notes": {"air_c": "15"}}, "skirt").air_kg_m3 is None


def test_taking_turns_is_advised_where_it_was_not_done() -> None:
    rng = np.random.default_rng(31)
    blocks = [minute(rng, f"{v}{i}", v) for v in "AB" for i in range(3)]
    assert any("A B B A" in n for n in compare(blocks, "skirt").notices)
    assert not any("A B B A" in n for n in compare(_groups(rng, 1.0), "skirt").notices)


def test_a_plan_for_a_difference_that_is_asked_for() -> None:
    rng = np.random.default_rng(32)
    runs = _groups(rng, 1.0, 6, 0.02)
    plan = compare(runs, "skirt", plan_n=4.16).plans[-1]
    assert (plan.value, plan.difference_n) == ("", pytest.approx(4.16))
    assert plan.share == pytest.approx(0.08, rel=0.03)  # 26 N an axle
    assert plan.mounting_scatter == pytest.approx(0.02, rel=0.5)  # ten degrees of freedom: 22 %, two of those
    # derived: 8 % at 2 % of scatter with three of each is 4.9 standard errors, which t of 4 degrees of
    # freedom reaches in 85 % of cases; two are never enough
    assert needed(0.08, Scatter(0.02, None)) in (3, 4)
    assert needed(0.08, Scatter(0.04, None)) > needed(0.08, Scatter(0.02, None))
    assert needed(0.03, Scatter(0.0, 0.02), 3) < needed(0.03, Scatter(0.0, 0.02), 1)
    assert needed(0.0001, Scatter(0.02, None)) is None


def test_what_the_words_mean_is_said_once() -> None:
    rng = np.random.default_rng(23)
    text = "\n".join(comparison_words(compare(_groups(rng, 1.0), "skirt")))
    assert text.count("95 %") == 1
    assert "questions asked together" in text
    assert "Held with certainty: always what it needs" in text


@pytest.mark.parametrize(("bare", "words"), [(0, None), (1, "1 of 2 runs are"), (2, "all runs are")])
def test_how_many_runs_are_uncalibrated(bare: int, words: str | None) -> None:
    rng = np.random.default_rng(24)
    runs = [dataclasses.replace(minute(rng, v, v), calibrated=i >= bare) for i, v in enumerate("AB")]
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
        runs = [dataclasses.replace(minute(rng, "a", "A"), **changes), minute(rng, "b", "B")]
        lines = list(comparison_words(compare(runs, "skirt")))
        line = next(line for line in lines if line.startswith("warning"))
        shown.append(line.split("  ")[-2].strip())
    assert shown == ["no loss", "undefined", "none of 1", "0.50 s (1 of 2)"]


def test_tables_line_up() -> None:
    lines = list(text_table(("name", "n"), [("a", "1"), ("long name", "100")]))
    assert lines == ["name         n", "a            1", "long name  100"]


def test_a_table_breaks_between_words_and_a_cell_into_two_lines_at_most() -> None:
    heads = ("run", "least margin", "skirt")
    rows = [("a.csv", "+5.39 N", "closed-cell foam, 0.3 mm gap"), ("b.csv", "−16.7 N", "brush")]
    # "closed-cell foam," is the shortest half of the one, "+5.39 N" may not be broken
    assert least_width(heads, rows, (2,)) == 5 + 2 + 7 + 2 + len("foam, 0.3 mm gap")
    lines = list(text_table(heads, rows, 32, (2,)))
    assert lines == [
        "run      least  skirt",
        "        margin",
        "a.csv  +5.39 N  closed-cell",
        "                foam, 0.3 mm gap",
        "b.csv  −16.7 N  brush",
    ]


@pytest.mark.parametrize("width", [60, 80, 100])
def test_a_comparison_fits_the_terminal_and_cuts_no_word(width: int) -> None:
    rng = np.random.default_rng(8)
    names = ("closed-cell foam, 0.3 mm gap", "brush strip, 0.5 mm gap", "lip, 0.2 mm gap", "none at all")
    factors = dict(zip(names, (1, 0.9, 1.1, 1.3), strict=True))
    runs = [minute(rng, f"{n[:5]}{i}", n, factors[n]) for i in range(3) for n in names]
    found = compare(runs, "skirt")
    lines = list(comparison_words(found, width=width))
    assert max(map(len, lines)) <= width
    narrow, wide = (" ".join(" ".join(some).split()) for some in (lines, comparison_words(found)))
    answers = answer_words(found)
    others = (claim_words(claim) for claim in found.claims if claim.what != "suction_pa")
    assert all(f"{group.held} of {len(group.runs)}" in narrow for group in found.groups)
    for sentence in (*answers, *others):
        assert narrow.count(sentence) == wide.count(sentence) == 1
    assert wide.startswith(" ".join(answers))
    assert re.match(r"brush strip, 0\.5 mm gap has 10\.\d% less suction than closed-cell foam", wide)
    assert "suction \u2212" not in wide  # the answer is not said twice


def test_a_value_has_no_more_decimals_than_its_uncertainty() -> None:
    from undertray.report.comparison import Estimate

    shown = [
        estimate_words(Estimate(value, value - half, value + half), 1.0, "N")
        for value, half in ((9.2474, 0.986), (942.04, 33.2), (0.91703, 0.00581))
    ]
    assert shown == ["9.25 ±0.99 N", "942 ±33 N", "0.9170 ±0.0058 N"]
    # as everywhere without an interval
    assert estimate_words(Estimate(9.2474, None, None), 1.0, "N") == "9.25 N"


def test_runs_that_were_never_steady_have_no_pack_to_correct() -> None:
    rng = np.random.default_rng(33)
    nothing = {name: np.empty(0) for name in ("suction_pa", "front_n", "rear_n")}
    runs = [
        dataclasses.replace(one, throttle_us=np.empty(0), quantities=nothing, pack_mv=np.empty(0))
        for one in _groups(rng, 1.0, 2)
    ]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = compare(runs, "skirt")
    assert _claims(found, "suction_pa") == []
    assert not any("pack" in n for n in found.notices)

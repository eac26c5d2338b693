"""Whether a warning can be told of a loss at all, and how each place says so."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.signal import lfilter

from fakes.reductions import invented_car, invented_event, invented_reduction, only_rows
from fakes.runs import run_of
from undertray.reduce.run import reduce_run
from undertray.reduce.warning import warning_words
from undertray.report.comparedrun import digest
from undertray.report.display import SI
from undertray.report.page import render_page
from undertray.report.sheet import key_figures, make_sheet
from undertray.report.verdict import judge
from undertray.report.words import event_words

UNWARNED = invented_event(warning_s=None)


CUT = invented_event(kind="throttle-cut", onset_s=11.0, bottom_s=11.4, warning_s=None)


def _at(suction_pa: float, event: Any = UNWARNED) -> Any:
    return invented_reduction(suction_pa=suction_pa, events=(event, CUT))


@pytest.mark.parametrize(
    ("suction_pa", "words"),
    [
        # the invented car needs 654 Pa; the fold takes 73 % of what there is
        (1500.0, "none"),
        (600.0, "below before"),
        (4000.0, "not below"),
    ],
)
def test_a_warning_is_missed_only_where_there_could_have_been_one(suction_pa: float, words: str) -> None:
    assert warning_words(_at(suction_pa), UNWARNED) == words
    warnable = digest(_at(suction_pa), {"skirt": "x"}, "skirt").warnable
    assert warnable == (words == "none")


def test_no_warning_is_denied_where_rows_are_missing_in_which_it_may_have_been() -> None:
    reduction = _at(1500.0)
    kept = np.random.default_rng(3).random(len(reduction.series.t_s)) >= 0.3
    kept |= reduction.series.t_s > UNWARNED.onset_s
    assert warning_words(only_rows(reduction, kept), UNWARNED) == "not known"


def test_a_warning_that_came_is_told() -> None:
    assert warning_words(_at(1500.0), invented_event(warning_s=0.6)) == "0.60 s"


def test_every_place_says_that_none_could_be_told() -> None:
    reduction = _at(600.0)
    figures = {name: (value, note) for name, value, note in key_figures(reduction, judge(reduction), SI)}
    assert figures["Warning"] == ("undefined", "the car had less than it needs before the loss already")
    sheet = make_sheet(reduction, invented_car())
    assert sheet.events.rows[0][6] == "below before"
    assert "No warning time is known" in sheet.close_ups[0].words
    said = event_words(reduction, UNWARNED)
    assert "no warning time is known" in said
    page = render_page([sheet], "x")
    assert "There was no warning in the taps" not in page
    assert "below before: the car had less than it needs before the loss already" in page
    assert "not below:" not in page


def test_a_throttle_cut_is_not_counted_as_time_below() -> None:
    cut = invented_event(kind="throttle-cut", onset_s=11.0, bottom_s=11.4, warning_s=None, below_hold_s=0.9)
    reduction = invented_reduction(fold_at_s=None, events=(cut,))
    said = event_words(reduction, cut)
    assert "below" not in said
    assert "never came back" not in said
    assert make_sheet(reduction, invented_car()).events.rows[0][7] == ""


def test_time_below_within_a_loss_is_told() -> None:
    reduction = invented_reduction()
    (event,) = reduction.events
    assert "below its need for 3.00 s, never came back" in event_words(reduction, event)
    over = invented_event(end_s=9.0, below_hold_s=1.0)
    assert "below its need for 1.00 s, over at 9.000 s" in event_words(reduction, over)


def test_a_limit_crossed_because_the_throttle_was_cut_gives_no_warning() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(4000) / 200
    u = np.where((t > 2) & (t < 16), 1700.0, 1000.0)
    level = 1470.0 * lfilter([0.05], [1.0, -0.95], u - 1000.0) ** 2 / 700.0**2
    level *= 1 - 0.3 * np.clip((t - 8.0) / 3.0, 0, 1)
    taps = level[:, None] * np.array([1.05, 1.02, 0.98, 0.95]) + rng.normal(0, 3.0, (len(t), 4))
    reduction = reduce_run(run_of(t, taps, u), invented_car())
    assert [event.kind for event in reduction.events] == ["slow-leak", "throttle-cut"]
    # 1029 Pa are left of the 654 Pa needed: it is the cut at 16 s that takes the car below its need
    leak = reduction.events[0]
    assert leak.below_hold_s == 0
    assert leak.warning_s is None
    assert warning_words(reduction, leak) == "not below"

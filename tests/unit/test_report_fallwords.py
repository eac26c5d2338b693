"""What is said of a fall: together or one first, brief, and between which rows."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fakes.reductions import invented_car, invented_event, invented_reduction
from fakes.signals import ramp, steady, times
from undertray import read_run
from undertray.reduce.car import Car
from undertray.reduce.loss import Loss
from undertray.reduce.losses import find_losses
from undertray.reduce.run import reduce_run
from undertray.report.page import render_page
from undertray.report.sheet import make_sheet
from undertray.report.table import reduction_table
from undertray.report.words import event_words, first_words, length_words, onset_words, order_words

DEMO = Path(__file__).resolve().parents[2] / "demo_logs"
FOLD = Loss("seal-loss", 9.95, 9.99, order=("a", "b"), order_ms=(0.0, 3.2))


def test_a_lead_of_less_than_two_samples_is_together_and_no_order():
    assert first_words(FOLD) == "together"
    assert order_words(FOLD) == "a and b fell together within 3 ms"
    ahead = replace(FOLD, first_tap="a", order_ms=(0.0, 12.4))
    assert first_words(ahead) == "a"
    assert order_words(ahead) == "a first, then b 12 ms later"


@pytest.mark.parametrize("kind", ["throttle-cut", "data-gap"])
def test_no_order_is_told_of_a_cut_or_a_gap(kind):
    assert (first_words(Loss(kind, 1.0, 2.0)), order_words(Loss(kind, 1.0, 2.0))) == ("", "")


def test_a_slow_leak_has_no_first_tap_but_those_that_lost_most():
    leak = Loss("slow-leak", 1.0, 4.0, order=("b", "a"))
    assert (first_words(leak), order_words(leak)) == ("", "most at b, then a")


def test_one_tap_of_one_is_no_order():
    assert order_words(replace(FOLD, first_tap="a", order=("a",), order_ms=(0.0,))) == "a alone"


def test_where_rows_were_missing_no_order_is_claimed() -> None:
    unseen = replace(FOLD, first_tap=None, order_ms=())
    assert order_words(unseen) == "a and b fell, in which order is not known: rows are missing"
    one_seen = replace(unseen, first_tap="a")
    said = "a and b fell, a first, and in which order the others is not known: rows are missing"
    assert order_words(one_seen) == said


def test_an_onset_among_lost_rows_is_an_interval():
    assert onset_words(FOLD) == "9.950 s"
    assert onset_words(replace(FOLD, onset_between_s=(9.95, 9.99)), 2) == (
        "between 9.95 and 9.99 s, while no rows came"
    )


def test_a_brief_loss_says_after_how_long_it_healed():
    assert length_words(FOLD) == ""
    assert length_words(replace(FOLD, brief=True)) == "brief"
    assert length_words(replace(FOLD, brief=True, end_s=10.13)) == "brief, healed after 0.18 s"


def test_every_text_says_it():
    """Terminal, report page and close-up of one brief loss that began among lost rows."""
    event = invented_event(
        first_tap=None, brief=True, end_s=8.18, onset_between_s=(7.98, 8.02), order_ms=(0.0, 0.0, 3.0, 4.0)
    )
    reduction = invented_reduction(events=(event,))
    between, brief = "between 7.980 and 8.020 s, while no rows came", "brief, healed after 0.18 s"
    together = "4 taps fell together within 4 ms"
    page = render_page([make_sheet(reduction, invented_car())], "x")
    for text in (event_words(reduction, event), page):
        for said in (between, brief, together):
            assert said in text
    assert f"{event.kind}, brief" in page


def test_the_table_says_it_below_the_event():
    run, car = read_run(DEMO / "front-fold.csv"), Car.from_toml(DEMO / "car.toml")
    reduction = reduce_run(run, car)
    fold = replace(reduction.events[0], brief=True, end_s=10.13, onset_s=9.95, onset_between_s=(9.94, 9.96))
    told = " ".join(reduction_table(replace(reduction, events=(fold,))).split())
    assert (
        "at 9.950 s: between 9.940 and 9.960 s, while no rows came; brief, healed after 0.18 s; 4 taps fell "
        "together" in told
    )


@pytest.mark.parametrize("rows", [2, 3, 4])
def test_a_loss_in_a_gap_lies_between_its_rows(rows):
    """The seal lets go at 8.005 s, where the rows from 8.000 s on are lost."""
    t = times(20)
    keep = np.ones(len(t), bool)
    keep[1600 : 1600 + rows] = False
    suction = steady(t, shape=lambda t: 1 - 0.8 * ramp(t, 8.002, 0.004))
    (loss,) = [e for e in find_losses(t[keep], suction[keep], np.full(keep.sum(), 1700.0)) if e.drop]
    assert loss.onset_between_s == (pytest.approx(7.995), pytest.approx(8.0 + 0.005 * rows))
    assert loss.onset_between_s[0] < loss.onset_s < loss.onset_between_s[1]
    assert loss.onset_s <= loss.bottom_s

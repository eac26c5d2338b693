"""The detector on worlds that it was not tuned on (seeds from 1000 up)."""

from __future__ import annotations

import numpy as np
import pytest

from fakes.scoring import scoring_program
from undertray.reduce.detect.detector import Detector
from undertray.reduce.losses import find_losses
from undertray.reduce.score import score

# what it is made for, and what it must leave alone
STRATA = [
    "brief-loss-100-250ms",
    "loss-in-a-gap",
    "loss-in-a-blip",
    "loss-beside-step-down",
    "lap-work-braked-fan",
    "throttle-lost-half-way",
    "clogged-hose",
    "hose-off-on-a-bump",
    "slow-leak-in-lap-work",
    "hard-clean-driving",
]


@pytest.fixture(scope="module")
def program():
    return scoring_program()


@pytest.fixture(scope="module")
def runs(program):
    return list(program.of_worlds(STRATA, range(1000, 1002)))


def test_it_finds_every_loss_and_tells_nothing_else(program, runs):
    detect = program.of_product(find_losses)
    got = score([program.judged(run, detect(run)) for run in runs])
    # pinned: on these twenty runs every loss, and nothing else
    assert (got.recall, got.precision) == (1.0, 1.0)
    # a sample of 200 Hz at the median, as it is asked for
    assert got.onset_median_s <= 0.005


def test_pieces_of_any_size_give_the_events_of_the_whole(runs):
    run = runs[0]
    taps, period_s = run.suction_pa.shape[1], 1 / run.rate_hz
    told = []
    for rows in (len(run.t_s), 17, 1000):
        detector = Detector(period_s, taps, tap_names=run.names)
        for a in range(0, len(run.t_s), rows):
            piece = slice(a, a + rows)
            detector.feed(run.t_s[piece], run.suction_pa[piece], run.throttle_us[piece])
        told.append(detector.finish())
    assert told[0]
    assert told[1] == told[0]
    assert told[2] == told[0]


def test_twice_the_same_is_the_same(program, runs):
    detect = program.of_product(find_losses)
    assert detect(runs[3]) == detect(runs[3])


def test_losses_say_that_they_were_brief_between_which_rows_and_in_which_order(program, runs):
    detect = program.of_product(find_losses)
    brief = [e for run in runs if run.stratum == STRATA[0] for e in detect(run) if e.kind == "seal-loss"]
    assert any(event.brief for event in brief)
    gaps = [e for run in runs if run.stratum == STRATA[1] for e in detect(run) if e.onset_between_s]
    assert gaps
    assert all(a <= event.onset_s <= b for event in gaps for a, b in [event.onset_between_s])
    for event in brief:
        assert len(event.order_ms) == len(event.order)
        assert np.all(np.diff(event.order_ms) >= 0)


def test_onset_fall_time_bottom_and_drop_agree(program, runs):
    """What is told of one fall must fit together, and no more than all can be lost."""
    detect = program.of_product(find_losses)
    told = [e for run in runs for e in detect(run) if e.drop is not None]
    assert {e.kind for e in told} >= {"seal-loss", "slow-leak", "throttle-cut"}
    for event in told:
        assert 0 <= event.drop <= 1
        assert event.to_pa >= 0
        lasts_s = event.bottom_s - event.onset_s
        assert lasts_s >= 0
        if event.kind != "throttle-cut" and event.onset_between_s is None:
            # derived: 0.8 of a straight fall lies between 90 and 10 %; of an exponential one 0.4 of five lags
            assert 0.7 * event.fall_s - 0.01 <= lasts_s <= 2.5 * event.fall_s + 0.05
        if event.kind == "throttle-cut":
            assert (event.first_tap, event.order) == (None, ())

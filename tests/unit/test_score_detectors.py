"""The scoring program: what counts as missed and as false, and that its rules find a plain fall."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fakes.scoring import scoring_program
from fakes.signals import ramp, steady, times
from undertray.reduce.loss import Loss
from undertray.reduce.scoring import score


@pytest.fixture(scope="module")
def program():
    return scoring_program()


@pytest.fixture
def run(program):
    t = times(20)
    suction = steady(t, shape=lambda t: 1 - 0.6 * ramp(t, 8.0, 0.03))
    return program.Run(
        "made up", 1, t, suction, np.full(len(t), 1700.0), np.zeros(suction.shape, bool),
        np.full(len(t), np.nan), 200.0, ("p1", "p2", "p3", "p4"), ({"kind": "seal-loss", "onset_s": 8.0},),
    )  # fmt: skip


def counted(program, run, *told):
    return score([program.judged(run, told)])


def test_what_is_marginal_counts_neither_way(program, run):
    marginal = replace(run, truth=({"kind": "seal-loss", "onset_s": 8.0, "marginal": True},))
    for told in ((), (Loss("seal-loss", 8.0, 8.0),)):
        got = counted(program, marginal, *told)
        assert (got.recall, got.precision, dict(got.unmatched)) == (None, None, {})
    assert counted(program, marginal, Loss("seal-loss", 9.0, 9.0)).unmatched == {"seal-loss": 1}


def test_a_fault_may_be_told_before_it_shows_but_of_no_other_tap(program, run):
    truth = ({"kind": "sensor-fault", "onset_s": 9.0, "began_s": 7.0, "first_tap": "p2"},)
    faulty = replace(run, truth=truth)
    right, wrong = (Loss("sensor-fault", 7.1, 7.1, first_tap=tap, order=(tap,)) for tap in ("p2", "p3"))
    assert counted(program, faulty, right).kind_right == 1
    assert counted(program, faulty, wrong).kind_right == 0


@pytest.mark.parametrize("rule", ["threshold", "change_points"])
def test_the_notebook_rules_find_a_plain_fall_and_heed_the_throttle(program, run, rule):
    if rule == "change_points":
        pytest.importorskip("ruptures", reason="ruptures is not installed")
    (told,) = getattr(program, rule)(run)
    # derived: a window of 20 ms, read on a grid as wide
    assert told.onset_s == pytest.approx(8.0, abs=0.05)
    cut = replace(run, throttle_us=np.where(run.t_s < 8.0, 1700.0, 1000.0))
    assert getattr(program, rule)(cut) == ()

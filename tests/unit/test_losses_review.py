"""Losses beside throttle work, and work that is none."""

from __future__ import annotations

import numpy as np
import pytest

from fakes.cells import few
from fakes.signals import fan, ramp, times
from undertray.reduce.detect.detector import Detector
from undertray.reduce.losses import find_losses


def hard_drive(loss_at, drop=0.4, lag_s=0.15, seed=5):
    """A throttle step every 1.2 s; the seal lets go within 0.1 s of one."""
    t = times(90)
    pulse = np.repeat(np.random.default_rng(seed).uniform(1450, 1950, 75), 240)
    opened = ramp(t, loss_at, 0.03) - ramp(t, loss_at + 3.0, 0.2)
    suction = 1500 * (fan(t, pulse, lag_s) * (1 - drop * opened))[:, None] * np.linspace(1.1, 0.9, 4)
    return t, suction + np.random.default_rng(2).normal(0, 5, suction.shape), pulse


@pytest.mark.parametrize(("late_s", "step"), few((-0.1, 0.02, 0.1), (20, 30, 41, 55)))
def test_a_loss_beside_a_throttle_step(step, late_s):
    at = 1.2 * step + late_s
    losses = [e for e in find_losses(*hard_drive(at)) if e.kind == "seal-loss"]
    assert len(losses) == 1
    # within a block: the fan's own fall lies on top
    assert losses[0].onset_s == pytest.approx(at, abs=0.03)
    assert losses[0].end_s == pytest.approx(at + 3.2, abs=0.2)


@pytest.mark.parametrize("lag_s", [0.05, 0.15, 0.4])
def test_hard_work_on_a_good_seal_has_no_loss(lag_s):
    t, suction, pulse = hard_drive(200.0, lag_s=lag_s)
    assert {e.kind for e in find_losses(t, suction, pulse)} <= {"throttle-cut"}


def test_the_first_braked_cut_of_a_run_is_no_loss():
    """A fan that spins up in 0.3 s and is braked to nothing in 0.05 s, which the run shows only once."""
    t = times(60)
    pulse = np.interp(
        t, [0, 1, 1.01, 15, 16, 30, 30.01, 60], [1000, 1000, 1700, 1700, 1850, 1850, 1000, 1000]
    )
    speed = np.minimum(fan(t, pulse, 0.3), np.where(t > 30, 0.73 * np.exp(-(t - 30) / 0.05), 1.0))
    suction = 1500 * speed[:, None] + np.random.default_rng(4).normal(0, 5, (len(t), 4))
    assert {e.kind for e in find_losses(t, suction, pulse)} <= {"throttle-cut"}


def test_bumps_in_a_row_are_no_loss():
    t = times(60)
    dip = sum(np.clip(1 - np.abs(t - c) / 0.07, 0, 1) for c in (30.0, 30.16, 30.32))
    pulse = np.repeat(np.random.default_rng(5).uniform(1600, 1800, 25), 480)
    suction = 1500 * (fan(t, pulse) * (1 - 0.4 * dip))[:, None] + np.zeros(4)
    suction += np.random.default_rng(4).normal(0, 5, suction.shape)
    assert [e for e in find_losses(t, suction, pulse) if e.kind == "seal-loss"] == []


def test_without_throttle_a_fall_to_nothing_is_not_told():
    t = times(30)
    for left, told in ((0.0, 0), (0.2, 1)):
        suction = (900 * (1 - (1 - left) * ramp(t, 12.0, 0.05)))[:, None] + np.zeros(4)
        suction += np.random.default_rng(4).normal(0, 5, suction.shape)
        assert len(find_losses(t, suction)) == told


def test_a_late_loss_is_among_the_events_before_the_run_ends():
    """Live, 22 s after the onset at the latest."""
    t, suction, pulse = hard_drive(36.02)
    detector = Detector(1 / 200, 4)
    rows = t < 36.02 + 23.0
    detector.feed(t[rows], suction[rows], pulse[rows])
    assert any(e.kind == "seal-loss" and abs(e.onset_s - 36.02) < 0.03 for e in detector.events)


def test_a_sudden_end_right_after_a_cut_was_over():
    """Shut off, spun up again, and all gone within one sample: not taken for the tail of the cut."""
    t = times(40)
    pulse = np.interp(t, [0, 1, 10, 10.01, 12, 12.01, 40], [1000, 1700, 1700, 1000, 1000, 1700, 1700])
    left = np.where(t < 14.0, 1.0, 0.02)
    suction = 1500 * (fan(t, pulse, 0.1) * left)[:, None] + np.zeros(4)
    suction += np.random.default_rng(4).normal(0, 5, suction.shape)
    losses = [e.onset_s for e in find_losses(t, suction, pulse) if e.kind == "seal-loss"]
    assert losses == [pytest.approx(14.0, abs=0.01)]

"""Losses and throttle cuts close together: a pilot, or an alarm, closes the throttle on a car that falls."""

from __future__ import annotations

import numpy as np
import pytest

from fakes.signals import fan, ramp, times
from undertray.reduce.losses import find_losses


def run(t, throttle_us, left, lag_s=0.12, seed=1):
    """Four taps on a fan of first order, with noise, of whose suction a share is left."""
    noise = np.random.default_rng(seed).normal(0, 6, (len(t), 4))
    return 1800 * (fan(t, throttle_us, lag_s) * left)[:, None] * np.linspace(1.1, 0.9, 4) + noise


def started(t, *changes):
    """Throttle up to 1700 µs at 1 s, then to what is given: (when in s, µs)."""
    throttle = np.where(t < 1.0, 1000.0, 1700.0)
    for at_s, pulse_us in changes:
        throttle = np.where(t < at_s, throttle, pulse_us)
    return throttle


def kinds(t, suction, throttle_us):
    return [(e.kind, e.onset_s) for e in find_losses(t, suction, throttle_us)]


@pytest.mark.parametrize("later_s", [0.12, 0.2, 0.25, 0.4])
@pytest.mark.parametrize("to_us", [1000.0, 1200.0])
def test_a_loss_shows_before_the_cut_that_follows_it(later_s, to_us):
    t = times(24)
    throttle = started(t, (14.0 + later_s, to_us))
    suction = run(t, throttle, 1 - 0.8 * ramp(t, 14.0, 0.02))
    found = [e for e in find_losses(t, suction, throttle) if e.kind == "seal-loss"]
    (loss,) = found
    assert loss.onset_s == pytest.approx(14.0, abs=0.011)  # 2 samples
    # derived: the throttle asks for the full suction until it is cut
    assert loss.drop == pytest.approx(0.8, abs=0.05)


@pytest.mark.parametrize(
    ("back_s", "told"),
    [(0.06, ["throttle-cut"]), (0.1, ["seal-loss", "throttle-cut"]), (0.2, ["seal-loss", "throttle-cut"])],
)
def test_before_a_cut_a_bump_is_none_and_a_brief_loss_is_one(back_s, told):
    t = times(24)
    throttle = started(t, (14.0 + back_s + 0.05, 1000.0))
    left = 1 - 0.6 * ((t >= 14.0) & (t < 14.0 + back_s))
    found = find_losses(t, run(t, throttle, left), throttle)
    assert [e.kind for e in found] == told
    assert [e.brief for e in found if e.kind == "seal-loss"] == [True] * (len(told) - 1)


@pytest.mark.parametrize("open_s", [1.8, 3.0])
def test_a_leak_that_is_opening_when_the_throttle_is_cut(open_s):
    t = times(24)
    throttle = started(t, (12.0 + open_s, 1000.0))
    found = kinds(t, run(t, throttle, 1 - 0.6 * ramp(t, 12.0, open_s)), throttle)
    assert [kind for kind, _ in found] == ["slow-leak", "throttle-cut"]
    assert found[0][1] == pytest.approx(12.0, abs=0.5)


@pytest.mark.parametrize("brake_s", [0.03, 0.05])
def test_a_fan_that_brakes_after_its_law_was_learned_has_no_loss(brake_s):
    """The first cuts coast; the last one is braked, faster than any law learned so far."""
    t = times(40)
    throttle = started(t, (10.0, 1000.0), (13.0, 1700.0), (20.0, 1000.0), (23.0, 1700.0), (32.0, 1000.0))
    coasting, braked = (run(t, throttle, 1.0, lag) for lag in (0.2, brake_s))
    found = kinds(t, np.where((t < 31.9)[:, None], coasting, braked), throttle)
    assert {kind for kind, _ in found} == {"throttle-cut"}


def test_a_loss_ends_with_the_suction_and_not_with_the_throttle():
    t = times(40)
    throttle = started(t, (18.0, 1000.0))
    losses = [
        e
        for e in find_losses(t, run(t, throttle, 1 - 0.9 * ramp(t, 14.0, 0.02)), throttle)
        if e.kind == "seal-loss"
    ]
    assert [(round(e.onset_s, 1), e.end_s) for e in losses] == [(14.0, None)]


@pytest.mark.parametrize("silent", [[(15.0, 0.1)], [(14.2, 0.1), (17.0, 0.3)], [(13.0, 0.3), (15.5, 0.3)]])
def test_pulses_that_stay_away_for_moments_hide_no_leak(silent):
    t = times(30)
    throttle = started(t)
    suction = run(t, throttle, 1 - 0.5 * ramp(t, 12.0, 6.0))
    for at_s, long_s in silent:
        throttle = np.where((t >= at_s) & (t < at_s + long_s), np.nan, throttle)
    ((kind, onset_s),) = kinds(t, suction, throttle)
    assert kind == "slow-leak"
    assert onset_s == pytest.approx(12.0, abs=0.6)


@pytest.mark.parametrize("lag_s", [0.3, 0.5, 0.8])
def test_a_cut_of_a_heavy_fan_is_a_cut_however_long_it_coasts(lag_s):
    t = times(30)
    throttle = started(t, (18.0, 1000.0))
    ((kind, onset_s),) = kinds(t, run(t, throttle, 1.0, lag_s), throttle)
    assert kind == "throttle-cut"
    assert onset_s == pytest.approx(18.0, abs=0.05)


@pytest.mark.parametrize("over_s", [2.0, 4.0])
def test_a_throttle_that_is_closed_gently_is_no_event(over_s):
    t = times(30)
    throttle = np.interp(t, [0, 1, 1.01, 18, 18 + over_s], [1000, 1000, 1700, 1700, 1000])
    assert kinds(t, run(t, throttle, 1.0), throttle) == []


def driven(pulse, t, seed=5):
    """A fan of 0.12 s under some pulses, at four taps."""
    return 2400 * fan(t, pulse)[:, None] + np.random.default_rng(seed).normal(0, 5, (len(t), 4))


@pytest.mark.parametrize("takes_s", [0.02, 0.15, 0.3, 0.45])
@pytest.mark.parametrize("at_s", [16.0, 17.9])
def test_a_shut_off_is_told_once_from_where_it_begins_however_fast_it_is(takes_s, at_s):
    """Half a second at most; ``at_s`` 17.9 lies shortly before a frame of 2.56 s ends."""
    t = times(30.0)
    pulse = np.where((t > 5) & (t < 9), 1600.0, 1700.0) - 700 * ramp(t, at_s, takes_s)
    (event,) = [e for e in find_losses(t, driven(pulse, t), pulse) if e.onset_s > 10]
    assert event.kind == "throttle-cut"
    # two samples, and a tenth of the way, which a pulse may jitter by
    assert event.onset_s == pytest.approx(at_s, abs=0.01 + 0.1 * takes_s)
    assert event.drop > 0.95


def test_a_small_step_before_the_shut_off_is_no_part_of_it():
    t = times(30.0)
    pulse = np.where((t > 5) & (t < 9), 1600.0, 1700.0) - 40 * (t >= 15.7) - 660 * (t >= 16.0)
    (event,) = [e for e in find_losses(t, driven(pulse, t), pulse) if e.onset_s > 10]
    assert event.onset_s == pytest.approx(16.0, abs=0.01)


def test_a_lift_that_takes_little_is_no_cut_and_one_that_is_told_says_its_depth():
    t = times(30.0)
    pulse = np.where((t > 5) & (t < 9), 1600.0, 1700.0)
    for at_s, lift_s in ((14.0, 0.04), (20.0, 0.5)):
        pulse = np.where((t > at_s) & (t < at_s + lift_s), 1000.0, pulse)
    suction = driven(pulse, t)
    told = [e for e in find_losses(t, suction, pulse) if e.onset_s > 10]
    assert [(e.kind, round(e.onset_s)) for e in told if e.drop > 0.5] == [("throttle-cut", 20)]
    for event in told:
        after = suction.mean(axis=1)[(t > event.onset_s) & (t < event.onset_s + 0.6)]
        # the lowest of three blocks of 20 ms, beside the lowest row of the formula
        assert event.to_pa == pytest.approx(after.min(), abs=0.1 * event.from_pa)

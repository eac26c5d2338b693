"""Leaks that open over seconds, in short runs, when the fan is hardly known yet."""

from __future__ import annotations

import numpy as np
import pytest

from fakes.signals import fan, ramp, times
from undertray.reduce.detect.leak import find_creep
from undertray.reduce.losses import LossParameters, find_losses


def run(t, throttle_us, left, power=1.0, seed=1):
    """Four taps on a fan by dp ~ N^(2 power), with noise, of whose suction a share is left."""
    noise = np.random.default_rng(seed).normal(0, 6, (len(t), 4))
    return 1800 * (fan(t, throttle_us) ** power * left)[:, None] * np.linspace(1.1, 0.9, 4) + noise


def leaks(t, suction, throttle_us):
    return [e for e in find_losses(t, suction, throttle_us) if e.kind == "slow-leak"]


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 500.0])
@pytest.mark.parametrize("at_s", [4.0, 6.0])
@pytest.mark.parametrize("drop", [0.28, 0.5])
def test_in_twelve_seconds_at_rest(rate_hz, at_s, drop):
    t = times(12, rate_hz)
    throttle = np.full(len(t), 1700.0)
    (leak,) = leaks(t, run(t, throttle, 1 - drop * ramp(t, at_s, 3.0)), throttle)
    # the index is read in steps of 0.3 s, and a straight fall is dated from its 90-10 % time
    assert leak.onset_s == pytest.approx(at_s, abs=0.5)
    assert leak.drop == pytest.approx(drop, abs=0.04)


@pytest.mark.parametrize("period_s", [2.0, 3.0, 5.0])
def test_while_the_throttle_swings(period_s):
    t = times(20)
    throttle = np.round(1700 + 60 * np.sin(2 * np.pi * t / period_s))
    (leak,) = leaks(t, run(t, throttle, 1 - 0.4 * ramp(t, 9.0, 3.0)), throttle)
    assert leak.onset_s == pytest.approx(9.0, abs=1.0)
    assert not leaks(t, run(t, throttle, np.ones(len(t))), throttle)


@pytest.mark.parametrize("power", [0.75, 1.0, 1.25])
@pytest.mark.parametrize("at_s", [5.0, 7.0, 9.0])
@pytest.mark.parametrize("step_us", [-150.0, -60.0, 60.0])
def test_the_first_throttle_step_is_none(power, at_s, step_us):
    """By which law the suction follows is not known before the throttle has moved."""
    t = times(15)
    throttle = 1700 + step_us * ramp(t, at_s, 0.0)
    suction = run(t, throttle, np.ones(len(t)), power)
    assert not leaks(t, suction, throttle)
    throttle = 1700 + step_us * ramp(t, at_s, 2.5)
    assert not leaks(t, run(t, throttle, np.ones(len(t)), power), throttle)


def test_a_leak_that_closes_again_begins_before_it_ends():
    index = np.repeat(np.array([1.0] * 20 + [0.7, 0.4, 0.4, 0.4, 0.4, 0.4, 0.95]), 16)
    creep = find_creep(100, 800 * index, np.ones(len(index)), 0.01, LossParameters())
    assert creep is not None
    # the fall is between values 19 and 21 of 16 blocks each
    assert 100 + 19 * 16 <= creep.begun < creep.bottom <= 100 + 22 * 16


@pytest.mark.parametrize("power", [0.75, 1.0])
@pytest.mark.parametrize("lag_s", [0.1, 0.28])
@pytest.mark.parametrize("at_s", [7.44, 9.61, 10.28, 14.88])
@pytest.mark.parametrize("to_us", [1000.0, 1260.0, 1420.0])
def test_the_first_closing_is_a_cut_and_no_leak(power, lag_s, at_s, to_us):
    t = times(18)
    throttle = np.interp(t, [0, 1, 1.001, at_s, at_s + 0.001, 18], [1000, 1000, 1640, 1640, to_us, to_us])
    suction = 1800 * (fan(t, throttle, lag_s) ** power)[:, None] * np.linspace(1.1, 0.9, 4)
    suction += np.random.default_rng(3).normal(0, 8, suction.shape)
    (event,) = find_losses(t, suction, throttle)
    assert event.kind == "throttle-cut"
    assert event.onset_s == pytest.approx(at_s, abs=0.01)

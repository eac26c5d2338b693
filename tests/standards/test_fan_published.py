"""Fans on a leak, as the detector learns them from a run."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from fakes.signals import fan, times
from undertray.reduce.detect.expectation import FanBank

BLOCK_S = 0.02


def learned(throttle_us, lag_s=0.1, exponent=2.0):
    """A bank that went through a run of a fan with one lag, dp ~ N^exponent."""
    t = times(len(throttle_us) * BLOCK_S, 1 / BLOCK_S)
    suction = 900 * fan(t, throttle_us, lag_s) ** (exponent / 2)
    bank = FanBank(BLOCK_S)
    speed = bank.follow(throttle_us)
    for k in range(0, len(t) - 63, 64):
        if suction[k : k + 64].max() > 20:
            bank.learn(suction[k : k + 64], speed[k : k + 64])
    return bank


def work(seed=1, stretches=40):
    rng = np.random.default_rng(seed)
    return np.repeat(rng.uniform(1200, 1950, stretches), rng.integers(40, 160, stretches))


def settled(bank, throttle_us):
    return np.full((1, bank.lags), throttle_us)


def drawn_leak_pa(speed, leak_m2=2e-4, height_m=0.4e-3):
    """Suction of a fan on a leaking skirt, where its curve meets the leak's: no power of the speed anywhere.

    The curve is one straight line from 2200 Pa to 0.02 m3/s at full speed, both ends moved by the fan laws;
    the leak is an orifice and a thin gap (plane slot flow) side by side.
    """
    low, high = 0.0, 2200.0 * speed**2
    for _ in range(60):
        pa = (low + high) / 2
        out = 0.02 * speed * (1 - pa / (2200.0 * speed**2))
        leaks = 0.61 * leak_m2 * np.sqrt(2 * pa / 1.2) + 1.0 * height_m**3 * pa / (12 * 1.81e-5 * 0.01)
        low, high = (pa, high) if out > leaks else (low, pa)
    return low


@pytest.mark.parametrize("share", [0.8, 0.5, 0.9])
def test_a_fan_on_a_leaking_skirt_is_learned(share):
    """What the bank learns from a run of a fan curve and a leak, against where the two meet."""
    throttle = work()
    table = np.linspace(0, 1, 101)
    at = np.array([drawn_leak_pa(s) if s else 0.0 for s in table])
    bank = FanBank(BLOCK_S)
    speed = bank.follow(throttle)
    keep = np.exp(-BLOCK_S / 0.1)  # fans follow within a tenth of a second
    turning = lfilter([1 - keep], [1, -keep], (throttle - 1000) / 1000)
    suction = np.interp(turning, table, at)
    for k in range(0, len(suction) - 63, 64):
        if suction[k : k + 64].max() > 20:
            bank.learn(suction[k : k + 64], speed[k : k + 64])
    got = bank.ratio(settled(bank, 1000 + 900 * share), settled(bank, 1900.0))[0]
    # derived tolerance: the bank has laws by half powers, so the nearest is a quarter of a power off at most
    assert got == pytest.approx(drawn_leak_pa(0.9 * share) / drawn_leak_pa(0.9), rel=share**-0.25 - 1)


@pytest.mark.parametrize("exponent", [1.0, 1.5, 2.0, 2.5, 3.0])
def test_a_speed_controller_that_bends_the_law_is_learned(exponent):
    bank = learned(work(), exponent=exponent)
    got = bank.ratio(settled(bank, 1500.0), settled(bank, 1900.0))[0]
    assert got == pytest.approx((500 / 900) ** exponent, rel=0.05)
    assert bank.error < 0.05


@pytest.mark.parametrize("lag_s", [0.05, 0.1, 0.2, 0.4])
def test_the_lag_is_found(lag_s):
    up, down = learned(work(), lag_s).lag_s
    # the grid has steps of two; the true value is on it
    assert (up, down) == (lag_s, lag_s)


def test_least_ratio_promises_no_rise_and_is_below_what_comes():
    throttle = work(3)
    bank = learned(throttle, 0.15)
    t = times(200 * BLOCK_S, 1 / BLOCK_S)
    for start, end in ((1900.0, 1400.0), (1500.0, 1100.0), (1300.0, 1800.0)):
        pulse = np.concatenate([np.full(100, start), np.full(100, end)])
        truth = fan(t, pulse, 0.15)
        fresh = FanBank(BLOCK_S)
        speed = fresh.follow(pulse)
        before = np.broadcast_to(speed[90], speed[100:].shape)
        least = bank.least_ratio(speed[100:], before)
        assert (least <= 1).all()
        assert (least <= truth[100:] / truth[90] + 1e-3).all()


def test_before_anything_is_known_the_least_is_promised():
    bank = FanBank(BLOCK_S)
    speed = bank.follow(np.concatenate([np.full(200, 1800.0), np.full(100, 1400.0)]))
    assert bank.least_ratio(speed[250:], np.broadcast_to(speed[199], (50, bank.lags))).max() < 0.1

"""The fan laws, as the detector learns them from a run."""

from __future__ import annotations

import numpy as np
import pytest

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


@pytest.mark.parametrize(("share", "ratio"), [(0.8, 0.64), (0.5, 0.25), (0.9, 0.81)])
def test_pressure_goes_with_the_square_of_speed(share, ratio):
    # published: fan laws, dp ~ rho N^2 at fixed geometry and system; 80 % of the speed give 0.64 of it
    bank = learned(work())
    now, before = settled(bank, 1000 + 900 * share), settled(bank, 1900.0)
    # derived tolerance: laws a step of the grid beside the true one (dead band 100 us) still fit to 2 %
    assert bank.ratio(now, before)[0] == pytest.approx(ratio, rel=0.03)


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

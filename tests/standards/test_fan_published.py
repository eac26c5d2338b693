"""Fans on a leak, as the detector learns them from a run."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from fakes.cells import some
from fakes.signals import fan, times
from undertray.reduce.detect.fanmodel import RUN_IN, Fan, Lesson, log_suction

BLOCK_S = 0.02
FRAME = 128


def learned(throttle_us, suction_pa):
    """A fan that went through a run, frame by frame, as the detector takes them."""
    law = Fan(BLOCK_S)
    for k in range(RUN_IN, len(throttle_us) - FRAME, FRAME):
        seen = suction_pa[k : k + FRAME]
        # zeros that are off by 10 Pa say little where there is little
        weight = 1.0 / (1.0 + (10.0 / np.maximum(seen, 10.0) / 0.02) ** 2)
        pulses = throttle_us[k - RUN_IN : k + FRAME]
        law.take(Lesson(k // FRAME, pulses, np.log(np.maximum(seen, 10.0)), weight, 0.0))
    return law


def work(seed=1, stretches=40):
    rng = np.random.default_rng(seed)
    return np.repeat(rng.uniform(1200, 1950, stretches), rng.integers(40, 160, stretches))


def ratio(law, one_us, other_us):
    """Suction at one pulse over that at another, both at rest."""
    one, other = law.settled(np.array([one_us, other_us]))
    return np.exp(one - other)


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


@pytest.mark.parametrize("share", some([0.8], [0.5, 0.9]))
def test_a_fan_on_a_leaking_skirt_is_learned(share):
    """What is learned from a run of a fan curve and a leak, against where the two meet."""
    throttle = work()
    table = np.linspace(0, 1, 101)
    at = np.array([drawn_leak_pa(s) if s else 0.0 for s in table])
    keep = np.exp(-BLOCK_S / 0.1)  # fans follow within a tenth of a second
    turning = lfilter([1 - keep], [1, -keep], (throttle - 1000) / 1000)
    law = learned(throttle, np.interp(turning, table, at))
    # 3 %: twice the scatter that the detector takes a law to have
    assert ratio(law, 1000 + 900 * share, 1900.0) == pytest.approx(
        drawn_leak_pa(0.9 * share) / drawn_leak_pa(0.9), rel=0.03
    )


@pytest.mark.parametrize("exponent", some([1.0, 3.0], [1.5, 2.0, 2.5]))
def test_a_speed_controller_that_bends_the_law_is_learned(exponent):
    throttle = work()
    t = times(len(throttle) * BLOCK_S, 1 / BLOCK_S)
    law = learned(throttle, 900 * fan(t, throttle, 0.1) ** (exponent / 2))
    assert ratio(law, 1500.0, 1900.0) == pytest.approx((500 / 900) ** exponent, rel=0.05)


def first_order(throttle_us, lag_s):
    """Mean over each block of the suction of a fan with one lag, stepped through in ms."""
    fine = np.repeat(throttle_us, 20)
    return 900 * fan(times(len(fine) / 1000, 1000.0), fine, lag_s).reshape(-1, 20).mean(axis=1)


@pytest.mark.parametrize("lag_s", some([0.05, 0.4], [0.1, 0.2]))
def test_the_lag_is_learned(lag_s):
    """Steps that the run did not have, against a fan of first order, which the law's motor is not."""
    throttle = work()
    law = learned(throttle, first_order(throttle, lag_s))
    for start, end in ((1900.0, 1400.0), (1500.0, 1250.0), (1300.0, 1800.0)):
        pulse = np.concatenate([np.full(RUN_IN + 10, start), np.full(90, end)])
        truth, got = first_order(pulse, lag_s)[RUN_IN:], np.exp(law.expected(pulse[None], np.zeros(1))[0])
        # derived: up from 300 to 800 µs the slowest gains 2 (500 / 300) / 0.4 s, 17 % a block; twice the lag
        # would be off by 47 %
        assert got / got[5] == pytest.approx(truth / truth[5], rel=0.12)


def test_the_rotor_solves_its_equation():
    """Against the equation of motion stepped through at a hundredth of a block."""
    u0, q, g, b, brake, off = 1060.0, 1.1, 6.0, 3.0, 0.4, 0.1
    law = np.array([[u0, q, np.log(g), np.log(b), brake, off, 0.0, np.log(60.0), np.log(60.0)]])
    throttle = work(3, 12)
    got = np.exp(log_suction(law, throttle[None], BLOCK_S)[0, 0] / 2)
    asked = np.clip((throttle - u0) / 900.0, 0.0, 1.3)
    # the controller may move by 60 / s, which is more than all of it in a block
    share = asked**q
    n, h, ends = share[0], BLOCK_S / 100, [share[0]]
    for a in share:
        drive = a + (b / g) * a * a
        for _ in range(100):
            pull = drive - n
            n += h * ((g if pull > 0 else brake * g) * pull - b * n * n)
        ends.append(n)
    # half implicit steps of 20 ms on a fan of 0.1 s: 1 % of the step at most
    assert got == pytest.approx((np.array(ends[1:]) + np.array(ends[:-1])) / 2, abs=0.01)

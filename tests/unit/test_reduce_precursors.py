"""Signs ahead of a loss: found where they were put, and none where there are none."""

from __future__ import annotations

import numpy as np
import pytest

from fakes.signals import ramp, steady, times
from undertray.reduce.warning import first_sign

T = times(10)
STILL = np.full(len(T), 1700.0)


def sign(suction, throttle=STILL):
    return first_sign(T, suction, throttle, 10.0)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("taps", [1, 4, 8])
def test_plainly_none(seed, taps):
    assert sign(steady(T, taps, seed=seed)) is None


@pytest.mark.parametrize("taps", [1, 4])
def test_flutter(taps):
    suction = steady(T, taps)
    suction[:, 0] += np.random.default_rng(3).normal(0, 25, len(T)) * ramp(T, 8.5, 0.2)
    found = sign(suction)
    assert found.kind == "flutter"
    assert found.at_s == pytest.approx(8.6, abs=0.2)


@pytest.mark.parametrize("rate_hz", [100, 200, 500, 1000])
@pytest.mark.parametrize(
    ("frequency_hz", "amplitude_pa", "taps"), [(3, 150, 4), (8, 60, 1), (18, 60, 1), (40, 60, 4)]
)
def test_flutter_is_seen_at_any_sample_rate(rate_hz, frequency_hz, amplitude_pa, taps):
    t = np.arange(10 * rate_hz) / rate_hz
    suction = 1000 + np.random.default_rng(5).normal(0, 4, (len(t), 4))
    flap = amplitude_pa * np.sin(2 * np.pi * frequency_hz * t) * (t > 9.0)
    suction[:, :taps] += flap[:, None]
    found = first_sign(t, suction, np.full(len(t), 1700.0), 10.0)
    assert found.kind == "flutter"
    assert found.at_s == pytest.approx(9.1, abs=0.11)  # at the end of one of the first two windows


def test_one_tap_ahead():
    suction = steady(T)
    suction[:, 2] *= 1 - 0.2 * ramp(T, 8.0, 1.5)
    found = sign(suction)
    assert found.kind == "one tap ahead"
    assert 8.3 < found.at_s < 8.9  # 6 % of its share are gone after some 0.5 s


def test_slow_decline_only_with_the_throttle_at_rest():
    suction = steady(T, shape=lambda t: 1 - 0.12 * ramp(t, 8.0, 2.0))
    found = sign(suction)
    assert found.kind == "slow decline"
    assert found.at_s == pytest.approx(8.9, abs=0.25)
    assert sign(suction, np.interp(T, [0, 8, 10], [1700, 1700, 1650])) is None
    assert sign(suction, np.full(len(T), np.nan)) is None


def test_a_sign_that_went_away_is_none():
    suction = steady(T)
    fluttering = (T > 7.5) & (T < 8.2)
    suction[fluttering, 0] += np.random.default_rng(3).normal(0, 40, int(fluttering.sum()))
    assert sign(suction) is None


def test_too_little_to_compare_with():
    assert first_sign(T[:300], steady(T)[:300], STILL[:300], 1.5) is None
    assert first_sign(T[:1], steady(T)[:1], STILL[:1], 1.5) is None
    assert sign(np.full((len(T), 2), np.nan)) is None

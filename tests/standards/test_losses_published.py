"""Change points and transitions against published values, and against signals made by other means."""

from __future__ import annotations

import math

import numpy as np
import pytest

from undertray.reduce.detect.onset import broken_stick, measure_fall
from undertray.reduce.losses import find_losses


def measured(shape, rate_hz=2000.0):
    t = np.arange(round(3 * rate_hz)) / rate_hz
    return measure_fall(t, 1000.0 - 800.0 * shape(t - 1.0)[:, None], np.ones(1), 1.0, 1 / rate_hz)


@pytest.mark.parametrize("tau_s", [0.01, 0.05])
def test_first_order_fall_lasts_2_197_tau(tau_s):
    # published: ln 9 = 2.19722 time constants between 10 and 90 % (first-order step response)
    fall = measured(lambda t: 1 - np.exp(-np.maximum(t, 0) / tau_s))
    assert fall.fall_s == pytest.approx(math.log(9) * tau_s, rel=0.01)
    assert fall.onset_s == pytest.approx(1.0, abs=0.1 * tau_s + 0.001)


@pytest.mark.parametrize("length_s", [0.02, 0.1, 0.4])
def test_a_straight_fall_lasts_0_8_of_its_length(length_s):
    fall = measured(lambda t: np.clip(t / length_s, 0, 1))
    assert fall.fall_s == pytest.approx(0.8 * length_s, rel=0.01)
    assert fall.onset_s == pytest.approx(1.0, abs=0.001)
    assert fall.bottom_s == pytest.approx(1.0 + length_s, rel=0.01)
    assert (fall.from_pa, fall.to_pa) == (pytest.approx(1000), pytest.approx(200, abs=5))


def test_a_gaussian_edge_lasts_2_563_sigma():
    # published: 2 x 1.28155 standard deviations between the 10 and 90 % points of the normal distribution
    sigma = 0.02
    fall = measured(
        lambda t: np.vectorize(lambda x: 0.5 * (1 + math.erf(x / math.sqrt(2))))((t - 0.1) / sigma)
    )
    assert fall.fall_s == pytest.approx(2.56310 * sigma, rel=0.01)


def test_a_step_is_bounded_by_the_sample_period():
    # IEEE Std 181: what falls within one period has no measurable duration
    assert measured(lambda t: (t >= 0).astype(float), 200.0).fall_s == pytest.approx(1 / 200)


@pytest.mark.parametrize("noise", [0.5, 2.0, 5.0])
def test_the_break_is_within_its_own_error(noise):
    """The break of a level into a slope S in white noise: the fit scatters by about its theory says."""
    # derived: with m samples past the break the slope is known to 1, and the break scatters by
    # noise / S * sqrt(6 / (m S / ...)), a few times noise / S per sample; 3 noise / S covers it for m of 20
    rng = np.random.default_rng(6)
    t = np.arange(120) / 200
    errors = []
    for _ in range(200):
        y = 100 - 2000 * np.maximum(t - 0.5, 0) + rng.normal(0, noise, len(t))
        errors.append(broken_stick(t, y, 100.0)[0] - 0.5)
    assert abs(np.median(errors)) <= 2 / 200 + noise / 2000
    assert np.percentile(np.abs(errors), 95) <= 2 / 200 + 6 * noise / 2000


def test_agrees_with_ruptures_on_its_own_signals():
    """Piecewise constant signals of the library ruptures, read as suction: every break that takes a
    fifth and more is a seal loss, dated to two samples, and no other is told."""
    ruptures = pytest.importorskip("ruptures", reason="ruptures is not installed")
    rate, found, falls, extra = 100.0, 0, 0, 0
    for seed in range(40):
        signal, breaks = ruptures.pw_constant(4000, 1, 5, noise_std=0.02, delta=(1, 3), seed=seed)
        suction = 300.0 * (signal[:, 0] - signal.min() + 1.0)
        t = np.arange(len(suction)) / rate
        losses = [e for e in find_losses(t, suction, np.full(len(t), 1700.0)) if e.kind == "seal-loss"]
        levels = [suction[a:b].mean() for a, b in zip([0, *breaks[:-1]], breaks, strict=True)]
        steps = list(zip(breaks, levels, levels[1:], strict=False))
        down = [at / rate for at, a, b in steps if b < 0.8 * a]
        any_down = [at / rate for at, a, b in steps if b < a]
        falls += len(down)
        found += sum(any(abs(e.onset_s - at) <= 2 / rate for e in losses) for at in down)
        extra += sum(not any(abs(e.onset_s - at) <= 2 / rate for at in any_down) for e in losses)
    assert falls >= 60
    assert (found, extra) == (falls, 0)

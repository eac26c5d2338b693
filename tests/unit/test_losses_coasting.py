"""Fans whose controller lets them coast: they answer the throttle only where it asks for more."""

from __future__ import annotations

import numpy as np
import pytest

from fakes.cells import some
from fakes.signals import times
from undertray.reduce.losses import find_losses

SPIN_UP_S, COAST_S, FULL_PA = 0.12, 0.6, 1800.0


def coasting(t, throttle_us):
    """Suction of a fan that spins up with one lag, and coasts by the square of its speed (drag) when let go.

    Derived: below its own speed the motor is off, so dN/dt = -N^2/T; above it dN/dt = (asked - N)/tau.
    """
    step_s, speed = float(t[1] - t[0]), 0.0
    suction = np.empty(len(t))
    for i, asked in enumerate((np.clip(throttle_us - 1000.0, 0, None) / 1000.0).tolist()):
        speed += step_s * ((asked - speed) / SPIN_UP_S if asked > speed else -speed * speed / COAST_S)
        suction[i] = FULL_PA * speed**2
    return suction


def worked(t, seed):
    """Throttle that goes up and down all the time, by hand: down to a third or to nothing, and up again."""
    rng = np.random.default_rng(seed)
    at_s, knots = 1.0, [(0.0, 1000.0), (1.0, 1000.0)]
    while at_s < t[-1]:
        up, low = rng.uniform(1550, 1900), rng.choice([1000.0, rng.uniform(1150, 1400)])
        for hold_s, pulse in ((rng.uniform(1.0, 3.0), up), (rng.uniform(0.1, 1.2), low)):
            knots += [(at_s + rng.uniform(0.05, 0.4), pulse)]
            at_s = knots[-1][0] + hold_s
            knots += [(at_s, pulse)]
    return np.round(np.interp(t, *np.array(knots).T))


def taps(suction, seed):
    share = np.linspace(1.1, 0.9, 4)
    return suction[:, None] * share + np.random.default_rng(seed).normal(0, 5, (len(suction), 4))


@pytest.mark.parametrize("seed", some(range(3), range(3, 8)))
def test_a_fan_that_is_late_has_lost_nothing(seed):
    t = times(80)
    throttle = worked(t, seed)
    found = find_losses(t, taps(coasting(t, throttle), seed), throttle)
    assert [e for e in found if e.kind == "seal-loss"] == []


@pytest.mark.parametrize("seed", some(range(3), range(3, 8)))
def test_a_loss_amid_such_work_is_told(seed):
    t = times(80)
    throttle = worked(t, seed)
    level = coasting(t, throttle)
    # where the suction is high, whatever the throttle does then
    high = np.flatnonzero((t > 40) & (t < 55) & (level > 0.6 * level.max()))
    at_s = float(t[high[len(high) // 2]])
    left = 1 - 0.6 * ((t >= at_s) & (t < at_s + 1.5))
    losses = [e for e in find_losses(t, taps(level * left, seed), throttle) if e.kind == "seal-loss"]
    (loss,) = losses
    assert loss.onset_s == pytest.approx(at_s, abs=0.02)


@pytest.mark.parametrize("gone", [(1, 3), (0, 1)])
def test_a_side_of_the_skirt_is_no_pair_of_loose_hoses(gone):
    t = times(30)
    suction = taps(np.full(len(t), 900.0), 1)
    suction[np.ix_((t >= 12) & (t < 14), gone)] *= 0.04
    (event,) = find_losses(t, suction, np.interp(t, [0, 20, 20.02, 30], [1700, 1700, 1690, 1690]))
    assert event.kind == "seal-loss"
    assert event.onset_s == pytest.approx(12.0, abs=0.011)  # 2 samples
    assert set(event.order[:2]) == {f"p{i + 1}" for i in gone}

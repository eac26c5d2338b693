"""Which tap lost its suction first: told right wherever the samples can show it."""

from __future__ import annotations

import numpy as np
import pytest

from fakes.signals import ramp, steady, times
from undertray.reduce.losses import find_losses


@pytest.mark.parametrize(
    ("rate_hz", "apart_s"), [(100.0, 0.02), (200.0, 0.01), (500.0, 0.005), (1000.0, 0.005)]
)
@pytest.mark.parametrize("fall_s", [0.02, 0.06, 0.15])
@pytest.mark.parametrize("seed", range(4))
def test_taps_that_fall_two_samples_apart_are_told_in_order(rate_hz, apart_s, fall_s, seed):
    t, order = times(13, rate_hz), np.random.default_rng(seed).permutation(4)
    suction = steady(t, 4, level_pa=1200.0, seed=seed)
    for place, tap in enumerate(order):
        suction[:, tap] *= 1 - 0.6 * ramp(t, 8.0 + place * apart_s, fall_s)
    (loss,) = find_losses(t, suction, np.full(len(t), 1600.0))
    assert loss.order == tuple(f"p{tap + 1}" for tap in order)
    assert loss.first_tap == loss.order[0]


@pytest.mark.parametrize("apart_s", [0.01, 0.15])
def test_what_fell_while_rows_were_missing_has_no_order_finer_than_the_hole(apart_s: float) -> None:
    t = times(13, 200.0)
    suction = steady(t, 4, level_pa=1200.0, seed=3)
    for tap in range(4):
        suction[:, tap] *= 1 - 0.6 * ramp(t, 8.0 + (tap > 0) * apart_s + tap * 0.01, 0.02)
    kept = (t < 8.005) | (t > 8.065)
    events = find_losses(t[kept], suction[kept], np.full(kept.sum(), 1600.0), period_s=0.005)
    (loss,) = (event for event in events if event.kind == "seal-loss")
    assert loss.order_ms == ()
    assert loss.first_tap == ("p1" if apart_s > 0.1 else None)

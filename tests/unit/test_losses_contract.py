"""Fine print of the events: what is a gap, whose fault it is, and since when."""

from __future__ import annotations

import numpy as np
import pytest

from fakes.signals import fan, steady, times
from undertray.reduce.detect.onset import measure_fall
from undertray.reduce.losses import find_losses


def throttle(t):
    return np.full(len(t), 1700.0)


def lost(rows: int, rate_hz: float):
    """Kinds of the events of a quiet run in which some rows got lost; times in whole microseconds."""
    t = np.round(times(12, rate_hz), 6)
    first = round(7 * rate_hz)
    keep = np.ones(len(t), bool)
    keep[first : first + rows] = False
    t = t[keep]
    return [e.kind for e in find_losses(t, steady(t), throttle(t))]


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 200.0, 300.0, 333.0, 700.0, 1000.0])
def test_a_gap_is_more_than_five_periods(rate_hz):
    assert lost(4, rate_hz) == []  # the next row comes exactly five periods later
    assert lost(5, rate_hz) == ["data-gap"]


def test_taps_that_are_all_missing_at_once_have_no_fault_of_their_own():
    t = times(25)
    suction = steady(t)
    suction[(t >= 8) & (t < 9.5)] = np.nan
    assert find_losses(t, suction, throttle(t)) == ()
    suction[(t >= 9.5) & (t < 11), 2] = np.nan  # one of them stays away
    (event,) = find_losses(t, suction, throttle(t))
    assert (event.kind, event.order) == ("sensor-fault", ("p3",))
    assert event.end_s == pytest.approx(11.0, abs=0.03)


def test_half_of_the_taps_missing_is_a_fault_of_each():
    t = times(25)
    suction = steady(t)
    suction[(t >= 8) & (t < 9.5), :2] = np.nan
    (event,) = find_losses(t, suction, throttle(t))
    assert (event.kind, event.order) == ("sensor-fault", ("p1", "p2"))


@pytest.mark.parametrize("what", ["stuck", "missing"])
@pytest.mark.parametrize("begin_s", [15.0, 15.005, 15.01, 15.015])
def test_a_fault_is_dated_to_the_sample(what, begin_s):
    """Wherever in a block it begins: blocks of 20 ms are four rows here."""
    t = times(25)
    suction = steady(t)
    rows = t >= begin_s - 1e-9
    suction[rows, 1] = suction[np.argmax(rows), 1] if what == "stuck" else np.nan
    (event,) = find_losses(t, suction, throttle(t))
    assert (event.kind, event.first_tap) == ("sensor-fault", "p2")
    assert event.onset_s == pytest.approx(begin_s, abs=1e-9)


def test_any_window_can_be_measured():
    """Falls that begin at the edges of what is looked at, or are none."""
    rng = np.random.default_rng(5)
    for _ in range(400):
        rate_hz, n, taps = (
            float(rng.choice([50, 200, 1000])),
            int(rng.integers(5, 300)),
            int(rng.integers(1, 5)),
        )
        t = 50 + np.arange(n) / rate_hz
        begun_s, depth = float(rng.choice(t)), float(rng.uniform(-0.2, 1.0))
        shape = 1 - depth * np.clip((t - begun_s) / rng.uniform(0.001, 1.0), 0, 1)
        suction = 900 * shape[:, None] + rng.normal(0, 1, (n, taps)) * rng.choice([0, 1, 10, 100])
        fall = measure_fall(t, suction, np.full(taps, 1 / taps), begun_s + rng.normal(0, 0.05), 1 / rate_hz)
        assert sorted(set(fall.order)) == sorted(fall.order)
        assert fall.order


@pytest.mark.parametrize("lasts_s", [6.0, 15.0])
def test_a_pinched_hose_that_leaks_is_a_fault_of_its_tap(lasts_s):
    """What is left in it goes by itself, while the throttle moves what the others read."""
    t = times(60.0)
    pulse = 1600 + 120 * np.sign(np.sin(2 * np.pi * t / 7.0))
    suction = 2400 * fan(t, pulse)[:, None] + np.random.default_rng(8).normal(0, 5, (len(t), 4))
    shut = t >= 30.0
    suction[shut, 2] = suction[t < 30.0, 2][-1] * np.exp(-(t[shut] - 30.0) / lasts_s)
    faults = [e for e in find_losses(t, suction, pulse) if e.kind != "throttle-cut"]
    assert [(e.kind, e.first_tap) for e in faults] == [("sensor-fault", "p3")]
    # it shows once the others have moved, at most half a turn of the throttle later
    assert 30.0 - 0.5 <= faults[0].onset_s <= 30.0 + 3.5

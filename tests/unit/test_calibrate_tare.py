"""The zero of a run, from its still seconds."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from undertray.calibrate.restzero import find_tare
from undertray.errors import ReductionError

RATE = 200
ZERO = np.array([12.0, -7.0, 3.0])
DRIFT = np.array([4.0, -2.0, 0.0])


def run(before_s=3.0, fan_s=20.0, after_s=4.0, low=0.0, noise=0.5, seed=0):
    """Suction of three sensors (zero, linear drift, fan with buffeting) and the throttle."""
    rng = np.random.default_rng(seed)
    n = round((before_s + fan_s + after_s) * RATE)
    t = np.arange(n) / RATE
    on = (t >= before_s) & (t < before_s + fan_s)
    throttle = np.where(on, 1700.0, 1000.0)
    # the fan takes 0.3 s to spin up and 0.5 s to run down
    speed, fan = 0.0, np.empty(n)
    for k in range(n):
        speed += ((1.0 if on[k] else low) - speed) / RATE / (0.3 if on[k] else 0.5)
        fan[k] = speed**2
    drift = DRIFT * ((t - t[0]) / t[-1])[:, None]
    buffet = 1 + 0.03 * rng.standard_normal((n, 3))
    return t, ZERO + drift + 800.0 * fan[:, None] * buffet + rng.normal(0, noise, (n, 3)), throttle


@pytest.mark.parametrize("with_throttle", [True, False])
def test_zero_before_and_after(with_throttle):
    t, suction, throttle = run()
    tare = find_tare(t, suction, throttle if with_throttle else None)
    assert tare.notices == ()
    assert tare.before.end_s <= 3.0
    assert tare.after.start_s >= 23.5  # not before the fan has run down
    # the drift is linear over 27 s; each mean of a few hundred rows is uncertain by 0.03 Pa
    expected = ZERO + DRIFT * tare.before.middle_s / t[-1]
    np.testing.assert_allclose(tare.before.zero_pa, expected, atol=0.15)
    between = (tare.after.middle_s - tare.before.middle_s) / t[-1]
    np.testing.assert_allclose(tare.drift_pa, DRIFT * between, atol=0.3)
    assert np.all(tare.before.u_pa < 0.3)


def test_zero_is_taken_off_and_drift_if_asked():
    t, suction, throttle = run()
    tare = find_tare(t, suction, throttle)
    end = t > 26.5
    plain = tare.remove(t, suction)[end].mean(axis=0)
    linear = tare.remove(t, suction, linear=True)[end].mean(axis=0)
    np.testing.assert_allclose(linear, 0, atol=0.3)
    np.testing.assert_allclose(plain, DRIFT * 25 / 27, atol=0.4)


def test_a_run_without_rest_says_so():
    t, suction, throttle = run(before_s=0.0, after_s=0.0)
    tare = find_tare(t, suction, throttle)
    assert (tare.before, tare.after) == (None, None)
    assert "no still part before or after the run" in tare.notices[0]
    with pytest.raises(ReductionError, match="no still part to take the zero from"):
        tare.remove(t, suction)


def test_a_fan_that_never_stops_is_no_zero():
    # 60 % speed before and after: quiet, low, and 290 Pa away from a zero
    t, suction, throttle = run(low=0.6)
    steady = suction[t < 3.0] * 0 + suction[t > 25].mean(axis=0)
    suction[t < 3.0] = steady + np.random.default_rng(1).normal(0, 0.5, steady.shape)
    assert find_tare(t, suction, None).notices[0].startswith("no still part before or after")
    throttle[throttle == 1000] = 1400
    assert find_tare(t, suction, throttle).notices[0].startswith("no still part before or after")


def test_only_one_end():
    t, suction, throttle = run(after_s=0.0)
    tare = find_tare(t, suction, throttle)
    assert tare.before is not None
    assert tare.after is None
    assert tare.notices == ("no still part after the run: zero drift is not known",)
    assert tare.remove(t, suction).shape == suction.shape
    with pytest.raises(ReductionError, match="drift of the zero is not known"):
        tare.remove(t, suction, linear=True)
    t, suction, throttle = run(before_s=0.0)
    assert find_tare(t, suction, throttle).notices[0].startswith("no still part before the run")


def test_a_log_of_nothing_but_rest_has_one_zero():
    t, suction, throttle = run(fan_s=0.0, before_s=6.0, after_s=0.0)
    tare = find_tare(t, suction, throttle)
    np.testing.assert_allclose(tare.before.zero_pa, ZERO + DRIFT / 2, atol=0.2)
    assert tare.after is None


def test_a_controller_with_its_neutral_in_the_middle():
    t, suction, throttle = run()
    throttle = throttle + 500
    assert find_tare(t, suction, throttle).before is None
    assert find_tare(t, suction, throttle, rest_us=1520).before is not None


def test_a_dead_sensor_does_not_hide_the_others():
    t, suction, throttle = run()
    suction[:, 1] = np.nan
    tare = find_tare(t, suction, throttle)
    assert np.isnan(tare.before.zero_pa[1])
    assert tare.before.zero_pa[0] == pytest.approx(12.2, abs=0.3)


def test_someone_moving_the_hose_is_not_still():
    t, suction, throttle = run()
    suction[(t > 1.0) & (t < 1.2), 0] += 40.0
    assert find_tare(t, suction, throttle).before.end_s <= 1.0


@pytest.mark.parametrize("rows", [0, 1, 5])
def test_too_short_for_anything(rows):
    t = np.arange(rows) / RATE
    assert find_tare(t, np.zeros((rows, 2)), None).before is None


def test_counts_that_stand_still():
    # a quiet 14-bit part gives the same count for seconds, and then its neighbour: both are still
    t, suction, throttle = run(noise=0.05)
    counts = np.round(suction / 0.38) * 0.38
    tare = find_tare(t, counts, throttle)
    assert tare.before is not None
    assert tare.after is not None
    np.testing.assert_allclose(tare.before.zero_pa, ZERO, atol=0.38)


@pytest.mark.parametrize("name", ["clean-hold", "front-fold", "slow-leak"])
def test_demo_runs_give_the_zero_they_were_made_with(name):
    from undertray.acquire.clock import board_time
    from undertray.acquire.runlog import read_run
    from undertray.calibrate.scale import nominal_suction_pa
    from undertray.virtual.stories import CAR

    log = Path(__file__).parents[2] / "demo_logs" / f"{name}.csv"
    recorded = read_run(log)
    suction = nominal_suction_pa(recorded.counts, recorded.device.columns, recorded.notes).suction_pa
    tare = find_tare(board_time(recorded).t_s, suction, recorded.throttle_us)
    # noise of about 1.5 Pa over three blocks of 100 rows, and the last of the fan's running down
    np.testing.assert_allclose(tare.before.zero_pa, CAR["sensor_offset_pa"], atol=1.0)
    np.testing.assert_allclose(tare.after.zero_pa, CAR["sensor_offset_pa"], atol=1.0)

"""The loss detector on signals made by formula: what it must find, and what it must not."""

from __future__ import annotations

import numpy as np
import pytest

import undertray
from fakes.signals import fan, ramp, steady, times
from undertray.errors import ReductionError
from undertray.reduce.detect.detector import Detector
from undertray.reduce.losses import KINDS, LossParameters, find_losses

RATES = (50.0, 200.0, 1000.0)


def kinds(events) -> list[str]:
    return [e.kind for e in events]


def throttle(t, level=1700.0):
    return np.full(len(t), level)


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("taps", [1, 2, 4, 8])
@pytest.mark.parametrize("drop", [0.25, 0.5, 0.9])
def test_a_seal_loss_is_found_once_and_dated(rate_hz, taps, drop):
    t = times(15, rate_hz)
    suction = steady(t, taps, shape=lambda t: 1 - drop * ramp(t, 8.0, 0.04))
    (event,) = find_losses(t, suction, throttle(t))
    assert event.kind == "seal-loss"
    # two samples or 10 ms: what the detector promises at the median
    assert event.onset_s == pytest.approx(8.0, abs=max(2 / rate_hz, 0.010))
    assert event.drop == pytest.approx(drop, abs=0.02)
    assert event.from_pa == pytest.approx(900, rel=0.02)
    assert event.end_s is None
    assert event.fall_s <= 0.06 + 1 / rate_hz
    assert event.throttle_us == 1700


def test_recovery_ends_it():
    t = times(20)
    suction = steady(t, shape=lambda t: 1 - 0.6 * (ramp(t, 8.0, 0.03) - ramp(t, 11.0, 0.2)))
    (event,) = find_losses(t, suction, throttle(t))
    assert event.end_s == pytest.approx(
        11.14, abs=0.06
    )  # 70 % of the fall is back after 0.14 s, in blocks of 20 ms


@pytest.mark.parametrize("order", [(0, 1, 2, 3), (3, 1, 0, 2), (2, 3, 0, 1)])
def test_which_tap_went_first(order):
    t = times(15)
    suction = steady(t)
    for place, tap in enumerate(order):
        suction[:, tap] *= 1 - 0.7 * ramp(t, 8.0 + 0.03 * place, 0.02)
    (event,) = find_losses(t, suction, throttle(t), tap_names=["a", "b", "c", "d"])
    assert event.order == tuple("abcd"[i] for i in order)
    assert event.first_tap == "abcd"[order[0]]
    assert event.onset_s == pytest.approx(8.0, abs=0.01)


def test_a_fall_over_seconds_is_a_slow_leak():
    t = times(25)
    suction = steady(t, shape=lambda t: 1 - 0.5 * ramp(t, 8.0, 4.0))
    (event,) = find_losses(t, suction, throttle(t))
    assert event.kind == "slow-leak"
    assert event.onset_s == pytest.approx(8.0, abs=0.6)
    assert event.drop == pytest.approx(0.5, abs=0.05)
    assert event.fall_s == pytest.approx(3.2, abs=0.8)  # 0.8 of a straight ramp


@pytest.mark.parametrize("lag_s", [0.03, 0.12, 0.4])
@pytest.mark.parametrize("exponent", [1.0, 2.0, 3.0])
def test_throttle_work_is_no_loss_whatever_the_fan(lag_s, exponent):
    """The first cut of a run too, when nothing is known of the fan yet."""
    t = times(60)
    rng = np.random.default_rng(4)
    pulse = np.repeat(rng.uniform(1150, 1950, 30), 400)[: len(t)]
    pulse[2400:2600] = 1000
    suction = 1500 * fan(t, pulse, lag_s)[:, None] ** (exponent / 2) + rng.normal(0, 6, (len(t), 4))
    events = find_losses(t, suction, pulse)
    assert set(kinds(events)) == {"throttle-cut"}
    assert any(abs(e.onset_s - 12.0) < 0.01 for e in events)


def test_a_loss_while_the_throttle_moves():
    t = times(60)
    pulse = np.interp(
        t, [0, 1, 20, 20.3, 30, 30.02, 40, 43, 60], [1000, 1700, 1700, 1400, 1400, 1800, 1800, 1400, 1400]
    )
    suction = 1500 * fan(t, pulse)[:, None] * (1 - 0.5 * (ramp(t, 41.0, 0.03) - ramp(t, 42.5, 0.1)))[:, None]
    suction = suction * np.linspace(1.1, 0.9, 4) + np.random.default_rng(1).normal(0, 5, (len(t), 4))
    losses = [e for e in find_losses(t, suction, pulse) if e.kind != "throttle-cut"]
    assert kinds(losses) == ["seal-loss"]
    assert losses[0].onset_s == pytest.approx(41.0, abs=0.01)
    assert losses[0].drop == pytest.approx(0.5, abs=0.05)
    assert losses[0].end_s == pytest.approx(42.57, abs=0.08)


_BUMPS_S = np.arange(5.0, 58.0, 1.7)


def bumps(width_s, depth):
    """A minute with falls to a peak and back, as long at half their depth as either flank takes."""
    t = times(60)
    dip = sum(np.clip(1 - np.abs(t - c) / width_s, 0, 1) for c in _BUMPS_S)
    return find_losses(t, steady(t, shape=lambda t: 1 - depth * dip), throttle(t))


@pytest.mark.parametrize(
    ("width_s", "depth"), [(w, d) for w in (0.02, 0.06) for d in (0.2, 0.5, 0.8)] + [(0.12, 0.2)]
)
def test_bumps_are_no_event(width_s, depth):
    assert bumps(width_s, depth) == ()


@pytest.mark.parametrize("depth", [0.5, 0.8])
def test_what_heals_after_an_eighth_of_a_second_is_a_brief_loss(depth):
    """Upside down it is a fall: free for 0.1 s the car has dropped by 5 cm (g t^2 / 2)."""
    found = bumps(0.12, depth)
    assert [(e.kind, e.brief) for e in found] == [("seal-loss", True)] * len(_BUMPS_S)
    # two samples or 10 ms, as any loss is dated
    assert [e.onset_s for e in found] == pytest.approx(_BUMPS_S - 0.12, abs=0.010)
    # seven tenths of the fall are back 36 ms before the end, in blocks of 20 ms
    assert [e.end_s for e in found] == pytest.approx(_BUMPS_S + 0.084, abs=0.06)


@pytest.mark.parametrize("hertz", [7.0, 23.0, 67.0, 99.0])
def test_vibration_is_no_event(hertz):
    t = times(60)
    suction = steady(t, shape=lambda t: 1 + 0.08 * np.sin(2 * np.pi * hertz * t))
    assert find_losses(t, suction, throttle(t)) == ()


def test_correlated_noise_is_no_event():
    """AR(1) noise of 4 % and phi 0.95: the kind that shortens the run of a naive CUSUM tenfold."""
    t = times(300)
    rng = np.random.default_rng(8)
    noise, shock = np.zeros(len(t)), rng.normal(0, np.sqrt(1 - 0.95**2), len(t))
    for i in range(1, len(t)):
        noise[i] = 0.95 * noise[i - 1] + shock[i]
    suction = 900 * (1 + 0.04 * noise)[:, None] + rng.normal(0, 6, (len(t), 4))
    assert find_losses(t, suction, throttle(t)) == ()


def test_a_sagging_pack_is_no_leak():
    t = times(240)
    suction = steady(t, shape=lambda t: (1 - 0.15 * t / 240) ** 2)
    assert find_losses(t, suction, throttle(t)) == ()


def fault(change):
    t = times(25)
    suction = steady(t)
    pulse = np.interp(t, [0, 14, 14.02, 25], [1700, 1700, 1690, 1690])
    change(t, suction)
    return find_losses(t, suction, pulse)


def test_a_hose_off_is_a_sensor_fault():
    def off(t, suction):
        suction[(t >= 8) & (t < 12), 2] = np.random.default_rng(2).normal(0, 4, 800)

    (event,) = fault(off)
    assert (event.kind, event.first_tap) == ("sensor-fault", "p3")
    assert event.onset_s == pytest.approx(8.0, abs=0.01)
    assert event.end_s == pytest.approx(12.0, abs=0.05)


def test_a_stuck_tap_is_a_sensor_fault():
    def stuck(t, suction):
        suction[(t >= 8) & (t < 12), 1] = 901.5

    (event,) = fault(stuck)
    assert (event.kind, event.first_tap) == ("sensor-fault", "p2")
    assert event.onset_s == pytest.approx(8.0, abs=0.03)
    assert event.end_s == pytest.approx(12.0, abs=0.03)


def test_a_missing_tap_is_a_sensor_fault_and_a_lost_reading_is_not():
    def missing(t, suction):
        suction[::50, 0] = np.nan
        suction[(t >= 8) & (t < 8.5), 3] = np.nan

    (event,) = fault(missing)
    assert (event.kind, event.first_tap) == ("sensor-fault", "p4")
    assert event.onset_s == pytest.approx(8.0, abs=0.03)
    assert event.end_s == pytest.approx(8.5, abs=0.03)


def test_a_saturated_tap_is_a_sensor_fault():
    t = times(20)
    suction = steady(t)
    beyond = np.zeros(suction.shape, bool)
    beyond[(t >= 8) & (t < 9), 0] = True
    (event,) = find_losses(t, suction, throttle(t), out_of_range=beyond)
    assert (event.kind, event.first_tap) == ("sensor-fault", "p1")
    # all of them at their limit is too small a range, and no fault of one
    beyond[(t >= 8) & (t < 9)] = True
    assert find_losses(t, suction, throttle(t), out_of_range=beyond) == ()


@pytest.mark.parametrize("taps", [1, 3])
@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 200.0])
def test_a_range_that_is_too_small_makes_no_loss(taps, rate_hz):
    """Throttle up until all taps stand at their upper end, and down again."""
    t = times(24, rate_hz)
    pulse = np.interp(t, [0, 2, 3, 12, 12.3, 18, 18.3], [1000, 1000, 1500, 1500, 1950, 1950, 1500])
    true = 8000 * fan(t, pulse)[:, None] + steady(t, taps, 0.0)
    beyond = true > 4000
    told = find_losses(t, np.where(beyond, 4000.0, true), pulse, out_of_range=beyond)
    # of a car's only tap it is that tap's trouble
    allowed = {"throttle-cut", "sensor-fault"} if taps == 1 else {"throttle-cut"}
    assert set(kinds(told)) <= allowed


def test_a_loss_out_of_a_range_that_is_too_small_is_found():
    t = times(20)
    true = steady(t, level_pa=1500.0, shape=lambda t: 1 - 0.8 * ramp(t, 12.0, 0.01))
    pulse = throttle(t)
    beyond = true > 1200
    (event,) = find_losses(t, np.where(beyond, 1200.0, true), pulse, out_of_range=beyond)
    assert event.kind == "seal-loss"
    assert event.onset_s == pytest.approx(12.0, abs=0.02)


def test_taps_that_all_fall_to_nothing_are_no_sensor_fault():
    t = times(15)
    suction = steady(t, shape=lambda t: 1 - 0.97 * ramp(t, 8.0, 0.01))
    assert kinds(find_losses(t, suction, throttle(t))) == ["seal-loss"]


def test_a_gap_is_told_and_never_bridged():
    t = times(20)
    suction = steady(t, shape=lambda t: np.where(t < 8.2, 1.0, 0.4))
    keep = (t < 8.0) | (t > 8.5)  # the fall happens unseen
    events = find_losses(t[keep], suction[keep], throttle(t)[keep])
    assert kinds(events) == ["data-gap"]
    assert (events[0].onset_s, events[0].end_s) == (pytest.approx(7.995), pytest.approx(8.505))


def test_four_lost_rows_are_no_gap():
    t = times(20)
    keep = np.ones(len(t), bool)
    keep[1600:1604] = False
    assert find_losses(t[keep], steady(t)[keep], throttle(t)[keep]) == ()


@pytest.mark.parametrize("pulse", [None, np.nan])
def test_without_throttle_only_speed_is_left(pulse):
    t = times(30)
    unknown = None if pulse is None else np.full(len(t), pulse)
    sudden = steady(t, shape=lambda t: 1 - 0.6 * ramp(t, 8.0, 0.05))
    (event,) = find_losses(t, sudden, unknown)
    assert event.kind == "seal-loss"
    assert event.throttle_us is None
    assert event.confidence < find_losses(t, sudden, throttle(t))[0].confidence
    coasting = steady(t, shape=lambda t: np.where(t < 8, 1.0, np.exp(-(t - 8) / 0.3)))
    leaking = steady(t, shape=lambda t: 1 - 0.5 * ramp(t, 8.0, 4.0))
    assert find_losses(t, coasting, unknown) == ()
    assert find_losses(t, leaking, unknown) == ()


def test_a_run_cut_off_100_ms_after_the_onset_has_the_loss():
    t = times(15)
    suction = steady(t, shape=lambda t: 1 - 0.5 * ramp(t, 8.0, 0.03))
    keep = t <= 8.1
    assert kinds(find_losses(t[keep], suction[keep], throttle(t)[keep])) == ["seal-loss"]


def test_nothing_in_nothing():
    t = times(5)
    assert find_losses(t, np.zeros(len(t)), None) == ()
    # no tap could be read: that is no fault of one while the others are well
    assert find_losses(t, np.full((len(t), 2), np.nan), throttle(t)) == ()
    assert kinds(find_losses(t, np.full(len(t), np.nan), throttle(t))) == ["sensor-fault"]
    assert find_losses([], [], None) == ()
    assert find_losses([0.0], [1.0], [1500.0]) == ()


def test_one_column_may_be_flat():
    t = times(15)
    suction = steady(t, 1, shape=lambda t: 1 - 0.5 * ramp(t, 8.0, 0.03))
    assert find_losses(t, suction[:, 0], throttle(t)) == find_losses(t, suction, throttle(t))


def test_parameters_are_used():
    t = times(15)
    suction = steady(t, shape=lambda t: 1 - 0.3 * ramp(t, 8.0, 0.03))
    assert find_losses(t, suction, throttle(t), LossParameters(min_drop=0.4)) == ()


@pytest.mark.parametrize(
    ("t", "suction", "pulse"),
    [
        ([0, 1, 0.5], [1, 2, 3], None),
        ([0, 1, np.nan], [1, 2, 3], None),
        ([0, 1, 2], [1, 2], None),
        ([0, 1, 2], [1, 2, 3], [1500]),
        ([0, 1], np.zeros((2, 65)), None),
    ],
)
def test_refuses_what_does_not_fit(t, suction, pulse):
    with pytest.raises(ReductionError):
        find_losses(t, suction, pulse)


def test_public_names():
    assert undertray.find_losses is find_losses
    assert KINDS == ("seal-loss", "slow-leak", "throttle-cut", "sensor-fault", "data-gap")


def _coarse(rate_hz: float, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A minute with the fans up, and one plain loss of several seconds."""
    rng = np.random.default_rng(seed)
    t = times(60, rate_hz) + rng.uniform(0, 1 / rate_hz)
    up = (t > 2.5) & (t < 55.5)
    lost_s, seconds = rng.uniform(15, 35), rng.uniform(3, 10)
    left = np.where((t > lost_s) & (t < lost_s + seconds), 0.25, 1.0)
    level = np.where(up, 1 - np.exp(-(t - 2.5).clip(0) / 0.3), 0.0) * left
    suction = 900 * level[:, None] * [1.0, 0.9, 1.1, 1.0] + rng.normal(0, 5, (len(t), 4))
    return t, suction, np.where(up, 1700.0, 1000.0)


@pytest.mark.slow
@pytest.mark.parametrize("rate_hz", [5.0, 10.0])
def test_at_five_rows_a_second_every_plain_loss_is_found(rate_hz):
    for seed in range(20):
        assert kinds(find_losses(*_coarse(rate_hz, seed))).count("seal-loss") == 1


@pytest.mark.parametrize("rate_hz", [4.0, 1.0, 0.1])
def test_fewer_rows_tell_of_gaps_only(rate_hz):
    t, suction, throttle = _coarse(rate_hz, 1)
    assert find_losses(t, suction, throttle) == ()
    later = np.concatenate([t, t[-1] + 6 / rate_hz + t])
    again = np.concatenate([suction, suction]), np.concatenate([throttle, throttle])
    assert kinds(find_losses(later, *again)) == ["data-gap"]


@pytest.mark.parametrize("period_s", [0.0, -1.0, float("nan"), float("inf")])
def test_a_period_that_is_none_is_refused(period_s):
    t, suction, throttle = _coarse(10.0, 1)
    with pytest.raises(ReductionError, match="period"):
        find_losses(t, suction, throttle, period_s=period_s)


def _with_a_low_tap(share, taps=6, seed=3):
    """Fans that come up after two seconds, one tap that reads a share of the rest; two throttles."""
    t = times(14)
    pulse = np.where(t < 2, 1000.0, np.where(t < 8, 1600.0, 1750.0))
    came = np.where(t < 2, 0.0, np.where(t < 8, 0.7, 1.0)) * (1 - np.exp(-np.maximum(t - 2, 0) / 0.1))
    suction = steady(t, taps, noise_pa=3.0, seed=seed, shape=lambda t: came)
    suction[:, 1] = 900 * share * came + np.random.default_rng(seed).normal(0, 3, len(t))
    return t, suction, pulse


@pytest.mark.parametrize("taps", [3, 6])
def test_a_hose_that_was_never_on_is_told_from_the_first_row(taps):
    (event,) = find_losses(*_with_a_low_tap(0.0, taps))
    assert (event.kind, event.first_tap, event.onset_s, event.end_s) == ("sensor-fault", "p2", 0.0, None)
    # what the others read beside it, at the lower throttle or the higher
    assert event.from_pa == pytest.approx(900 * 0.85, rel=0.25)
    assert abs(event.to_pa) < 5


@pytest.mark.parametrize("share", [0.1, 0.4])
def test_a_tap_beside_an_edge_that_leaks_is_no_fault(share):
    """Suction under a floor is not even: next to nothing at every throttle is what cannot be."""
    assert find_losses(*_with_a_low_tap(share)) == ()


def test_a_hose_that_was_never_on_is_the_same_in_pieces_of_any_size():
    t, suction, pulse = _with_a_low_tap(0.0)
    told = []
    for size in (7, 333, len(t)):
        detector = Detector(1 / 200, 6)
        for a in range(0, len(t), size):
            detector.feed(t[a : a + size], suction[a : a + size], pulse[a : a + size])
        told.append(detector.finish())
    assert told[0] == told[1] == told[2]

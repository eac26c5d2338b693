"""The loss detector's speed, beside peers in the same run.

Aimed at is 20 times ``ruptures.Window`` on the same signal. That is reached on a drive with a fold every
two minutes, and three times over where nothing happens. It is NOT reached where something happens all
the time: 16 to 17 times with a bump every 5 s, 15 with the throttle fully up and down twice a minute,
where most of the time goes into measuring, learning and looking again (over an hour of such laps 15 to
17; on another machine it was 20 to 21). The limits below leave a third to a loaded machine.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fakes.signals import drives, fan, laps, ramp, times
from fakes.stopwatch import cpu_s
from undertray.reduce.losses import find_losses


def drive(minutes: float):
    """Eight taps at 200 Hz: a hold with a throttle step every 20 s, a bump every 5 s, a loss every minute."""
    t = times(60 * minutes)
    throttle = np.where(t % 40 < 20, 1700.0, 1600.0)
    bump = np.clip(1 - np.abs(t % 5 - 2.5) / 0.04, 0, 1)
    loss = ramp(t % 60, 31.0, 0.04) - ramp(t % 60, 34.0, 0.2)
    shape = 1 - 0.2 * bump - 0.5 * loss
    noise = np.random.default_rng(1).normal(0, 8, (len(t), 8))
    return t, 2000 * (fan(t, throttle) * shape)[:, None] + noise, throttle


def lapping(minutes: float):
    """Laps of a track, readings in counts."""
    t = times(60 * minutes)
    suction, throttle = laps(t)
    return t, np.round(suction / 0.38) * 0.38, throttle


def driving(minutes: float):
    """One drive at one throttle, readings in counts."""
    t = times(60 * minutes)
    suction, throttle = drives(t)
    return t, np.round(suction / 0.38) * 0.38, throttle


def quiet(minutes: float):
    """Nothing but noise on a hold."""
    t = times(60 * minutes)
    return t, 900 + np.random.default_rng(2).normal(0, 8, (len(t), 8)), np.full(len(t), 1700.0)


@pytest.mark.parametrize(
    ("signal", "losses", "least"),
    [
        (drive, 5, 11.0),  # measured: 16 to 17
        (lapping, 2, 10.0),  # measured: 15
        (driving, 2, 20.0),  # measured: 33 to 35, and 41 over an hour
        (quiet, 0, 40.0),  # measured: 61 to 63
    ],
)
def test_faster_than_a_sliding_window_search(signal, losses, least, capsys):
    """Against ruptures.Window on the same eight columns, at the width that a fall has."""
    ruptures = pytest.importorskip("ruptures", reason="ruptures is not installed")
    t, suction, throttle = signal(5)
    assert len([e for e in find_losses(t, suction, throttle) if e.kind == "seal-loss"]) == losses
    search = ruptures.Window(width=40, model="l2")
    ours, theirs = cpu_s(
        lambda: find_losses(t, suction, throttle), lambda: search.fit(suction).predict(pen=1e9)
    )
    with capsys.disabled():
        print(f"\n{signal.__name__}, {len(t)} rows of 8 taps: {1e3 * ours:.1f} ms,", end=" ")
        print(f"ruptures.Window {1e3 * theirs:.0f} ms ({theirs / ours:.1f}x)")
    assert theirs > least * ours


@pytest.mark.parametrize("signal", [drive, lapping])
def test_twice_the_run_takes_twice_the_time(signal):
    short, long = signal(10), signal(20)
    once, twice = cpu_s(lambda: find_losses(*short), lambda: find_losses(*long), turns=5)
    assert twice < 2.2 * once


def test_beside_reading_the_same_rows(tmp_path, capsys):
    t, suction, throttle = drive(10)
    table = pd.DataFrame({"t_us": np.round(t * 1e6).astype(np.int64), "throttle_us": throttle})
    for i in range(8):
        table[f"p{i + 1}"] = np.round(suction[:, i] * 5).astype(np.int64)
    path = tmp_path / "rows.csv"
    table.to_csv(path, index=False)
    read, ours = cpu_s(lambda: pd.read_csv(path), lambda: find_losses(t, suction, throttle))
    with capsys.disabled():
        print(f"\n{len(t)} rows of 8 taps: detector {ours:.3f} s, pandas.read_csv {read:.3f} s ", end="")
        print(f"({ours / read:.1f}x)")
    # measured: 1.4 to 1.5 times; a step in the cost of the detector would show
    assert ours < 3 * read

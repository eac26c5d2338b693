"""A pack at its end, told from a slow leak by its voltage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fakes.cars import bare_car
from fakes.runs import run_of
from fakes.signals import ramp, times
from undertray.acquire.runlog import Note
from undertray.reduce.loss import Loss
from undertray.reduce.losses import without_pack_sag
from undertray.reduce.run import reduce_run

CAR = bare_car([(0, 0), (300, 0), (300, 200), (0, 200)], [(50, 50), (50, 150), (250, 50), (250, 150)])
NONE = np.empty(0)


def leak(drop, onset_s=20.0, bottom_s=32.0):
    return Loss("slow-leak", onset_s, bottom_s, from_pa=1000.0, to_pa=1000.0 * (1 - drop), drop=drop)


@pytest.mark.parametrize(
    ("drop", "volts", "stands"),
    [
        # derived, by suction going with the square of the voltage: 0.9^2 = 0.81, 0.8^2 = 0.64
        (0.19, 0.9, False),
        (0.36, 0.8, False),
        (0.40, 0.8, False),  # 1 - 0.60/0.64 = 0.06 is missing beyond that, less than 0.2
        (0.50, 0.8, True),  # 1 - 0.50/0.64 = 0.22
        (0.21, 1.0, True),
        (0.21, 1.1, True),  # a voltage that rises excuses nothing
    ],
)
def test_what_the_voltage_explains_is_taken_back(drop, volts, stands):
    t = np.arange(60.0)  # once a second, as the board does
    kept, said = without_pack_sag([leak(drop)], t, 8000.0 * np.where(t < 26, 1.0, volts))
    assert bool(kept) == stands
    assert len(said) == (not stands)
    if said:
        assert f"fell by {drop:.0%} from 20.0 s on" in said[0]
        assert f"from 8.00 to {8 * volts:.2f} V, which explains {1 - volts**2:.0%}" in said[0]


def test_other_events_stand_and_without_a_voltage_the_doubt_is_said():
    loss = replace(leak(0.5), kind="seal-loss")
    kept, said = without_pack_sag([loss, leak(0.3), leak(0.3, bottom_s=23.0)], NONE, NONE)
    assert len(kept) == 3
    (only,) = said
    assert "slow leak at 20.0 s: the pack's voltage there is not known" in only


@pytest.mark.parametrize(
    "pack_mv",
    [
        np.where(np.arange(60) == 32, 1.0, 12000.0),  # one wrong reading at the bottom
        np.where(np.arange(60) == 32, 6000.0, 12000.0),
        np.where(np.arange(60) > 24, 1.0, 12000.0),  # the wire came off
        np.where(np.arange(60) > 24, 8000.0, 12000.0),
    ],
)
def test_a_wrong_voltage_takes_no_leak_back(pack_mv):
    kept, said = without_pack_sag([leak(0.45)], np.arange(60.0), pack_mv)
    assert len(kept) == 1
    assert all("not known" in n for n in said)


def test_few_readings_are_none():
    t = np.array([20.0, 32.0])
    kept, _ = without_pack_sag([leak(0.3)], t, np.array([12000.0, 9000.0]))
    assert len(kept) == 1


@pytest.mark.parametrize("sag", [True, False])
def test_in_a_run(sag):
    t = times(50)
    volts = 8.0 * (1 - 0.16 * ramp(t, 20.0, 14.0))
    left = (volts / 8.0) ** 2
    suction = 900 * left[:, None] + np.random.default_rng(1).normal(0, 5, (len(t), 4))
    told = volts if sag else np.full(len(t), 8.0)
    notes = tuple(
        Note(0, "status", {"pack_mv": round(1000 * told[row])}, row) for row in range(0, len(t), 200)
    )
    found = reduce_run(replace(run_of(t, suction, np.full(len(t), 1700.0)), notes=notes), CAR)
    assert [e.kind for e in found.events] == ([] if sag else ["slow-leak"])
    assert any("not told as a leak" in n for n in found.notices) == sag

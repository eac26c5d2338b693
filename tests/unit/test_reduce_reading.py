"""Counts to suction piece by piece: the same as the whole run at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fakes.cars import bare_car
from fakes.runs import run_of
from undertray.acquire.device import Column
from undertray.acquire.runlog import Note
from undertray.calibrate.calibration import Calibration, ColumnCalibration
from undertray.calibrate.scale import nominal_suction_pa
from undertray.reduce.loads import Part, load_matrix
from undertray.reduce.longtable import pieces
from undertray.reduce.reading import tap_suction

PIECE = next(pieces(0, 1 << 20))[1]
N = 2 * PIECE + 777
CAR = bare_car([(0, 0), (300, 0), (300, 200), (0, 200)], [(50, 50), (50, 150), (250, 100)])
# coefficients of the MS5525DSO datasheet's example PROM, exponents of its 1 psi range
MS = {
    "kind": "ms5525dso",
    "c": [36402, 39473, 40393, 29523, 29854, 21917],
    "q": [15, 17, 7, 5, 7, 21],
    "range_pa": 6894.757,
}


def run(compensated: bool):
    t = np.arange(N) / 200
    level = 900 + np.random.default_rng(1).normal(0, 30, (N, 3))
    found = run_of(t, level, np.full(N, 1600.0))
    counts = found.counts.copy()
    counts[100:200, 1] = np.nan
    # a part cut off at its limit over each seam, by two readings on one side and one on the other
    counts[PIECE - 1 : PIECE + 2, 0] = 14746
    counts[2 * PIECE - 2 : 2 * PIECE + 1, 2] = 1638
    counts[5000:5002, 0] = 14746  # two are none
    counts[6000, 0] = 15000
    device = found.device
    if compensated:
        counts[:, 1] = 9012764 + 1000 * np.sin(t)
        columns = list(device.columns)
        columns[1] = Column("p2", "MS5525DSO", "1psi", 0, 40, None, "high", MS)
        device = replace(device, columns=tuple(columns))
    notes = tuple(
        Note(0, "status", {"second": [None, 3821312 + 40 * i, None]}, 200 * i) for i in range(N // 200)
    )
    return replace(found, counts=counts, device=device, notes=notes)


def calibration():
    def column(*b):
        return ColumnCalibration("x", np.array(b), np.eye(len(b)) * 1e-6, (-50.0, 980.0), 1.0)

    columns = {"p1": column(3.0, 1.01), "p2": column(1.0, 0.99, 1e-6), "p3": column(-2.0, 1.0)}
    return Calibration("2026-01-01T00:00:00Z", {}, 9.80665, "", columns)


@pytest.mark.parametrize("compensated", [False, True])
@pytest.mark.parametrize("calibrated", [False, True])
def test_pieces_give_what_the_whole_gives(compensated, calibrated):
    log, certificate = run(compensated), calibration() if calibrated else None
    whole = nominal_suction_pa(log.counts, log.device.columns, log.notes)
    found = tap_suction(log, CAR, certificate)
    names = [tap.column for tap in CAR.taps]
    expected = whole.suction_pa if certificate is None else certificate.apply(whole.suction_pa, names)
    np.testing.assert_array_equal(found.pa, expected)
    np.testing.assert_array_equal(found.out_of_range, whole.out_of_range)
    assert {tap: rows.sum() for tap, rows in found.beyond.items()} == {0: 3 + 1, 2: 3}
    np.testing.assert_array_equal(found.nominal[4000:4010], whole.suction_pa[4000:4010])
    if certificate is not None:
        # derived: 980 Pa and a fiftieth of the span beyond it, 1000.6 Pa
        share = float((whole.suction_pa[:, 0] > 1000.6).mean() + (whole.suction_pa[:, 0] < -70.6).mean())
        assert found.outside["t0"] == pytest.approx(share, abs=1e-12)


@pytest.mark.parametrize("compensated", [False, True])
def test_means_without_a_table(compensated):
    log = run(compensated)
    whole = nominal_suction_pa(log.counts, log.device.columns, log.notes).suction_pa
    found = tap_suction(log, CAR, calibration()).nominal
    rows = np.zeros(N, bool)
    rows[300:9000] = True
    part = Part(load_matrix(CAR), [0, 1, 2], rows, 8700)
    # rounding: some thousand sums of numbers of up to 1e7
    means, squares = part.moments(found, [1])
    np.testing.assert_allclose(means, whole[rows].mean(axis=0), rtol=1e-10)
    assert squares == pytest.approx([np.square(whole[rows, 1]).mean()], rel=1e-12)
    one = Part(load_matrix(CAR, {"t0", "t2"}), [0, 2], rows, 8700)
    np.testing.assert_allclose(one.moments(found)[0], whole[rows][:, [0, 2]].mean(axis=0), rtol=1e-10)

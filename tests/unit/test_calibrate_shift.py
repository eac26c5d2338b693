"""Zero and span shift between two calibrations."""

from __future__ import annotations

import numpy as np
import pytest

from undertray.calibrate.calibration import Calibration, ColumnCalibration
from undertray.calibrate.findings import shift_findings, shift_since


def column(coefficients, top=1000.0):
    size = len(coefficients)
    return ColumnCalibration(
        part="",
        coefficients=np.array(coefficients),
        covariance=np.diag([0.25, 1e-6, 1e-14][:size]),
        range_pa=(0.0, top),
        residual_sd_pa=1.0,
        coverage_factor=2.0,
    )


def test_two_lines():
    # derived by hand: x(p) = (p - b0)/b1: x(0) -2 and 1; x(1000) 998 and 1000/1.25 + 1
    moved = shift_since(column([2.0, 1.0]), column([-1.25, 1.25]))
    assert moved.zero_pa == pytest.approx(-2 - 1)
    assert moved.at_pa == pytest.approx(1002.0)
    assert moved.span_pa == pytest.approx(1002 - 1002 / 1.25)
    # u of each zero is 0.5 / b1
    assert moved.zero_u95_pa == pytest.approx(2 * np.hypot(0.5, 0.5 / 1.25), rel=1e-4)


def test_a_parabola_goes_over_into_the_line():
    line, nearly = column([2.0, 1.0]), column([2.0, 1.0, 1e-12])
    moved = shift_since(nearly, line)
    assert moved.zero_pa == pytest.approx(0, abs=1e-9)
    assert moved.span_pa == pytest.approx(0, abs=1e-5)
    curved = column([2.0, 1.0, 1e-4])
    moved = shift_since(curved, line)
    # derived: 1e-4 x^2 + x + 2 = 1002 at x = 916.0798
    assert moved.span_pa == pytest.approx((916.0798 + 2.0004) - (1000 + 2.0), abs=1e-3)


def test_findings_name_what_moved():
    def calibration(uid, **columns):
        return Calibration("2026-05-02T10:15:00Z", {"name": "water"}, 9.80665, uid, columns)

    now = calibration("aa", p1=column([5.0, 1.0]), p2=column([0.0, 1.0]))
    lines = shift_findings(now, calibration("aa", p1=column([0.0, 1.0])))
    assert lines[0] == "since the calibration of 2026-05-02T10:15:00Z:"
    assert "p1: zero -5.00 Pa (beyond its uncertainty of 1.41 Pa), span +0.00 Pa" in lines[1]
    assert lines[2] == "  p2: not in it"
    assert "another board" in shift_findings(now, calibration("bb", p1=column([0.0, 1.0])))[1]

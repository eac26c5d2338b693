"""The reference curve of a good run."""

from __future__ import annotations

import numpy as np
import pytest

from fakes.reductions import invented_reduction
from undertray.errors import ReductionError
from undertray.report.reference import reference_curve


def _sweep() -> object:
    """Four levels whose suction follows the fan law exactly: 0.003 Pa per us squared above 1000 us."""
    reduction = invented_reduction(seconds=20.0, fold_at_s=None)
    series = reduction.series
    steps = np.array([1000.0, 1300.0, 1500.0, 1700.0])
    series.throttle_us[:] = steps[np.minimum(series.t_s // 5, 3).astype(int)]
    series.mean_suction_pa[:] = 0.003 * (series.throttle_us - 1000.0) ** 2
    return reduction


def test_a_sweep_by_the_fan_law_is_given_back_exactly_between_and_beyond_its_levels() -> None:
    curve = reference_curve(_sweep())  # type: ignore[arg-type]
    at_us = np.array([900.0, 1000.0, 1150.0, 1300.0, 1432.0, 1700.0, 1850.0, np.nan])
    expected = 0.003 * np.maximum(at_us - 1000.0, 0.0) ** 2
    assert curve(at_us) == pytest.approx(expected, rel=1e-9, abs=1e-9, nan_ok=True)


def test_one_level_is_enough() -> None:
    curve = reference_curve(invented_reduction(fold_at_s=None))
    assert float(curve(np.array([1700.0]))[0]) == pytest.approx(1500.0, rel=0.01)
    # derived: half the throttle above idle gives a quarter of the suction
    assert float(curve(np.array([1350.0]))[0]) == pytest.approx(375.0, rel=0.01)


def test_a_run_without_throttle_or_hold_gives_none() -> None:
    with pytest.raises(ReductionError, match="no reference curve"):
        reference_curve(invented_reduction(fold_at_s=None, throttle=False))
    with pytest.raises(ReductionError, match="no reference curve"):
        reference_curve(invented_reduction(seconds=3.5, fold_at_s=None))

"""Counts of a run to suction at the taps of a car."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.runlog import Run
from undertray.calibrate.certificate import Calibration
from undertray.calibrate.scale import nominal_suction_pa
from undertray.errors import CalibrationError, ReductionError
from undertray.reduce.car import Car

__all__ = ["TapSuction", "tap_suction"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

_EDGE = 0.02  # of the calibrated span: as far as a reading may lie outside before it is said


@dataclass(frozen=True, slots=True, eq=False)
class TapSuction:
    """Suction at the car's taps, in the car's order.

    Attributes
    ----------
    pa : ndarray, shape (n, taps)
        Suction, Pa; NaN where missing.
    nominal_mean_pa : ndarray, shape (taps,)
        Mean nominal suction, by the parts' own scales, Pa.
    out_of_range : ndarray of bool, shape (n, taps)
        The part was beyond its own range.
    outside : dict of str to float
        Taps that read outside the calibrated range, and in which share of the rows.
    """

    pa: Array
    nominal_mean_pa: Array
    out_of_range: Bools
    outside: dict[str, float]


def tap_suction(run: Run, car: Car, calibration: Calibration | None) -> TapSuction:
    """Counts of a run to suction at the taps of a car.

    Parameters
    ----------
    run : Run
        The run.
    car : Car
        Which column reads which tap.
    calibration : Calibration or None
        The board's calibration.

    Returns
    -------
    TapSuction

    Raises
    ------
    ReductionError
        When the log does not describe its board, or lacks a column that the car names.
    """
    if run.device is None:
        raise ReductionError(
            "the log has no description of the board",
            where=run.name,
            expected="a 'device' note with the scale of every column",
            do="record again, or add the note of that board",
        )
    columns = {c.name: c for c in run.device.columns}
    missing = [tap for tap in car.taps if tap.column not in columns or tap.column not in run.columns]
    if missing:
        raise ReductionError(
            f"the log has no column for tap {missing[0].name!r}",
            where=run.name,
            seen=missing[0].column,
            expected="one of " + ", ".join(run.columns),
            do="correct 'column' in car.toml",
        )
    wanted = [run.columns.index(tap.column) for tap in car.taps]
    used = [columns[tap.column] for tap in car.taps]
    if calibration is not None:
        _check_calibrated(calibration, car)
    status = [replace(n, data={**n.data, "second": _picked(n.data.get("second"), wanted)}) for n in run.notes]
    nominal = nominal_suction_pa(run.counts[:, wanted], used, status)
    pa, outside = nominal.suction_pa, {}
    seen = np.isfinite(pa)
    mean = np.where(seen, pa, 0.0).sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
    if calibration is not None:
        for i, tap in enumerate(car.taps):
            low, high = calibration.columns[tap.column].range_pa
            edge = _EDGE * (high - low)  # noise about a calibrated zero is not an excursion
            share = float(((pa[:, i] < low - edge) | (pa[:, i] > high + edge)).mean())
            if share > 0:
                outside[tap.name] = share
        pa = calibration.apply(pa, [tap.column for tap in car.taps])
    return TapSuction(pa, mean, nominal.out_of_range, outside)


def _picked(second: object, wanted: Sequence[int]) -> object:
    if not isinstance(second, list):
        return second
    return [second[i] if i < len(second) else None for i in wanted]


def _check_calibrated(calibration: Calibration, car: Car) -> None:
    without = [tap.column for tap in car.taps if tap.column not in calibration.columns]
    if without:
        raise CalibrationError(
            "the calibration lacks a column that the car uses",
            seen=without[0],
            expected="one of " + ", ".join(calibration.columns),
            do="calibrate that column too, or reduce without a calibration",
        )

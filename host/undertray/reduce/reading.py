"""Counts of a run to suction at the taps of a car."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.runlog import Run
from undertray.calibrate.beside import beside, pieces
from undertray.calibrate.certificate import Calibration
from undertray.calibrate.scale import nominal_suction_pa
from undertray.errors import CalibrationError, ReductionError
from undertray.reduce.car import Car

__all__ = ["TapSuction", "pack_voltage", "tap_suction"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

_EDGE = 0.02  # of the calibrated span: as far as a reading may lie outside before it is said

_MOST_MV = 1e6


@dataclass(frozen=True, slots=True, eq=False)
class TapSuction:
    """Suction at the car's taps, in the car's order.

    Attributes
    ----------
    pa : ndarray, shape (n, taps)
        Suction, Pa; NaN where missing.
    nominal_pa : ndarray, shape (n, taps)
        Nominal suction, by the parts' own scales, Pa; ``pa`` itself without a calibration.
    out_of_range : ndarray of bool, shape (n, taps)
        The part was beyond its own range.
    outside : dict of str to float
        Taps that read outside the calibrated range, and in which share of the rows.
    """

    pa: Array
    nominal_pa: Array
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
    status = [
        replace(n, data={**n.data, "second": _picked(n.data["second"], wanted)})
        for n in run.notes
        if "second" in n.data
    ]
    nominal = nominal_suction_pa(_columns(run.counts, wanted), used, status)
    pa = nominal_pa = nominal.suction_pa
    outside = {}
    if calibration is not None:
        shares = _share_outside(nominal_pa, [calibration.columns[tap.column].range_pa for tap in car.taps])
        outside = {tap.name: share for tap, share in zip(car.taps, shares, strict=True) if share > 0}
        pa = calibration.apply(nominal_pa, [tap.column for tap in car.taps])
    return TapSuction(pa, nominal_pa, nominal.out_of_range, outside)


def pack_voltage(run: Run, t_s: Array) -> tuple[Array, Array]:
    """Pack voltage from the status notes of a run.

    Parameters
    ----------
    run : Run
        The run.
    t_s : ndarray, shape (n,)
        Board time of its rows, s.

    Returns
    -------
    t_s : ndarray, shape (m,)
        Board time of each note that has it, s.
    pack_mv : ndarray, shape (m,)
        mV. Both empty where the board does not measure it.
    """
    at, told = [], []
    for note in run.notes:
        value = note.data.get("pack_mv") if note.kind == "status" else None
        if isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < _MOST_MV:
            at.append(min(max(note.row, 0), len(t_s) - 1))
            told.append(float(value))
    return (t_s[at], np.array(told)) if at else (np.empty(0), np.empty(0))


def _share_outside(nominal_pa: Array, ranges_pa: Sequence[tuple[float, float]]) -> list[float]:
    """In which share of the rows each column is outside its range."""
    ends = np.array(ranges_pa)
    edge = _EDGE * (ends[:, 1] - ends[:, 0])  # noise about a calibrated zero is not an excursion
    low, high = beside(ends[:, 0] - edge), beside(ends[:, 1] + edge)
    count = np.zeros(len(ends), dtype=np.int64)
    for (nominal,) in pieces(nominal_pa):
        here = slice(nominal.shape[1])
        out = nominal < low[here]
        out |= nominal > high[here]
        if out.any():
            count += out.reshape(-1, len(ends)).sum(axis=0)
    return [float(n / len(nominal_pa)) for n in count.tolist()]


def _columns(counts: Array, wanted: Sequence[int]) -> Array:
    """Some columns; all of them in order are not copied."""
    return counts if list(wanted) == list(range(counts.shape[1])) else counts[:, wanted]


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

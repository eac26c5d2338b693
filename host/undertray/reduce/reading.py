"""Counts of a run to suction at the taps of a car."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.runlog import Run
from undertray.calibrate.certificate import Calibration
from undertray.calibrate.column_calibration import RANGE_EDGE as _EDGE
from undertray.calibrate.runscale import run_spans
from undertray.calibrate.scale import Scale
from undertray.errors import CalibrationError, ReductionError
from undertray.reduce.car import Car
from undertray.reduce.nominal import Nominal

__all__ = ["TapSuction", "pack_voltage", "tap_suction"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

_ROWS = 8192  # turned into suction at a time: what is made of them stays in a core's own cache
_MOST_MV = 1e6


@dataclass(frozen=True, slots=True, eq=False)
class TapSuction:
    """Suction at the car's taps, in the car's order.

    Attributes
    ----------
    pa : ndarray, shape (n, taps)
        Suction, Pa; NaN where missing.
    nominal : Nominal
        Nominal suction, by the parts' own scales.
    out_of_range : ndarray of bool, shape (n, taps)
        The part was beyond its own range.
    outside : dict of str to float
        Taps that read outside the calibrated range, and in which share of the rows.
    """

    pa: Array
    nominal: Nominal
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
    for tap in car.taps if run.device is not None else ():
        if tap.column not in run.columns:
            raise ReductionError(
                f"the log has no column for tap {tap.name!r}",
                where=run.where,
                seen=tap.column,
                expected="one of " + ", ".join(run.columns),
                do="correct 'column' in car.toml",
            )
    spans = run_spans(run, [tap.column for tap in car.taps])
    if not spans:
        raise ReductionError(
            "the log has no description of the board",
            where=run.where,
            expected="a 'device' note with the scale of every column",
            do="record again, or add the note of that board",
        )
    if calibration is not None:
        _check_calibrated(calibration, car)
    read = [_converted(span.counts(run), span.scale, car, calibration) for span in spans]
    if len(read) == 1:
        return read[0]
    nominal = [part.nominal.between(0, len(part.pa)) for part in read]
    outside: dict[str, float] = {}
    for part in read:
        for name, share in part.outside.items():
            outside[name] = outside.get(name, 0.0) + share * len(part.pa) / len(run.counts)
    return TapSuction(
        np.concatenate([part.pa for part in read]),
        Nominal.of_pa(np.concatenate(nominal)),
        np.concatenate([part.out_of_range for part in read]),
        outside,
    )


def _converted(counts: Array, scale: Scale, car: Car, calibration: Calibration | None) -> TapSuction:
    """Convert piece by piece: what lies between counts and suction is not kept."""
    names = [tap.column for tap in car.taps]
    ranges = None if calibration is None else _Ranges([calibration.columns[name].range_pa for name in names])
    pa, beyond = np.empty_like(counts, float), np.zeros_like(counts, bool)
    kept = np.empty_like(counts, float) if calibration is not None and scale.compensated else None
    for a in range(0, len(counts), _ROWS):
        b = min(len(counts), a + _ROWS)
        nominal = scale.nominal(counts, a, b)
        if nominal.out_of_range.any():
            beyond[a:b] = nominal.out_of_range
        if calibration is None or ranges is None:
            pa[a:b] = nominal.suction_pa
            continue
        calibration.apply(nominal.suction_pa, names, out=pa[a:b])
        ranges.count(nominal.suction_pa)
        if kept is not None:
            kept[a:b] = nominal.suction_pa
    if kept is not None:
        known = Nominal.of_pa(kept)
    elif scale.compensated:
        known = Nominal.of_pa(pa)
    else:
        known = Nominal(counts, scale.zero, scale.pa_per_count)
    outside = {} if ranges is None else ranges.shares(len(counts))
    return TapSuction(pa, known, beyond, {car.taps[i].name: share for i, share in outside.items()})


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


class _Ranges:
    """Counts the readings outside the calibrated range of each column."""

    def __init__(self, ranges_pa: Sequence[tuple[float, float]]) -> None:
        ends = np.array(ranges_pa)
        edge = _EDGE * (ends[:, 1] - ends[:, 0])
        self._low, self._high = ends[:, 0] - edge, ends[:, 1] + edge
        self._out = [0] * len(ends)

    def count(self, nominal_pa: Array) -> None:
        for i, (low, high) in enumerate(zip(self._low.tolist(), self._high.tolist(), strict=True)):
            nominal = nominal_pa[:, i]
            if not (low <= nominal.min() and nominal.max() <= high):
                self._out[i] += int(np.count_nonzero((nominal < low) | (nominal > high)))

    def shares(self, rows: int) -> dict[int, float]:
        """Share of the rows by column, where there are any."""
        return {i: n / rows for i, n in enumerate(self._out) if n}


def _check_calibrated(calibration: Calibration, car: Car) -> None:
    without = [tap.column for tap in car.taps if tap.column not in calibration.columns]
    if without:
        raise CalibrationError(
            "the calibration lacks a column that the car uses",
            seen=without[0],
            expected="one of " + ", ".join(calibration.columns),
            do="calibrate that column too, or reduce without a calibration",
        )

"""Counts of a run to suction at the taps of a car."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.rowtable import Counts
from undertray.acquire.runlog import Run
from undertray.calibrate.calibration import RANGE_EDGE as _EDGE
from undertray.calibrate.calibration import Calibration
from undertray.calibrate.scale import Span, run_spans
from undertray.errors import CalibrationMismatch, ReductionError
from undertray.reduce.car import Car
from undertray.reduce.longtable import Table, pieces

__all__ = ["TapSuction", "pack_voltage", "tap_suction"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

_MOST_MV = 1e6


@dataclass(frozen=True, slots=True, eq=False)
class TapSuction:
    """Suction at the car's taps, in the car's order: worked out of the counts where it is asked for."""

    pa: Table
    nominal: Table
    beyond: Mapping[int, Bools]
    outside: dict[str, float]

    @property
    def out_of_range(self) -> Table | None:
        """:attr:`beyond` as a table of bool, shape (n, taps); None where no part was."""
        if not self.beyond:
            return None

        def make(rows: Any, taps: list[int]) -> Bools:
            none = np.zeros(len(self.pa), bool)
            return np.column_stack([self.beyond.get(i, none)[rows] for i in taps])

        return Table(*self.pa.shape, make)


def tap_suction(run: Run, car: Car, calibration: Calibration | None) -> TapSuction:
    """Counts of a run to suction at the taps of a car."""
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
    read = _Reader(run, spans, [tap.column for tap in car.taps], calibration)
    shape = len(run.counts), len(car.taps)
    nominal = Table(*shape, read.nominal_pa)
    beyond, shares = read.looked_over()
    outside = {car.taps[i].name: share for i, share in shares.items()}
    return TapSuction(
        nominal if calibration is None else Table(*shape, read.suction_pa), nominal, beyond, outside
    )


class _Reader:
    """Turns rows of a run into suction, each by the description that holds for it."""

    def __init__(
        self, run: Run, spans: Sequence[Span], names: Sequence[str], calibration: Calibration | None
    ) -> None:
        self._spans = [(span, span.counts(run)) for span in spans]
        self._names, self._calibration, self._rows = names, calibration, len(run.counts)

    def nominal_pa(self, rows: slice | Ints, taps: list[int]) -> Array:
        if isinstance(rows, slice):
            rows = np.arange(rows.start, rows.stop) if self._compensated else rows
        if len(self._spans) == 1:
            span, counts = self._spans[0]
            numbers = None if isinstance(rows, slice) else rows
            return span.scale.suction_pa(_taken(counts, rows, taps), numbers, taps)
        rows = np.arange(rows.start, rows.stop) if isinstance(rows, slice) else rows
        out = np.empty((len(taps), len(rows))).T
        for span, counts in self._spans:
            here = (rows >= span.first) & (rows < span.last)
            if here.any():
                at = rows[here] - span.first
                out[here] = span.scale.suction_pa(_taken(counts, at, taps), at, taps)
        return out

    @property
    def _compensated(self) -> bool:
        return any(span.scale.compensated for span, _ in self._spans)

    def suction_pa(self, rows: slice | Ints, taps: list[int]) -> Array:
        nominal_pa = self.nominal_pa(rows, taps)
        if self._calibration is None:
            return nominal_pa
        return self._calibration.apply(nominal_pa, [self._names[i] for i in taps])

    def looked_over(self) -> tuple[dict[int, Bools], dict[int, float]]:
        """Rows in which each part was beyond its range; share of the rows outside the calibrated one."""
        ranges = None
        if self._calibration is not None:
            ranges = _Ranges([self._calibration.columns[name].range_pa for name in self._names])
        beyond: dict[int, Bools] = {}
        for span, counts in self._spans:
            for a, b in pieces(0, span.last - span.first):
                nominal = span.scale.nominal(counts, a, b)
                if nominal.out_of_range.any():
                    for i in np.flatnonzero(nominal.out_of_range.any(axis=0)).tolist():
                        rows = beyond.setdefault(i, np.zeros(self._rows, bool))
                        rows[span.first + a : span.first + b] = nominal.out_of_range[:, i]
                if ranges is not None:
                    ranges.count(nominal.suction_pa)
        return beyond, {} if ranges is None else ranges.shares(self._rows)


def _taken(counts: Counts | Array, rows: slice | Ints, taps: list[int]) -> Array:
    return counts[rows, taps] if isinstance(counts, Counts) else counts[rows][:, taps]


def pack_voltage(run: Run, t_s: Array) -> tuple[Array, Array]:
    """Pack voltage from the status notes of a run."""
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
        raise CalibrationMismatch(
            "the calibration lacks a column that the car uses",
            seen=without[0],
            expected="one of " + ", ".join(calibration.columns),
            do="calibrate that column too, or reduce without a calibration",
        )

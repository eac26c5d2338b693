"""Suction and loads of a run, some rows at a time: for tables that other programs read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.runlog import Run
from undertray.calibrate.calibration import RANGE_EDGE as _EDGE
from undertray.calibrate.calibration import Calibration
from undertray.calibrate.scale import run_spans
from undertray.errors import CalibrationMismatch, RunLogError
from undertray.reduce.motion import car_g

if TYPE_CHECKING:
    from undertray.reduce.summary import Reduction

__all__ = ["ColumnSuction", "load_columns"]

_OUTSIDE, _BEYOND = 1, 2


class ColumnSuction:
    """What turns the rows of a run into suction, column by column."""

    def __init__(self, run: Run, calibration: Calibration | None = None) -> None:
        if run.device is None:
            raise RunLogError(
                "the log does not describe its board, so its counts cannot be turned into Pa",
                where=run.where,
                expected="a 'device' note with the scale of every column",
                do="record again, the board sends that note by itself; or export the counts",
            )
        self._names, self._calibration = run.columns, calibration
        self._counts, self._felt = run.channel_counts, run.device.accelerometer
        self._axes = [run.channels.index(name) for name in ("ax", "ay", "az") if name in run.channels]
        self._spans = [(span, span.counts(run)) for span in run_spans(run, run.columns)]
        self._low, self._high = np.full((2, len(self._names)), [[-np.inf], [np.inf]])
        covered = self._names if calibration is None else calibration.columns
        self.uncalibrated = tuple(name for name in self._names if name not in covered)
        self._at: list[int] = []  # the columns that have a calibration
        if calibration is not None:
            self._at = [i for i, name in enumerate(self._names) if name in covered]
            if self.uncalibrated and not self._at:
                raise CalibrationMismatch(
                    "the calibration has no pressure column of this run",
                    where=run.where,
                    seen=", ".join(self._names),
                    expected="one of " + ", ".join(calibration.columns),
                    do="give the calibration of this board, or export without one (--pa)",
                )
            ends = np.array([calibration.columns[self._names[i]].range_pa for i in self._at]).reshape(-1, 2)
            edge = _EDGE * (ends[:, 1] - ends[:, 0])
            self._low[self._at], self._high[self._at] = ends[:, 0] - edge, ends[:, 1] + edge

    def rows(self, first: int, last: int) -> dict[str, NDArray[np.float64] | NDArray[np.int8]]:
        """Turn some rows into suction."""
        parts = [
            span.scale.nominal(counts, max(0, first - span.first), min(last, span.last) - span.first)
            for span, counts in self._spans
            if span.first < last and first < span.last
        ] or [self._spans[0][0].scale.nominal(self._spans[0][1], 0, 0)]
        pa = np.concatenate([part.suction_pa for part in parts])
        out = np.where((pa < self._low) | (pa > self._high), _OUTSIDE, 0).astype(np.int8)
        out[np.concatenate([part.out_of_range for part in parts])] = _BEYOND
        if self._calibration is not None:
            pa[:, self._at] = self._calibration.apply(pa[:, self._at], [self._names[i] for i in self._at])
        pa = pa.round(4)
        found: dict[str, NDArray[np.float64] | NDArray[np.int8]] = {}
        for i, name in enumerate(self._names):
            own = "_uncalibrated" if name in self.uncalibrated else ""
            found |= {f"{name}{own}_pa": pa[:, i], f"{name}_out_of_range": out[:, i]}
        if self._felt is not None and self._counts is not None and len(self._axes) == 3:
            felt_g = car_g(self._felt, self._counts[first:last][:, self._axes]).round(4)
            found |= {name: felt_g[:, i] for i, name in enumerate(("forward_g", "right_g", "up_g"))}
        return found


def load_columns(reduction: Reduction, first: int, last: int) -> dict[str, NDArray[np.float64]]:
    """Pack, mean suction, loads and margins of some rows; NaN where they are not known."""
    series, rows = reduction.series, slice(first, last)
    told = np.searchsorted(series.pack_t_s, series.t_s[rows], "right") - 1
    pack_mv = np.concatenate([series.pack_mv, [np.nan]])  # -1, before the first is told, takes the last
    front_n, rear_n = series.front_n[rows], series.rear_n[rows]
    return {
        "pack_mv": pack_mv[told],
        "mean_suction_pa": series.mean_suction_pa[rows],
        "downforce_n": series.downforce_n[rows],
        "front_n": front_n,
        "rear_n": rear_n,
        "front_margin_n": front_n - reduction.axles["front"].required_n,
        "rear_margin_n": rear_n - reduction.axles["rear"].required_n,
    }

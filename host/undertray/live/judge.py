"""One board, one car: rows to suction, loads, alarm, piece by piece."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.device import Device
from undertray.acquire.runlog import Note
from undertray.calibrate.certificate import Calibration
from undertray.calibrate.scale import nominal_suction_pa
from undertray.errors import ReductionError
from undertray.live.alarm import Alarm
from undertray.live.seal import SealIndex
from undertray.live.snapshot import AxleNow, TapNow
from undertray.reduce.car import Car
from undertray.reduce.detect.detector import Detector
from undertray.reduce.floor import LoadMatrix, load_matrix
from undertray.reduce.hold import hold_need
from undertray.reduce.notices import LEAST_PA, WRONG_WAY
from undertray.reduce.steady import REST_US

__all__ = ["Judge", "Rows"]

Array = NDArray[np.float64]

_SHOWN_S = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Rows of one piece, k of them, N columns.

    Attributes
    ----------
    t_s : ndarray, shape (k,)
        Board time, s.
    throttle_us : ndarray, shape (k,)
        NaN where unknown.
    counts : ndarray, shape (k, N)
        NaN where missing.
    flags : int
        Of the last row.
    """

    t_s: Array
    throttle_us: Array
    counts: Array
    flags: int


class Judge:
    """Judges the rows of one board on one car.

    Parameters
    ----------
    device : Device
        What the board says of itself.
    car : Car or None
        Without one each column counts as a tap, and there are no newtons.
    calibration : Calibration or None
        Of the board.

    Attributes
    ----------
    alarm : Alarm
        What is wrong.

    Raises
    ------
    ReductionError
        When the board, or the calibration, lacks a column that the car names.
    """

    def __init__(self, device: Device, car: Car | None, calibration: Calibration | None) -> None:
        names = [column.name for column in device.columns]
        wanted = [tap.column for tap in car.taps] if car else names
        absent = [column for column in wanted if column not in names]
        if absent:
            raise ReductionError(
                "the board has no such column", seen=absent[0], expected="one of " + ", ".join(names)
            )
        uncalibrated = [column for column in wanted if calibration and column not in calibration.columns]
        if uncalibrated:
            raise ReductionError("the calibration has no such column", seen=uncalibrated[0])
        self._picked = [names.index(column) for column in wanted]
        self._columns = [device.columns[i] for i in self._picked]
        self._car, self._calibration, self._wanted = car, calibration, wanted
        self._names = [tap.name for tap in car.taps] if car else names
        self._need = hold_need(car) if car else None
        self._matrices: dict[tuple[str, ...], LoadMatrix] = {}
        weights = self._matrix(tuple(self._names)).area_m2 if car else None
        self._detector = Detector(1 / device.rate_hz, len(wanted), tap_names=self._names, weights=weights)
        self._seal = SealIndex(self._detector.fan)
        self._recent: deque[tuple[float, Array, Array]] = deque()
        self._up = False
        self.alarm = Alarm()

    def _matrix(self, present: tuple[str, ...]) -> LoadMatrix:
        assert self._car is not None
        if present not in self._matrices:
            self._matrices[present] = load_matrix(self._car, present)
        return self._matrices[present]

    def feed(self, rows: Rows, status: Sequence[Note]) -> None:
        """Take in the next rows.

        Parameters
        ----------
        rows : Rows
            In time order.
        status : sequence of Note
            The last status notes, for parts that send a second word.
        """
        nominal = nominal_suction_pa(rows.counts[:, self._picked], self._columns, self._seconds(status))
        pa = nominal.suction_pa
        if self._calibration is not None:
            pa = self._calibration.apply(pa, self._wanted)
        begun = self._detector.feed(rows.t_s, pa, rows.throttle_us, nominal.out_of_range)
        weights = np.isfinite(pa)
        mean = np.where(weights, pa, 0).sum(axis=1) / np.where(
            weights.any(axis=1), weights.sum(axis=1), np.nan
        )
        self._seal.feed(rows.t_s, mean, rows.throttle_us)
        for t, here, beyond in zip(rows.t_s.tolist(), pa, nominal.out_of_range, strict=True):
            self._recent.append((t, here, beyond.astype(float)))
        while self._recent[0][0] < rows.t_s[-1] - _SHOWN_S:
            self._recent.popleft()
        self._up = bool(rows.throttle_us[-1] > REST_US)
        begun = tuple(replace(loss, first_tap=loss.first_tap or self._fell_most()) for loss in begun)
        margin = min((axle.margin_n for axle in self.axles()), default=None)
        self.alarm.update(
            float(rows.t_s[-1]),
            begun,
            suction_pa=self.suction_pa(),
            margin_n=margin,
            required_n=self._need.whole_n if self._need else None,
            throttle_us=_number(rows.throttle_us[-1]),
            of_board=bool(rows.flags & 2),
        )

    def _seconds(self, status: Sequence[Note]) -> list[Note]:
        out = []
        for note in status:
            data: Mapping[str, Any] = note.data
            second = data.get("second")
            if isinstance(second, list):
                data = {**data, "second": [second[i] if i < len(second) else None for i in self._picked]}
            out.append(replace(note, data=data))
        return out

    def _shown(self) -> Array:
        """Mean of the last quarter second, tap by tap; NaN where there was no reading."""
        return _mean(np.stack([pa for _, pa, _ in self._recent]), 0)

    def _fell_most(self) -> str | None:
        """Which tap has fallen most since before the onset; the order to the sample comes from the log."""
        stack = np.stack([pa for _, pa, _ in self._recent])
        before, now = _mean(stack[: max(1, len(stack) // 3)], 0), _mean(stack[-max(1, len(stack) // 10) :], 0)
        fall = before - now
        return self._names[int(np.nanargmax(fall))] if np.isfinite(fall).any() else None

    def _faulty(self) -> set[str]:
        return {
            event.first_tap
            for event in self._detector.events
            if event.kind == "sensor-fault" and event.end_s is None and event.first_tap is not None
        }

    def taps(self) -> tuple[TapNow, ...]:
        """What each tap reads.

        Returns
        -------
        tuple of TapNow
        """
        if not self._recent:
            return ()
        faulty, beyond = self._faulty(), np.mean([beyond for _, _, beyond in self._recent], axis=0)
        found = []
        shown = self._shown()
        wrong_pa = -max(LEAST_PA, WRONG_WAY * float(np.nan_to_num(np.abs(shown)).max()))
        for name, pa, out in zip(self._names, shown.tolist(), beyond.tolist(), strict=True):
            fault = "negative: wrong port?" if self._up and pa <= wrong_pa else ""
            fault = "faulty" if name in faulty else "out of range" if out > 0.5 else fault
            found.append(TapNow(name, _number(pa), fault if np.isfinite(pa) else "missing"))
        return tuple(found)

    def _loads(self) -> tuple[Array, LoadMatrix] | None:
        if self._car is None or not self._recent:
            return None
        pa, faulty = self._shown(), self._faulty()
        good = [i for i, name in enumerate(self._names) if name not in faulty and np.isfinite(pa[i])]
        if not good:
            return None
        matrix = self._matrix(tuple(self._names[i] for i in good))
        return matrix.matrix @ pa[good], matrix

    def axles(self) -> tuple[AxleNow, ...]:
        """Load on each axle against its need.

        Returns
        -------
        tuple of AxleNow
            Front and rear; empty without a car or a good reading.
        """
        loads = self._loads()
        if loads is None or self._need is None:
            return ()
        pairs = zip(
            ("front", "rear"), loads[0][1:3].tolist(), (self._need.front_n, self._need.rear_n), strict=True
        )
        return tuple(AxleNow(name, load, need, load - need) for name, load, need in pairs)

    def suction_pa(self) -> float | None:
        """Mean suction over the floor, Pa.

        Returns
        -------
        float or None
            None without a good reading.
        """
        loads = self._loads()
        if loads is not None:
            return float(loads[0][0] / loads[1].area_m2.sum())
        if not self._recent or self._car is not None:
            return None
        shown = self._shown()
        return _number(float(np.mean(shown[np.isfinite(shown)]))) if np.isfinite(shown).any() else None

    def downforce_n(self) -> tuple[float, float] | None:
        """Downforce and what is needed, N.

        Returns
        -------
        tuple of (float, float) or None
            None without a car or a good reading.
        """
        loads = self._loads()
        return None if loads is None or self._need is None else (float(loads[0][0]), self._need.whole_n)

    def seal_index(self) -> float | None:
        """Suction over what the best seal of this run gave at this throttle.

        Returns
        -------
        float or None
            None before it is known.
        """
        return self._seal.value


def _mean(values: Array, axis: int) -> Array:
    """Mean of what is there; NaN where nothing is."""
    there = np.isfinite(values)
    count = there.sum(axis=axis)
    return np.asarray(np.where(there, values, 0).sum(axis=axis) / np.where(count > 0, count, np.nan))


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None

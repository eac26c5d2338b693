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
from undertray.calibrate.calibration import Calibration
from undertray.calibrate.scale import nominal_suction_pa
from undertray.errors import CalibrationMismatch, ReductionError
from undertray.live.snapshot import AxleNow, TapNow
from undertray.reduce.car import Car
from undertray.reduce.detect.detector import Detector
from undertray.reduce.detect.fanmodel import RUN_IN, Fan, log_suction
from undertray.reduce.hold import hold_need
from undertray.reduce.loads import LoadMatrix, load_matrix
from undertray.reduce.loss import Loss
from undertray.reduce.notices import LEAST_PA, WRONG_WAY
from undertray.reduce.steady import REST_US, SETTLE_S, STILL_US

__all__ = ["Alarm", "Judge", "Rows", "SealIndex"]


# The alarm of the live view: when it begins, what it says, when it is over.

_BACK = 0.9  # a lost seal is back once the suction is back at this share
_ARM_S = 1.0
_WORDS = {"seal-loss": "SEAL LOST", "slow-leak": "LEAK OPENING"}


class Alarm:
    """What is wrong, in words.

    Attributes
    ----------
    words : str
        Empty while nothing is wrong.
    count : int
        How often an alarm began.

    Notes
    -----
    Three things raise it: a fall of suction that no throttle explains; an axle that no longer
    holds after both had held for 1 s; the board's own alarm output. The first ends when 90 %
    of the suction is back, the second when the axle holds again, both when the throttle goes to
    rest.
    """

    def __init__(self) -> None:
        self.words = ""
        self.count = 0
        self._loss: Loss | None = None
        self._held_since_s: float | None = None
        self._armed = False

    def update(
        self,
        t_s: float,
        begun: Sequence[Loss],
        *,
        suction_pa: float | None,
        margin_n: float | None,
        required_n: float | None,
        throttle_us: float | None,
        of_board: bool,
    ) -> None:
        """Take in what the last rows told."""
        idle = throttle_us is not None and throttle_us <= REST_US
        self._loss = begun[-1] if begun else self._loss
        if self._loss is not None and (idle or self._is_back(suction_pa)):
            self._loss = None
        words = [self._loss_words()] if self._loss is not None else []
        if self._not_holding(t_s, idle, margin_n, required_n):
            words.append("DOES NOT HOLD")
        if of_board:
            words.append("BOARD ALARM")
        self.count += bool(words) and not self.words
        self.words = ", ".join(words)

    def _is_back(self, suction_pa: float | None) -> bool:
        before = self._loss.from_pa if self._loss else None
        return suction_pa is not None and before is not None and suction_pa >= _BACK * before

    def _loss_words(self) -> str:
        assert self._loss is not None
        word = _WORDS.get(self._loss.kind, "SUCTION LOST")
        return f"{word} at {self._loss.first_tap}" if self._loss.first_tap else word

    def _not_holding(self, t_s: float, idle: bool, margin_n: float | None, required_n: float | None) -> bool:
        if margin_n is None or not required_n or idle:
            self._held_since_s, self._armed = None, self._armed and not idle
            return False
        if margin_n >= 0:
            self._held_since_s = t_s if self._held_since_s is None else self._held_since_s
            self._armed = self._armed or t_s - self._held_since_s >= _ARM_S
            return False
        self._held_since_s = None
        return self._armed


# Seal index: suction over what the best seal of this run gave at the same throttle.

Array = NDArray[np.float64]

_FRAME = 50  # blocks: a second
_FRAMES = 600  # ten minutes
_ENOUGH = 5  # frames with running fans before anything is said
_RUNNING = 0.1  # of the highest drive: what the fans give at least where they run
_RISES, _OVER = 1.03, 5  # from some blocks to as many after them: a fan that is later than its law
_BEST = 95.0  # percentile: one lucky frame is no reference


class SealIndex:
    """Follows the throttle through the law of the fan and compares.

    Parameters
    ----------
    fan : Fan
        The fan as the detector learns it from the same rows.

    Notes
    -----
    Each second in which the throttle was still, as the report has it, gives one ratio of suction to what the
    fan gives on a fixed leak; the reference is the 95th percentile of them, so the index is about 1 on the
    seal at its best, and falls as a leak opens while the throttle alone does not move it. While a fan spins
    up or down the ratio says more of its lag than of the seal: then there is no index, and nothing is taken
    into the reference; nor while the suction still rises, by a fan that is later than its law. A law learned
    since then is taken for the seconds before as well.
    """

    def __init__(self, fan: Fan) -> None:
        self._fan, self._law = fan, fan.law
        self._next_s: float | None = None
        self._block: list[tuple[float, float]] = []
        self._pulses: deque[float] = deque(maxlen=RUN_IN + _FRAME)
        self._settle = round(SETTLE_S / fan.block_s) + 1
        self._lately: deque[float] = deque(maxlen=2 * _OVER)
        self._begun = 0  # blocks since the throttle was last unknown
        self._frame: list[tuple[float, bool]] = []
        self._frames: deque[tuple[float, Array, Array]] = deque(maxlen=_FRAMES)
        self._drives: deque[float] = deque(maxlen=_FRAMES)
        self._now: float | None = None

    def feed(self, t_s: Array, suction_pa: Array, throttle_us: Array) -> None:
        """Take in the next rows."""
        block_s = self._fan.block_s
        for t, pa, us in zip(t_s.tolist(), suction_pa.tolist(), throttle_us.tolist(), strict=True):
            if self._next_s is None or t < self._next_s - 1:
                self._next_s = t + block_s
            if t >= self._next_s:
                self._close_block()
                self._next_s += block_s * (1 + (t - self._next_s) // block_s)
            if np.isfinite(pa) and np.isfinite(us):
                self._block.append((pa, us))

    def _close_block(self) -> None:
        if not self._block:
            self._now, self._begun = None, 0
            return
        pa, us = np.mean(self._block, axis=0).tolist()
        self._block.clear()
        self._begun += 1
        self._pulses.append(us)
        self._lately.append(pa)
        lately = [self._pulses[-i] for i in range(1, min(self._settle, self._begun) + 1)]
        still = len(lately) == self._settle and max(lately) - min(lately) <= STILL_US
        half = len(self._lately) // 2
        before, since = list(self._lately)[:half], list(self._lately)[half:]
        still = still and sum(since) / len(since) <= _RISES * sum(before) / max(half, 1)
        self._now = pa if still else None
        self._frame.append((pa, still))
        if len(self._frame) == _FRAME:
            self._close_frame()

    def _close_frame(self) -> None:
        suction, still = (np.array(column) for column in zip(*self._frame, strict=True))
        self._frame.clear()
        if still.sum() >= _FRAME // 2:
            self._frames.append((float(suction[still].mean()), self._held(_FRAME), still))
            self._drives.extend(self._drive(self._held(_FRAME)[None], still[None]))

    def _held(self, size: int) -> Array:
        """Pulses of the last blocks, with those of the run-in before them; the first is held."""
        pulses = np.array(self._pulses)[-(RUN_IN + size) :]
        return np.concatenate([np.full(RUN_IN + size - len(pulses), pulses[0]), pulses])

    def _drive(self, pulses: Array, still: NDArray[np.bool_]) -> list[float]:
        """What the fan gives over the blocks that were still, as a share of what it gives at full speed."""
        drives = np.exp(log_suction(self._fan.law[None], pulses, self._fan.block_s)[0, :, RUN_IN:])
        return [float(one) for one in (drives * still).sum(axis=1) / still.sum(axis=1)]

    @property
    def value(self) -> float | None:
        """The index now; None before it is known, without throttle, while it moves, or at rest."""
        if self._now is None or len(self._frames) < _ENOUGH:
            return None
        if self._law is not self._fan.law:
            self._law = self._fan.law
            pulses, still = (np.stack([frame[i] for frame in self._frames]) for i in (1, 2))
            self._drives = deque(self._drive(pulses, still), _FRAMES)
        drive, suction = np.array(self._drives), np.array([frame[0] for frame in self._frames])
        running = drive > _RUNNING * drive.max()
        (here,) = self._drive(self._held(1)[None], np.ones((1, 1), bool))
        if running.sum() < _ENOUGH or here <= _RUNNING * float(drive.max()):
            return None
        best = float(np.percentile(suction[running] / drive[running], _BEST))
        return self._now / here / best if best > 0 else None


_SHOWN_S = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Rows of one piece, k of them, N columns."""

    t_s: Array
    throttle_us: Array
    counts: Array
    flags: int


class Judge:
    """Judges the rows of one board on one car."""

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
            raise CalibrationMismatch("the calibration has no such column", seen=uncalibrated[0])
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
        self._up = self.of_board = False
        self.alarm = Alarm()

    def _matrix(self, present: tuple[str, ...]) -> LoadMatrix:
        assert self._car is not None
        if present not in self._matrices:
            self._matrices[present] = load_matrix(self._car, present)
        return self._matrices[present]

    def feed(self, rows: Rows, status: Sequence[Note]) -> None:
        """Take in the next rows."""
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
        self.of_board = bool(rows.flags & 2)
        margin = min((axle.margin_n for axle in self.axles()), default=None)
        self.alarm.update(
            float(rows.t_s[-1]),
            begun,
            suction_pa=self.suction_pa(),
            margin_n=margin,
            required_n=self._need.whole_n if self._need else None,
            throttle_us=_number(rows.throttle_us[-1]),
            of_board=self.of_board,
        )

    @property
    def withdrawn(self) -> int:
        """Alarms that no loss confirmed, some 10 s later."""
        return self._detector.rings[1]

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
        """What each tap reads."""
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
        if self._car is None:
            return tuple(found)
        places = ((tap.x_mm, tap.y_mm) for tap in self._car.taps)
        return tuple(replace(one, x_mm=x, y_mm=y) for one, (x, y) in zip(found, places, strict=True))

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
        """Load on each axle against its need."""
        loads = self._loads()
        if loads is None or self._need is None:
            return ()
        pairs = zip(
            ("front", "rear"), loads[0][1:3].tolist(), (self._need.front_n, self._need.rear_n), strict=True
        )
        return tuple(AxleNow(name, load, need, load - need) for name, load, need in pairs)

    def suction_pa(self) -> float | None:
        """Mean suction over the floor, Pa."""
        loads = self._loads()
        if loads is not None:
            return float(loads[0][0] / loads[1].area_m2.sum())
        if not self._recent or self._car is not None:
            return None
        shown = self._shown()
        return _number(float(np.mean(shown[np.isfinite(shown)]))) if np.isfinite(shown).any() else None

    def downforce_n(self) -> tuple[float, float] | None:
        """Downforce and what is needed, N."""
        loads = self._loads()
        return None if loads is None or self._need is None else (float(loads[0][0]), self._need.whole_n)

    @property
    def resting(self) -> bool:
        """Whether the fans are asked for nothing, or that is not known."""
        return not self._up

    def seal_index(self) -> float | None:
        """Suction over what the best seal of this run gave at this throttle."""
        return self._seal.value


def _mean(values: Array, axis: int) -> Array:
    """Mean of what is there; NaN where nothing is."""
    there = np.isfinite(values)
    count = there.sum(axis=axis)
    return np.asarray(np.where(there, values, 0).sum(axis=axis) / np.where(count > 0, count, np.nan))


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None

"""Rows as they come, queued by whoever records, judged by whoever shows."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace

import numpy as np

from undertray.acquire.device import Device
from undertray.acquire.recorder import Recorder, Recording
from undertray.acquire.runlog import Note
from undertray.acquire.wire import SEQ_LIMIT, Row, WireNote
from undertray.calibrate.calibration import Calibration
from undertray.errors import UndertrayError
from undertray.live.judge import Judge, Rows
from undertray.live.snapshot import AlarmSeen, AxleNow, Snapshot
from undertray.live.terminal import View
from undertray.reduce.car import Car

__all__ = ["Monitor", "watch"]

_RATE_S = 2.0
_LATE_S = 2.0
_SILENT_S = 1.0
_SILENT_ROWS = 5
_QUEUE = 100_000
_TOO_MANY = 0.2  # of the rows of the last seconds: with more of them missing a short loss may not be seen
_WORTH_SAYING = 0.01
_SOME_S = 1.0
_NO_ROWS, _ROWS_MISSING = "NO ROWS", "ROWS MISSING"


class Monitor:
    """Judges a run while it is recorded.

    Parameters
    ----------
    car : Car or None
        Without one there are pressures, and no newtons.
    calibration : Calibration or None
        Of the board.

    Notes
    -----
    :meth:`take` only queues, so that recording never waits. :meth:`update` does the work, with
    the same detector that judges the log later.
    """

    def __init__(self, car: Car | None = None, calibration: Calibration | None = None) -> None:
        self._car, self._calibration = car, calibration
        self._queue: deque[tuple[int, list[Row | WireNote]]] = deque(maxlen=_QUEUE)
        self._status: deque[Note] = deque(maxlen=2)
        self._device: Device | None = None
        self._judge: Judge | None = None
        self._trouble = ""
        self._clock = _Clock()
        self._first_us: int | None = None
        self._arrivals: deque[tuple[int, int]] = deque()  # when, and slots since the row before
        self._seq: int | None = None
        self._throttle_us: float | None = None
        self._last_us = 0
        self._rowless, self._rowless_alarms = "", 0
        self._last_alarm: AlarmSeen | None = None

    def take(self, now_us: int, good: list[Row | WireNote]) -> None:
        """Queue what one read brought."""
        self._queue.append((now_us, good))

    def update(self, now_us: int) -> Snapshot:
        """Judge what has come since the last call."""
        rows: list[Row] = []
        times: list[float] = []
        while self._queue:
            at_us, good = self._queue.popleft()
            for item in good:
                if isinstance(item, WireNote):
                    self._judge_rows(rows, times)
                    rows, times = [], []
                    self._note(at_us, item)
                else:
                    rows.append(item)
                    times.append(self._clock.at(item.t_us, at_us, self._device))
                    self._arrivals.append((at_us, self._slots(item.seq)))
                    self._first_us = at_us if self._first_us is None else self._first_us
                    self._last_us = at_us
        self._judge_rows(rows, times)
        while self._arrivals and self._arrivals[0][0] < now_us - _RATE_S * 1e6:
            self._arrivals.popleft()
        return self._seen(now_us)

    def forget(self) -> None:
        """Drop what has come: nobody will judge it."""
        self._queue.clear()

    def _slots(self, seq: int) -> int:
        """Sample slots since the row before; 1 where the board began anew."""
        before, self._seq = self._seq, seq
        slots = 1 if before is None else (seq - before) % SEQ_LIMIT
        return slots if 0 < slots <= SEQ_LIMIT // 2 else 1

    def _missing_share(self) -> float:
        """Share of the rows of the last seconds that never came."""
        slots = sum(many for _, many in self._arrivals)
        return 1 - len(self._arrivals) / slots if slots else 0.0

    def _note(self, at_us: int, note: WireNote) -> None:
        if note.kind == "status":
            self._status.append(Note(at_us, "status", note.data, -1))
        if note.kind != "device":
            return
        self._seq = None
        try:
            device = Device.from_note(note.data)
            before = self._device
            same = before is not None and (before.names, before.columns) == (device.names, device.columns)
            if self._judge is None or before is None or not same:
                self._judge = Judge(device, self._car, self._calibration)
            elif device.boot != before.boot:
                self._clock.restart()
            self._device, self._trouble = device, ""
        except UndertrayError as error:
            self._judge, self._trouble = None, str(error)

    def _judge_rows(self, rows: list[Row], times: list[float]) -> None:
        if not rows:
            return
        device = self._device
        drives_us = [_drive_us(row, device) for row in rows]
        self._throttle_us = drives_us[-1] if np.isfinite(drives_us[-1]) else None
        if self._judge is None or device is None or len(rows[0].counts) != len(device.names):
            return
        piece = Rows(
            t_s=np.array(times),
            throttle_us=np.array(drives_us),
            counts=np.array([[np.nan if c is None else c for c in row.counts] for row in rows], float),
            flags=rows[-1].flags,
        )
        try:
            self._judge.feed(piece, self._status)
        except UndertrayError as error:
            self._judge, self._trouble = None, str(error)

    def _seen(self, now_us: int) -> Snapshot:
        """What there is to see, with the last alarm: it stays to be read when it is over."""
        now, last = self._judged(now_us), self._last_alarm
        if now.alarm and (last is None or last.until_s is not None):
            last = AlarmSeen(now.alarm, now.elapsed_s)
        if now.alarm and last is not None:
            last = last.going_on(now)
        elif last is not None and last.until_s is None:
            last = replace(last, until_s=now.elapsed_s)
        self._last_alarm = last
        return replace(now, last_alarm=last)

    def _judged(self, now_us: int) -> Snapshot:
        first_us = self._first_us
        shown = Snapshot(
            elapsed_s=0.0 if first_us is None else (now_us - first_us) / 1e6,
            rows_per_s=len(self._arrivals) / min(_RATE_S, max(0.1, (now_us - (first_us or 0)) / 1e6)),
            throttle_us=self._throttle_us,
            notice=self._trouble
            or ("the board has not described itself yet" if self._device is None else ""),
        )
        judge, missing = self._judge, self._missing_share()
        rowless = self._rowless_words(now_us, missing)
        alarms = self._rowless_alarms + (judge.alarm.count if judge else 0)
        shown = replace(shown, alarm=rowless, alarms=alarms)
        if rowless == _NO_ROWS:
            told = f"the last row came {(now_us - self._last_us) // 1_000_000} s ago"
            if first_us is None:
                told = self._trouble or "no row has come yet"
            return replace(shown, throttle_us=None, notice=told)
        if judge is None:
            return shown
        force = judge.downforce_n()
        notices = ["no car given: no newtons"] if self._car is None else []
        if self._calibration is None:
            notices.append("uncalibrated")
        elif self._calibration.foreign_to(self._device):
            notices.append("the calibration is of another board")
        axles = judge.axles()
        notices += _board_and_margin(judge, axles)
        if rowless:
            notices.insert(0, "a short loss may not be seen")
        return replace(
            shown,
            taps=judge.taps(),
            axles=axles,
            suction_pa=judge.suction_pa(),
            downforce_n=force[0] if force else None,
            required_n=force[1] if force else None,
            seal_index=judge.seal_index(),
            alarm=", ".join(words for words in (judge.alarm.words, rowless) if words),
            missing=missing,
            withdrawn=judge.withdrawn,
            notice=", ".join(notices),
        )

    def _rowless_words(self, now_us: int, missing: float) -> str:
        """The alarm that rows stay away, the first one too, or too many of them; empty where they come.

        What was last seen is no longer so, nor shown, where none come.
        """
        usual_s = max(_SILENT_S, _SILENT_ROWS / self._device.rate_hz) if self._device else _SILENT_S
        words = ""
        if now_us - self._last_us > usual_s * 1e6:
            words = _NO_ROWS
        elif self._first_us is not None and now_us - self._first_us > _SOME_S * 1e6 and missing > _TOO_MANY:
            words = _ROWS_MISSING
        self._rowless_alarms += bool(words) and not self._rowless
        self._rowless = words
        return words


def _board_and_margin(judge: Judge, axles: Sequence[AxleNow]) -> list[str]:
    """Say it where the board's own alarm and the margins do not agree: they judge by different things."""
    if not axles or judge.resting:
        return []
    holds = min(axle.margin_n for axle in axles) >= 0
    if judge.of_board and holds:
        return ["board alarm, yet both axles hold: it goes by board.json alone"]
    if not judge.of_board and "DOES NOT HOLD" in judge.alarm.words:
        return ["an axle does not hold and the board's alarm is silent: see alarm_pa in board.json"]
    return []


class _Clock:
    """Board time row by row; across a reset it goes on by the host's clock."""

    def __init__(self) -> None:
        self._last: tuple[int, int] | None = None
        self._t_s = 0.0
        self._restarted = False

    def restart(self) -> None:
        self._restarted = True

    def at(self, t_us: int, host_us: int, device: Device | None) -> float:
        if self._last is not None:
            ticks, host = self._last
            wrap = 1 << (device.tick_bits if device else 30)
            step_s = (t_us - ticks) % wrap / (device.tick_hz if device else 1_000_000)
            host_s = (host_us - host) / 1e6
            if self._restarted or step_s > host_s + _LATE_S:
                step_s = max(host_s, 0.0)
            self._t_s += step_s
        self._last, self._restarted = (t_us, host_us), False
        return self._t_s


# Recording in one thread, showing in another: the one never waits for the other.

_STEP_S = 0.02


def watch(
    recorder: Recorder,
    monitor: Monitor,
    views: Sequence[View],
    stop: Callable[[], bool],
    pause: Callable[[float], None] = time.sleep,
) -> Recording:
    """Record, and show it on every view until the recording ends."""
    ended: list[Recording | BaseException] = []

    def record() -> None:
        try:
            ended.append(recorder.run(stop))
        except BaseException as error:
            ended.append(error)

    thread = threading.Thread(target=record, name="recorder")
    thread.start()
    snapshot, shown = Snapshot(), _Shown(views)
    try:
        while thread.is_alive():
            try:
                if snapshot.live:
                    snapshot = monitor.update(recorder.now_us)
            except Exception as error:  # whatever is wrong with judging, the recording goes on
                shown.trouble.append(error)
                snapshot = _failed(snapshot, error)
            if not snapshot.live:
                monitor.forget()
            snapshot = _completed(snapshot, recorder)
            shown.show(snapshot)
            pause(_STEP_S)
    finally:
        thread.join()
        shown.close(_why_lost(ended[0]) if ended and isinstance(ended[0], Exception) else "")
    outcome = ended[0]
    if isinstance(outcome, BaseException):
        raise outcome
    if shown.trouble:
        shown.trouble[0].add_note(f"The recording itself is complete: {outcome.path}, {outcome.rows} rows.")
        raise shown.trouble[0]
    return outcome


def _why_lost(error: Exception) -> str:
    return error.what if isinstance(error, UndertrayError) else type(error).__name__


class _Shown:
    """The views that still show; one that fails takes neither the others nor the recording with it."""

    def __init__(self, views: Sequence[View]) -> None:
        self._views, self._alive = views, list(views)
        self.trouble: list[Exception] = []

    def show(self, snapshot: Snapshot) -> None:
        for view in list(self._alive):
            try:
                view.show(snapshot)
            except OSError:  # gone, such as a terminal that was closed
                self._alive.remove(view)
            except Exception as error:
                self.trouble.append(error)
                self._alive.remove(view)
                _bury(view, _failed(snapshot, error))

    def close(self, ended: str) -> None:
        for view in self._views:
            try:
                view.close(ended)
            except OSError:
                continue  # gone
            except Exception as error:
                self.trouble.append(error)


def _failed(snapshot: Snapshot, error: Exception) -> Snapshot:
    """The same without its figures, as an alarm: it may be alarm enough that nobody judges any more."""
    return snapshot.dead(
        alarm="LIVE VIEW FAILED",
        alarms=snapshot.alarms + 1,
        last_alarm=None,
        notice=f"nothing is judged; the recording goes on ({type(error).__name__}: {error})",
    )


def _bury(view: View, snapshot: Snapshot) -> None:
    """Let a view that failed say so; if it cannot do that either, it goes."""
    try:
        view.show(snapshot)
    except Exception:  # the first one is told
        with suppress(Exception):
            view.close()


def _completed(snapshot: Snapshot, recorder: Recorder) -> Snapshot:
    intake = recorder.intake
    since_us = None if snapshot.live else intake.first_row_us
    return replace(
        snapshot,
        elapsed_s=snapshot.elapsed_s if since_us is None else (recorder.now_us - since_us) / 1e6,
        rows=intake.rows,
        lost=intake.lost,
        bad=intake.bad,
        segments=intake.segments,
        link=_link(recorder.link_state, snapshot.missing),
        disk=recorder.disk_state,
        marks=recorder.marks,
    )


def _link(state: str, missing: float) -> str:
    return f"loses {missing:.0%} of the rows" if state == "ok" and missing >= _WORTH_SAYING else state


def _drive_us(row: Row, device: Device | None) -> float:
    """What :attr:`undertray.acquire.runlog.Run.drive_us` is of one row."""
    widths = [row.throttle_us]
    if device is not None and "throttle2_us" in device.channels and len(row.counts) == len(device.names):
        widths.append(row.counts[device.names.index("throttle2_us")])
    known = [width for width in widths if width is not None]
    return sum(known) / len(known) if len(known) == len(widths) else float("nan")

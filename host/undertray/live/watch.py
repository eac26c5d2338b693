"""Recording in one thread, showing in another: the one never waits for the other."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace

from undertray.acquire.record import Recorder
from undertray.acquire.recording import Recording
from undertray.live.monitor import Monitor
from undertray.live.snapshot import Snapshot
from undertray.live.terminal import View

__all__ = ["watch"]

_STEP_S = 0.02


def watch(
    recorder: Recorder,
    monitor: Monitor,
    views: Sequence[View],
    stop: Callable[[], bool],
    pause: Callable[[float], None] = time.sleep,
) -> Recording:
    """Record, and show it on every view until the recording ends.

    Parameters
    ----------
    recorder : Recorder
        Records in a thread of its own; its ``watch`` must be ``monitor.take``.
    monitor : Monitor
        Judges what it brings.
    views : sequence of View
        What shows it, in this thread: a window must be drawn by the main one.
    stop : callable
        Asked by the recorder; True ends the recording.
    pause : callable
        Waits so many seconds between two looks.

    Returns
    -------
    Recording

    Raises
    ------
    BaseException
        What the recording ended with; or, after it is complete, what was wrong with showing it.
    """
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
        shown.close()
    outcome = ended[0]
    if isinstance(outcome, BaseException):
        raise outcome
    if shown.trouble:
        shown.trouble[0].add_note(f"The recording itself is complete: {outcome.path}, {outcome.rows} rows.")
        raise shown.trouble[0]
    return outcome


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

    def close(self) -> None:
        for view in self._views:
            try:
                view.close()
            except OSError:
                continue  # gone
            except Exception as error:
                self.trouble.append(error)


def _failed(snapshot: Snapshot, error: Exception) -> Snapshot:
    """The same without its figures, as an alarm: it may be alarm enough that nobody judges any more."""
    return snapshot.dead(
        alarm="LIVE VIEW FAILED",
        alarms=snapshot.alarms + 1,
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
        link=recorder.link_state,
        disk=recorder.disk_state,
    )

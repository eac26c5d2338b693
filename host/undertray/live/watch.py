"""Recording in one thread, showing in another: the one never waits for the other."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
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
    shown = list(views)

    def record() -> None:
        try:
            ended.append(recorder.run(stop))
        except BaseException as error:
            ended.append(error)

    thread = threading.Thread(target=record, name="recorder")
    thread.start()
    trouble: Exception | None = None
    try:
        while thread.is_alive() and trouble is None:
            try:
                snapshot = _completed(monitor.update(recorder.now_us), recorder)
                shown = [view for view in shown if _shows(view, snapshot)]
            except Exception as error:  # whatever is wrong with showing, the recording goes on
                trouble = error
            pause(_STEP_S)
    finally:
        thread.join()
        for view in views:
            view.close()
    outcome = ended[0]
    if isinstance(outcome, BaseException):
        raise outcome
    if trouble is not None:
        raise trouble
    return outcome


def _shows(view: View, snapshot: Snapshot) -> bool:
    """Show it; False when the view is gone, such as a terminal that was closed."""
    try:
        view.show(snapshot)
    except OSError:
        return False
    return True


def _completed(snapshot: Snapshot, recorder: Recorder) -> Snapshot:
    intake = recorder.intake
    return replace(
        snapshot,
        rows=intake.rows,
        lost=intake.lost,
        bad=intake.bad,
        segments=intake.segments,
        link=recorder.link_state,
        disk=recorder.disk_state,
    )

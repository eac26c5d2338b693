"""The live view as a strip chart in a window."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable

from undertray.errors import UndertrayError
from undertray.live.snapshot import Snapshot

__all__ = ["PlotView"]

_DRAW_S = 0.1
_SPAN_S = 30.0


class PlotView:
    """Margins of both axles, or the mean suction, over the last half minute.

    Parameters
    ----------
    clock : callable
        Monotonic time, s.

    Raises
    ------
    UndertrayError
        When this computer has no window system that matplotlib can use.

    Notes
    -----
    A chart that is closed by hand is gone; the recording goes on.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        import matplotlib.pyplot as plt
        from matplotlib import get_backend

        self._clock = clock
        self._drawn_s, self._alarm = float("-inf"), ""
        self._points: dict[str, deque[tuple[float, float]]] = {}
        if get_backend().lower() in ("agg", "pdf", "svg", "ps", "cairo", "template"):
            raise UndertrayError(
                "no window can be opened here",
                seen=get_backend(),
                expected="a matplotlib backend with windows",
                do="leave --plot out, or use --page",
            )
        plt.ion()
        self._plt = plt
        self._figure, self._axes = plt.subplots(num="undertray live")
        self._lines: dict[str, object] = {}
        self._figure.show()

    def show(self, snapshot: Snapshot) -> None:
        """Add a point and draw, ten times a second and when the alarm changes."""
        fresh = snapshot.alarm == self._alarm and self._clock() - self._drawn_s < _DRAW_S
        if fresh or not self._plt.fignum_exists(self._figure.number):
            return
        self._drawn_s, self._alarm = self._clock(), snapshot.alarm
        values = {f"{axle.name} margin, N": axle.margin_n for axle in snapshot.axles}
        if not values and snapshot.suction_pa is not None:
            values = {"mean suction, Pa": snapshot.suction_pa}
        for name, value in values.items():
            points = self._points.setdefault(name, deque())
            points.append((snapshot.elapsed_s, value))
            while points[0][0] < snapshot.elapsed_s - _SPAN_S:
                points.popleft()
        self._axes.clear()
        for name, points in self._points.items():
            self._axes.plot([t for t, _ in points], [v for _, v in points], label=name)
        self._axes.axhline(0, color="0.5", linestyle=":")
        self._axes.set_xlim(max(0, snapshot.elapsed_s - _SPAN_S), max(_SPAN_S, snapshot.elapsed_s))
        self._axes.set_xlabel("time, s")
        self._axes.set_title(f"ALARM: {snapshot.alarm}" if snapshot.alarm else "no alarm", parse_math=False)
        if self._points:
            self._axes.legend(loc="upper left")
        self._figure.canvas.draw_idle()
        self._figure.canvas.flush_events()

    def close(self) -> None:
        """Close the window."""
        self._plt.close(self._figure)

"""The live view on a terminal: readable from two metres, on 80 x 24, without colour."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

from undertray.errors import escaped, harmless
from undertray.live.snapshot import AxleNow, Snapshot

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

__all__ = ["PlainView", "ScreenView", "View", "screen"]

_WIDTH, _HEIGHT = 80, 23
_DRAW_S = 0.125
_LINE_S = 5.0
_MOST_TAPS = 8
_BAR = 30

# 3 x 5 cells a sign, doubled in width: five signs fill half a line
_BIG = {
    "0": ("###", "# #", "# #", "# #", "###"), "1": ("  #", "  #", "  #", "  #", "  #"),
    "2": ("###", "  #", "###", "#  ", "###"), "3": ("###", "  #", "###", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"), "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"), "7": ("###", "  #", "  #", "  #", "  #"),
    "8": ("###", "# #", "###", "# #", "###"), "9": ("###", "# #", "###", "  #", "###"),
    "-": ("   ", "   ", "###", "   ", "   "), "+": ("   ", " # ", "###", " # ", "   "),
    ".": ("   ", "   ", "   ", "   ", " # "), "?": ("###", "  #", " ##", "   ", " # "),
    "A": ("###", "# #", "###", "# #", "# #"), "L": ("#  ", "#  ", "#  ", "#  ", "###"),
    "R": ("## ", "# #", "## ", "# #", "# #"), "M": ("# #", "###", "###", "# #", "# #"),
    " ": ("   ", "   ", "   ", "   ", "   "),
}  # fmt: skip


_ALARM = "bold white on red"
_HOLDING = {"holds": "bold green", "DOES NOT HOLD": "bold red", "fans at rest": "bold"}

Line = tuple[tuple[str, str], ...]
"""Pieces of a line, each with its style."""


class View(Protocol):
    """Something that shows snapshots."""

    def show(self, snapshot: Snapshot) -> None:
        """Show it, or leave it out when the last one is too fresh."""

    def close(self) -> None:
        """Show no more."""


def _big(text: str, solid: str) -> list[str]:
    rows = ("  ".join("".join(c * 2 for c in _BIG[sign][row]) for sign in text) for row in range(5))
    return [row.replace("#", solid) for row in rows]


def _bar(axle: AxleNow) -> str:
    """Load against need: ``|`` stands where the need is met, half way."""
    half = _BAR // 2
    share = axle.downforce_n / axle.required_n if axle.required_n > 0 else 2.0
    filled = max(0, min(_BAR, round(share * half)))
    bar = "#" * filled + "." * (_BAR - filled)
    return f"[{bar[:half]}|{bar[half:]}]"


def _number(value: float | None, form: str, unit: str) -> str:
    return "?" if value is None else f"{value:z{form}} {unit}"


def _short(value: float) -> str:
    """At most five signs."""
    return f"{value:+z.1f}" if abs(value) < 99.95 else f"{max(-9999, min(9999, value)):+.0f}"


def screen(snapshot: Snapshot, solid: str = "#") -> Text:
    """Draw one screen."""
    from rich.text import Text

    s = snapshot
    lines: list[Line] = []
    clock = f"{int(s.elapsed_s) // 60:02d}:{s.elapsed_s % 60:04.1f}"
    counts = f"lost {s.lost}   bad {s.bad}   segment {s.segments}"
    rate = f"{s.rows_per_s:.0f} rows/s   " if s.live else ""
    lines.append(((f"{clock}   {rate}{counts}", ""),))
    lines.append(((f"link {escaped(s.link)}   disk {escaped(s.disk)}   {s.rows} rows", ""),))
    calm = ("no alarm", "") if s.live else ("THE RECORDING IS OVER", "bold")
    lines.append((("ALARM  " + escaped(s.alarm, 70), _ALARM) if s.alarm else calm,))
    if s.live:
        lines += _figures(s, solid)
    if s.notice:
        lines.append(((escaped(s.notice, _WIDTH - 2), "yellow"),))
    text = Text(no_wrap=True, overflow="crop", end="")
    for line in lines[:_HEIGHT]:
        room = _WIDTH
        for part, style in line:
            shown = harmless(part)[:room]  # whatever went into it
            text.append(shown, style=style or None)
            room -= len(shown)
        text.append("\n")
    return text


def _figures(s: Snapshot, solid: str) -> list[Line]:
    """All that is judged: the margin or suction in big signs, axles, forces, taps."""
    lines: list[Line] = []
    limiting = s.limiting
    lines.append((("", ""),))
    if limiting is not None:
        style = _HOLDING[s.holding]
        lines.append(((f"margin of the {limiting.name} axle, N: {s.holding}", style),))
        big = _short(limiting.margin_n)
    else:
        style = "bold"
        lines.append((("mean suction, Pa", style),))
        big = "?" if s.suction_pa is None else f"{max(-9999, min(9999, s.suction_pa)):z.0f}"
    lines += _banner(big, style, bool(s.alarm), solid)
    lines.append((("", ""),))
    for a in s.axles:
        told = f"{a.name:5s} {_bar(a)} {a.margin_n:+z7.1f} N  ({a.downforce_n:z.1f} of {a.required_n:.1f})"
        lines.append(((told, "red" if a.margin_n < 0 and s.holding != "fans at rest" else ""),))
    force = f"{_number(s.downforce_n, '.1f', 'N')} of {_number(s.required_n, '.1f', 'N')}"
    lines.append(((f"downforce {force}   mean suction {_number(s.suction_pa, '.0f', 'Pa')}", ""),))
    seal = "?" if s.seal_index is None else f"{s.seal_index:.2f}"
    lines.append(((f"throttle {_number(s.throttle_us, '.0f', 'us')}   seal index {seal}", ""),))
    lines += _taps(s)
    return lines


def _banner(big: str, style: str, alarm: bool, solid: str) -> list[Line]:
    """The figure in big signs; beside it ALARM while there is one."""
    rows = _big(f"{big:5s}", solid)
    if not alarm:
        return [((row.rstrip(), style),) for row in rows]
    return [
        ((row + "  ", style), (word, "bold red"))
        for row, word in zip(rows, _big("ALARM", solid), strict=True)
    ]


def _taps(s: Snapshot) -> list[Line]:
    told = [
        f"{escaped(t.name, 14):14s} {_number(t.suction_pa, '7.0f', 'Pa')} {t.fault}"
        for t in s.taps[:_MOST_TAPS]
    ]
    pairs = [f"{told[i]:38.38s}  {''.join(told[i + 1 : i + 2]):38.38s}" for i in range(0, len(told), 2)]
    if len(s.taps) > _MOST_TAPS:
        pairs.append(f"and {len(s.taps) - _MOST_TAPS} more")
    return [((pair, ""),) for pair in pairs]


class ScreenView:
    """Draws in place, on a terminal that can."""

    def __init__(self, console: Console, clock: Callable[[], float] = time.monotonic) -> None:
        from rich.live import Live

        self._console, self._clock = console, clock
        self._solid = "#" if console.options.ascii_only else "\u2588"
        self._live = Live(console=console, auto_refresh=False, screen=False, transient=False)
        self._drawn_s = float("-inf")
        self._last = Snapshot()
        self._live.start()

    def show(self, snapshot: Snapshot) -> None:
        """See :class:`View`; a new alarm is drawn at once and rings."""
        rings = snapshot.alarms > self._last.alarms
        if not rings and self._clock() - self._drawn_s < _DRAW_S:
            return
        self._drawn_s, self._last = self._clock(), snapshot
        self._live.update(screen(snapshot, self._solid), refresh=True)
        if rings:
            self._console.bell()

    def close(self) -> None:
        """See :class:`View`; what stays on the screen is no figure that may be taken for the present."""
        try:
            self._live.update(screen(self._last.dead(), self._solid))
        finally:
            self._live.stop()


class PlainView:
    """A line every few seconds and at every alarm, for a log or a pipe."""

    def __init__(self, say: Callable[[str], None], clock: Callable[[], float] = time.monotonic) -> None:
        self._say, self._clock = say, clock
        self._said_s = clock()
        self._alarm = ""

    def show(self, snapshot: Snapshot) -> None:
        """See :class:`View`."""
        s = snapshot
        changed = s.alarm != self._alarm
        if not changed and self._clock() - self._said_s < _LINE_S:
            return
        self._said_s, self._alarm = self._clock(), s.alarm
        parts = [f"{s.elapsed_s:.1f} s", f"{s.rows} rows", f"{s.rows_per_s:.0f}/s", f"{s.lost} lost"]
        if s.suction_pa is not None:
            parts.append(f"suction {s.suction_pa:z.0f} Pa")
        parts += [f"{a.name} {a.margin_n:+z.1f} N" for a in s.axles]
        parts.append(f"ALARM: {escaped(s.alarm)}" if s.alarm else "alarm over" if changed else "no alarm")
        self._say(", ".join(parts))

    def close(self) -> None:
        """See :class:`View`."""

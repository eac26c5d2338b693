"""The live view on a terminal: readable from two metres, from 80 x 24 up, without colour."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Protocol

from undertray.errors import escaped, harmless
from undertray.live.snapshot import RESTING, AlarmSeen, AxleNow, Snapshot, TapNow, five_signs, n_now, pa_now
from undertray.reduce.steady import REST_US
from undertray.report.display import SI, Display

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

__all__ = ["PlainView", "ScreenView", "View", "screen"]

_DRAW_S = 0.125
_LINE_S = 5.0
_FLASH_S = 0.5
_BAR = 30
_AROUND = 16  # lines beside the figure, a floor plan of two rows of taps among them
_FIGURE = (38, 5)  # columns and lines of five signs at their smallest
_CELL = 38  # columns for one tap
_TALL = 27  # lines from which on the alarm has three of them

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
    "E": ("###", "#  ", "## ", "#  ", "###"), "S": ("###", "#  ", "###", "  #", "###"),
    "T": ("###", " # ", " # ", " # ", " # "), "R": ("## ", "# #", "## ", "# #", "# #"),
    "M": ("# #", "###", "###", "# #", "# #"),
    " ": ("   ", "   ", "   ", "   ", "   "),
}  # fmt: skip


_ALARM = "bold white on red"
_HOLDING = {"holds": "bold green", "DOES NOT HOLD": "bold red", RESTING: "bold"}

Line = tuple[tuple[str, str], ...]
"""Pieces of a line, each with its style."""


class View(Protocol):
    """Something that shows snapshots."""

    def show(self, snapshot: Snapshot) -> None:
        """Show it, or leave it out when the last one is too fresh."""

    def close(self, ended: str = "") -> None:
        """Show no more; ``ended`` says why the recording is over where nobody asked for that."""


def _big(text: str, solid: str, scale: int = 1) -> list[str]:
    """Signs of 5 lines, or so many times as much."""
    rows = []
    for row in range(5):
        line = (" " * 2 * scale).join("".join(c * 2 * scale for c in _BIG[sign][row]) for sign in text)
        rows += [line.replace("#", solid)] * scale
    return rows


def _bar(axle: AxleNow) -> str:
    """Load against need: ``|`` stands where the need is met, half way."""
    half = _BAR // 2
    share = axle.downforce_n / axle.required_n if axle.required_n > 0 else 2.0
    filled = max(0, min(_BAR, round(share * half)))
    bar = "#" * filled + "." * (_BAR - filled)
    return f"[{bar[:half]}|{bar[half:]}]"


def clock(seconds: float) -> str:
    """Minutes and seconds."""
    return f"{int(seconds) // 60:02d}:{seconds % 60:04.1f}"


def latched(now: Snapshot, seen: AlarmSeen, units: Display) -> str:
    """The last alarm in one line: when, what, and the worst of it."""
    worst = ""
    if seen.worst_n is not None:
        worst = f"; worst {seen.axle} {n_now(seen.worst_n, units, '+')}"
    elif seen.least_pa is not None:
        worst = f"; down to {pa_now(seen.least_pa, units)}"
    if now.alarm:
        return f"since {clock(seen.at_s)}{worst}"
    until = "the end" if seen.until_s is None else clock(seen.until_s)
    rung = f"; {now.withdrawn} of {now.alarms} alarms withdrawn" if now.withdrawn else ""
    return f"last alarm {clock(seen.at_s)} to {until}{worst}: {seen.words}{rung}"


def _that_fits(text: str, width: int) -> str:
    """As many of its pieces as fit whole."""
    while len(text) > width and ", " in text:
        text = text.rpartition(", ")[0]
    return text[:width]


def screen(
    snapshot: Snapshot,
    solid: str = "#",
    size: tuple[int, int] = (80, 23),
    units: Display = SI,
    ended: str = "",
    hint: str = "",
    code: Sequence[str] = (),
) -> Text:
    """Draw one screen.

    Parameters
    ----------
    snapshot : Snapshot
        What is shown.
    solid : str
        What big signs are made of.
    size : (int, int)
        Columns and lines there are; the figure grows with them.
    units : Display
        Units of the figures.
    ended : str
        Why the recording is over, where nobody asked for that.
    hint : str
        What keys do; shown while there is no alarm.
    code : sequence of str
        A picture in place of the figures: the address of the page, for a phone.

    Returns
    -------
    Text
        Lines of at most so many columns, each ended.
    """
    from rich.text import Text

    s = snapshot
    width, height = size
    calm = (f"no alarm   {hint}".rstrip(), "")
    if not s.live:
        calm = (
            "THE RECORDING IS OVER" + (f": {escaped(ended, 50)}" if ended else ""),
            _ALARM if ended else "bold",
        )
    named = s.alarm if s.alarm.startswith("BOARD ALARM") else f"ALARM  {s.alarm}"
    said, style = (escaped(named, 77), _ALARM) if s.alarm else calm
    band: Line = ((" " * width if style == _ALARM else "", style),)
    tall = [band] if height >= _TALL else []
    lines: list[Line] = [
        _health(s, width),
        *tall,
        ((f"{said:{width}}" if style == _ALARM else said, style),),
        *tall,
    ]
    seen = s.last_alarm
    lines.append(((_that_fits(escaped(latched(s, seen, units), 400), width), "red") if seen else ("", ""),))
    notice: list[Line] = [((escaped(s.notice, width - 2), "yellow"),)] if s.notice else []
    if s.live and code:
        lines += [((line, "black on bright_white"),) for line in code]
    elif s.live:
        lines += _figures(s, solid, units, width, height - len(lines) - len(notice))
    lines = lines[: height - len(notice)] + notice
    text = Text(no_wrap=True, overflow="crop", end="")
    for line in lines:
        room = width
        for part, style in line:
            shown = harmless(part)[:room]  # whatever went into it
            text.append(shown, style=style or None)
            room -= len(shown)
        text.append("\n")
    return text


def _health(s: Snapshot, width: int) -> Line:
    """Link, disk and rows in one line; what does not fit any more is left out, not cut."""
    parts = [
        (clock(s.elapsed_s), ""),
        (f"link {escaped(s.link, 28)}", "" if s.link in ("ok", "waiting") else _ALARM),
        (f"disk {escaped(s.disk, 24)}", "" if s.disk == "ok" else _ALARM),
        *([(f"marks {s.marks}", "")] if s.marks else []),
        *([(f"{s.rows_per_s:.0f} rows/s", "")] if s.live else []),
        (f"{s.rows} rows", ""),
        (f"lost {s.lost}", "yellow" if s.lost else ""),
        (f"bad {s.bad}", "yellow" if s.bad else ""),
        (f"segment {s.segments}", ""),
    ]
    line: list[tuple[str, str]] = []
    for text, style in parts:
        if sum(len(one) for one, _ in line) + len(text) + 3 <= width:
            line += [("   ", "")] * bool(line) + [(text, style)]
    return tuple(line)


def _figures(s: Snapshot, solid: str, units: Display, width: int, height: int) -> list[Line]:
    """All that is judged: the margin or suction in big signs, axles, forces, taps."""
    limiting = s.limiting
    if s.holding == RESTING:  # a great margin that is lacking would look like a fault
        style, head, big = "bold", RESTING, " REST"
    elif limiting is not None:
        style = _HOLDING[s.holding]
        head = f"margin of the {limiting.name} axle, {units.force}: {s.holding}"
        big = five_signs(limiting.margin_n / units.force_n, units.places[1], "+")
    else:
        style, head = "bold", f"mean suction, {units.pressure}"
        value = s.suction_pa
        big = f"{'?':>5}" if value is None else five_signs(value / units.pressure_pa, units.places[0])
    scale = max(1, min(width // _FIGURE[0], (height + 3 - _AROUND) // _FIGURE[1]))
    lines: list[Line] = [
        (("", ""),),
        ((head, style),),
        *_banner(big, style, bool(s.alarm), solid, scale, width),
    ]
    lines.append((("load of each axle; | is what it needs; margin, load of need" if s.axles else "", "dim"),))
    for a in s.axles:
        load = f"({n_now(a.downforce_n, units)} of {n_now(a.required_n, units)})"
        told = f"{a.name:5s} {_bar(a)} {n_now(a.margin_n, units, '+'):>10}  {load}"
        lines.append(((told, "red" if a.margin_n < 0 and s.holding != RESTING else ""),))
    if s.axles:
        force = f"downforce {n_now(s.downforce_n, units)} of {n_now(s.required_n, units)}"
        lines.append(((f"{force}   mean suction {pa_now(s.suction_pa, units)}", ""),))
    seal = "?" if s.seal_index is None else f"{s.seal_index:.2f}"
    throttle = "?" if s.throttle_us is None else f"{s.throttle_us:.0f} µs"
    lines.append(((f"throttle {throttle}   seal index {seal}", ""),))
    return lines + _taps(s, units, width, height - len(lines))


def _banner(big: str, style: str, alarm: bool, solid: str, scale: int, width: int) -> list[Line]:
    """The figure in big signs; beside it, where there is room, ALARM while there is one."""
    rows = _big(big, solid, scale)
    if not alarm or 2 * (len(rows[0]) + 2) > width + 2:
        return [((row.rstrip(), style),) for row in rows]
    return [
        ((row + "  ", style), (word, "bold red"))
        for row, word in zip(rows, _big("ALARM", solid, scale), strict=True)
    ]


def _told(tap: TapNow, units: Display) -> tuple[str, str]:
    figure = tap.fault if len(tap.fault) > 12 else f"{pa_now(tap.suction_pa, units)} {tap.fault}".rstrip()
    return f"{escaped(tap.name, 14)} {figure}"[: _CELL - 2], "red" if tap.fault else ""


def _taps(s: Snapshot, units: Display, width: int, height: int) -> list[Line]:
    """The taps where they are under the floor, seen from above with the front on top; else as a list."""
    rows = s.tap_rows
    if rows and max(map(len, rows)) * _CELL <= width - 2 and len(rows) + 2 <= height:
        inner = max(map(len, rows)) * _CELL
        low = min(t.y_mm or 0.0 for t in s.taps)
        span = max(t.y_mm or 0.0 for t in s.taps) - low
        drawn = [_plan_line(row, low, span, inner, units) for row in rows]
        ends = [((f"+{f' {end} ':-^{inner}}+", ""),) for end in ("front", "rear")]
        return [ends[0], *drawn, ends[1]]
    told = [_told(tap, units) for tap in s.taps]
    across = max(1, (width + 2) // _CELL)
    lines: list[Line] = []
    for i in range(0, len(told), across):
        if len(lines) + 1 == height and i + across < len(told):
            lines.append(((f"and {len(told) - i} more", ""),))
            break
        lines.append(tuple((f"{text:{_CELL}}", style) for text, style in told[i : i + across]))
    return lines[: max(0, height)]


def _plan_line(row: Sequence[TapNow], low: float, span: float, inner: int, units: Display) -> Line:
    line: list[tuple[str, str]] = [("|", "")]
    column = 0
    for i, tap in enumerate(row):
        share = ((tap.y_mm or 0.0) - low) / span if span > 0 else 0.5
        at = max(column, min(round(share * (inner - _CELL)), inner - (len(row) - i) * _CELL))
        line += [(" " * (at - column), ""), (f"{' ' + _told(tap, units)[0]:{_CELL}}", _told(tap, units)[1])]
        column = at + _CELL
    return (*line, (" " * (inner - column) + "|", ""))


class ScreenView:
    """Draws in place, on a terminal that can."""

    def __init__(
        self,
        console: Console,
        clock: Callable[[], float] = time.monotonic,
        units: Display = SI,
        hint: str = "",
        code: Sequence[str] = (),
    ) -> None:
        from rich.live import Live

        self._console, self._clock, self._units, self._hint = console, clock, units, hint
        self._code, self.code_shown = code, bool(code)
        self._busy = False
        self._solid = "#" if console.options.ascii_only else "\u2588"
        self._live = Live(console=console, auto_refresh=False, screen=False, transient=False)
        self._drawn_s = self._marked_s = float("-inf")
        self._last = Snapshot()
        self._live.start()

    def show(self, snapshot: Snapshot) -> None:
        """See :class:`View`; a new alarm is drawn at once and rings; a mark lights the screen up at once."""
        rings, marked = snapshot.alarms > self._last.alarms, snapshot.marks > self._last.marks
        busy = bool(snapshot.alarm) or (snapshot.throttle_us or 0) > REST_US
        if busy and not self._busy:  # the figures count now; the key brings the code back
            self.code_shown = False
        self._busy = busy
        if not rings and not marked and self._clock() - self._drawn_s < _DRAW_S:
            return
        self._drawn_s, self._last = self._clock(), snapshot
        self._marked_s = self._drawn_s if marked else self._marked_s
        drawn = self._screen(snapshot)
        if self._drawn_s - self._marked_s < _FLASH_S:
            drawn.stylize("reverse")
        self._live.update(drawn, refresh=True)
        if rings or marked:
            self._console.bell()

    def _screen(self, snapshot: Snapshot, ended: str = "") -> Text:
        width, height = self._console.size
        size, hint = (max(20, width), max(8, height - 1)), "" if ended else self._hint
        code = self._code if self.code_shown and snapshot.live else ()
        return screen(snapshot, self._solid, size, self._units, ended, hint, code)

    def close(self, ended: str = "") -> None:
        """See :class:`View`; what stays on the screen is no figure that may be taken for the present."""
        try:
            self._live.update(self._screen(self._last.dead(), ended))
        finally:
            self._live.stop()


class PlainView:
    """A line every few seconds and at every alarm, for a log or a pipe."""

    def __init__(
        self,
        say: Callable[[str], None],
        clock: Callable[[], float] = time.monotonic,
        units: Display = SI,
    ) -> None:
        self._say, self._clock, self._units = say, clock, units
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
            parts.append(f"suction {pa_now(s.suction_pa, self._units)}")
        parts += [f"{a.name} {n_now(a.margin_n, self._units, '+')}" for a in s.axles]
        parts.append(f"ALARM: {escaped(s.alarm)}" if s.alarm else "alarm over" if changed else "no alarm")
        self._say(", ".join(parts))

    def close(self, ended: str = "") -> None:
        """See :class:`View`; the program itself says how it ended."""

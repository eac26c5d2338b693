"""The bench sweep from the host: armed by a person, kept alive beat by beat, stopped in every doubt."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from undertray.acquire.console import BoardConsole, encode_command
from undertray.acquire.link import Link
from undertray.acquire.wire import Row, WireNote
from undertray.errors import LinkError

__all__ = ["BenchSweep", "SweepPlan"]

_ALARM, _DRIVEN = 2, 4  # flags of a row
_LOOK_S = 0.5
_FIRST_ROW_S = 5.0
_ANSWER_S = 2.0
_BEAT_S = 0.25  # the board gives up after 1 s without
_BLIND_S = 1.0
_COAST_S = 1.5
_CAUTION_CHARS = 1000


@dataclass(frozen=True, slots=True)
class SweepPlan:
    """Throttles to hold, one after another."""

    first_us: int
    last_us: int
    steps: int
    dwell_ms: int

    @property
    def widths_us(self) -> list[int]:
        """Every width, in order, as the board rounds them."""
        return [
            self.first_us + (self.last_us - self.first_us) * i // (self.steps - 1) for i in range(self.steps)
        ]


class BenchSweep:
    """Drives one sweep from within a recording.

    Parameters
    ----------
    console : BoardConsole
        The board's console on an open link.
    plan : SweepPlan
        What to hold.
    told_to_stop : callable
        Whether the person has pressed a key, or a signal came; asked every 50 ms.
    say : callable
        Takes a sentence for the person at the screen.
    clock_s : callable
        Monotonic time, s.

    Attributes
    ----------
    failure : LinkError or None
        Why the sweep did not come to its end; None while it may, and after it did.
    swept : bool
        Whether it came to its end.

    Notes
    -----
    A :class:`~undertray.acquire.recorder.Recorder` reads the link: :meth:`open_link` gives it, :meth:`take`
    is its watch, :meth:`tick` its stop. The board itself stops the fans a second after the last beat,
    whatever becomes of this program or of the cable.
    """

    def __init__(
        self,
        console: BoardConsole,
        plan: SweepPlan,
        told_to_stop: Callable[[], bool],
        *,
        say: Callable[[str], None] = lambda _: None,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.failure: LinkError | None = None
        self.swept = False
        self._console = console
        self._plan = plan
        self._told_to_stop = told_to_stop
        self._say = say
        self._clock_s = clock_s
        self._number: object = None
        self._state = "looking"
        self._due_s = self._row_s = self._since_s = 0.0
        self._silent: set[int] | None = None
        self._numbers = self._channels = 0  # in a row, and those of them that are no pressures
        self._wrong: str | None = None
        self._steps = 0

    def caution(self) -> tuple[str, Mapping[str, Any]]:
        """Quieten the board and ask it what to heed."""
        self._console.ask("stop")
        told = self._console.ask("caution")
        text, self._number = told.get("caution"), told.get("number")
        low, high = (self._console.number(told, key) for key in ("idle_us", "throttle_max_us"))
        if not isinstance(text, str) or not isinstance(self._number, int):
            raise self._console.nonsense(told)
        for width_us in (self._plan.first_us, self._plan.last_us):
            if not low <= width_us <= high:
                raise LinkError(
                    "the sweep goes beyond what this board may send",
                    where=self._console.link.name,
                    seen=f"{width_us} µs",
                    expected=f"{low} to {high} µs",
                    do="choose another --from or --to; throttle_max_us of board.json is the upper limit",
                )
        return text[:_CAUTION_CHARS], told

    def open_link(self) -> Link:
        """Give the link to the recorder; when it is closed, the board is told to stop first."""
        self._due_s = self._clock_s() + _FIRST_ROW_S
        return _StopsFirst(self._console.link, again=self._console.streamed)

    def take(self, _now_us: int, good: list[Row | WireNote]) -> None:
        """Take what came."""
        for one in good:
            if isinstance(one, Row):
                self._take_row(one)
            elif one.kind == "reply":
                self._take_reply(one.data)
            elif one.kind == "device":
                told = one.data.get("channels")
                self._channels = len(told) if isinstance(told, list) else 0

    def tick(self) -> bool:
        """Do what is due."""
        now_s = self._clock_s()
        if self._state == "over":
            return now_s >= self._due_s
        if self._told_to_stop():
            self._stop(LinkError("the sweep was stopped", where=self._console.link.name))
        elif self._state == "sweeping":
            if now_s - self._row_s > _BLIND_S:
                self._stop(self._fails("no rows came for 1 s while the fans turned", None))
            elif now_s > self._since_s + self._plan.steps * self._plan.dwell_ms / 1000 + _ANSWER_S:
                self._stop(self._fails("the board did not say that the sweep is over", None))
            elif now_s >= self._due_s:
                self._due_s = now_s + _BEAT_S
                self._send(f"beat {self._number}")
        elif self._state == "looking" and self._silent is not None and now_s - self._since_s >= _LOOK_S:
            self._arm()
        elif now_s > self._due_s:
            what = "sends no rows" if self._state == "looking" else f"does not answer to '{self._state}'"
            self._stop(self._fails(f"the board {what}", None))
        return False

    def _take_row(self, row: Row) -> None:
        self._row_s = self._clock_s()
        if self._state != "looking":
            return
        if self._silent is None:
            self._numbers = len(row.counts)
            self._silent, self._since_s = set(range(self._numbers)), self._row_s
        self._silent -= {i for i, count in enumerate(row.counts) if count is not None}
        if row.throttle_us is not None:
            self._wrong = f"the throttle pin is driven already ({row.throttle_us} µs)"
        elif row.flags & _ALARM:
            self._wrong = "the alarm is on"

    def _arm(self) -> None:
        silent = [i for i in sorted(self._silent or ()) if i < self._numbers - self._channels]
        if silent:
            columns = ", ".join(f"p{i + 1}" for i in silent)
            self._wrong = self._wrong or f"no reading from {columns}"
        if self._wrong:
            self._stop(self._fails("not armed: " + self._wrong, None))
            return
        self._ask("arm", f"arm {self._number}")

    def _take_reply(self, data: Mapping[str, Any]) -> None:
        to, good = data.get("to"), data.get("ok") is True
        if self._state == "over" or to not in ("arm", "sweep"):
            return  # a beat that came damaged is made good by the next
        if not good:
            self._stop(self._fails(f"the board ended the sweep ('{to}')", data.get("why")))
        elif to == "arm" and self._state == "arm":
            plan = self._plan
            words = f"{plan.first_us} {plan.last_us} {plan.steps} {plan.dwell_ms}"
            self._ask("sweep", f"sweep {words} {data.get('number')}")
        elif to == "sweep" and self._state == "sweep" and "number" in data:
            self._number, self._state = data["number"], "sweeping"
            self._due_s = self._row_s = self._since_s = self._clock_s()
            self._say("fans turn: any key stops them")
        elif to == "sweep" and self._state == "sweeping":
            self.swept = True
            self._over()

    def _ask(self, state: str, command: str) -> None:
        self._state, self._due_s = state, self._clock_s() + _ANSWER_S
        self._send(command)

    def _send(self, command: str) -> None:
        with contextlib.suppress(LinkError):  # the recorder's next read says why
            self._console.link.write(encode_command(command))

    def _stop(self, failure: LinkError) -> None:
        with contextlib.suppress(LinkError):
            self._console.link.write(b"stop\n")
        self.failure = failure
        self._over()

    def _over(self) -> None:
        self._state, self._due_s = "over", self._clock_s() + _COAST_S

    def _fails(self, what: str, why: object) -> LinkError:
        return LinkError(
            what, where=self._console.link.name, seen=why, do="see that all is at rest, then again"
        )


class _StopsFirst:
    """A link that tells the board to stop before it is closed, and to send rows ``again`` where it did."""

    def __init__(self, link: Link, again: bool) -> None:
        self.name = link.name
        self.read = link.read
        self.write = link.write
        self._link = link
        self._last = b"stop\nstart\n" if again else b"stop\n"

    def close(self) -> None:
        with contextlib.suppress(LinkError):
            self._link.write(self._last)
        self._link.close()

"""Recording: from a link into a run log, whatever happens on the way."""

from __future__ import annotations

import json
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from undertray.acquire.intake import Intake, not_our_board
from undertray.acquire.link import Link, LinkEnded
from undertray.acquire.runlog import LOG_VERSION
from undertray.acquire.wire import Row, WireNote
from undertray.acquire.writer import LogWriter, begin_log
from undertray.errors import LinkError, LinkLost, LogExists, RunLogError
from undertray.files import is_present

__all__ = [
    "Patience",
    "Recorder",
    "Recording",
    "car_line",
    "end_line",
    "first_lines",
    "mark_line",
    "refuse_taken",
    "run_lines",
]

_READ_S = 0.05
_RETRY_S = 0.25
_ANOTHER = "choose another name"
_ASK = b"info\nstart\n"
_FACTS_LIMIT = 60_000


@dataclass(frozen=True, slots=True)
class Patience:
    """How long to wait for a board, s."""

    answer_s: float = 5.0
    rows_s: float = 10.0
    silent_s: float = 5.0
    return_s: float = 5.0
    ask_s: float = 2.0


@dataclass(frozen=True, slots=True)
class Recording:
    """What came of it."""

    path: Path
    rows: int
    bad: int
    lost: int
    segments: int
    dropped_bytes: int
    unwritten_rows: int
    seconds: float
    why: str
    duplicates: int = 0
    missing_rows: int | None = None


def first_lines(facts: Mapping[str, Any], car: Mapping[str, Any] | None = None) -> bytes:
    """Compose the lines that open the log of a run that begins now."""
    started = datetime.now(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
    return run_lines({"started_utc": started, **facts}, car)


def run_lines(facts: Mapping[str, Any], car: Mapping[str, Any] | None = None) -> bytes:
    """Compose the lines that open a log."""
    text = json.dumps(dict(facts), ensure_ascii=False)
    run = f"#run {text}\n".encode("utf-8", "replace")  # a path may hold what is no character
    if len(run) > _FACTS_LIMIT:
        raise RunLogError("too many facts for one run", seen=text, expected=f"at most {_FACTS_LIMIT} bytes")
    return f"#undertray-run {LOG_VERSION}\n".encode() + run + car_line(car)


def car_line(car: Mapping[str, Any] | None) -> bytes:
    """Compose the line that keeps the car."""
    if car is None:
        return b""
    try:
        text = json.dumps(dict(car), ensure_ascii=False, allow_nan=False)
    except (TypeError, ValueError) as error:  # a date, or nan, under a key that no tap used
        raise RunLogError(f"the car cannot be kept in the log ({error})", do="correct its file") from error
    line = f"#car {text}\n".encode("utf-8", "replace")
    if len(line) > _FACTS_LIMIT:
        raise RunLogError("too much of a car for a log", expected=f"at most {_FACTS_LIMIT} bytes")
    return line


def mark_line(host_us: int, number: int) -> bytes:
    """Compose the line of a moment that a person marked, to find it again in a video."""
    return f'#mark {host_us} {{"number": {number}}}\n'.encode()


def end_line(recording: Recording) -> bytes:
    """Compose the line that closes a log."""
    end: dict[str, Any] = {
        "rows": recording.rows,
        "bad": recording.bad,
        "seconds": round(recording.seconds, 6),
        "why": recording.why,
        "lost": recording.lost,
        "duplicate": recording.duplicates,
        "segments": recording.segments,
        "dropped_bytes": recording.dropped_bytes,
        "unwritten_rows": recording.unwritten_rows,
    }
    if recording.missing_rows is not None:
        end |= {"cut": True, "missing_rows": recording.missing_rows}
    return f"#end {json.dumps(end)}\n".encode()


def refuse_taken(paths: Sequence[Path]) -> None:
    """Refuse the one name of a log that is taken."""
    if len(paths) == 1 and is_present(paths[0]):
        where = str(paths[0])
        raise LogExists("this file exists, and a log is never overwritten", where=where, do=_ANOTHER)


class Recorder:
    """Records one run.

    Parameters
    ----------
    open_link : callable
        Opens the link, and opens it again after it was lost.
    path : Path or iterable of Path
        The log; must not exist. Of several names the first that nobody has.
    facts : mapping
        What the ``#run`` line shall say besides the time: car, skirt, notes, host.
    car : mapping or None
        The car that the log shall keep, as a ``car.toml`` has it.
    seconds : float or None
        Length of the recording by the host's clock, from the first row on; without end if
        None.
    patience : Patience or None
        Deadlines; the usual ones if None.
    clock_us : callable
        Monotonic time, µs.
    sleep : callable
        Waits for so many seconds.
    say : callable
        Takes a sentence for the person at the screen.
    watch : callable or None
        Takes the host time, µs since the log was opened, and the rows and notes of one read.
        It must return at once.
    make_writer : callable
        Makes the writer of the log.

    Attributes
    ----------
    intake : Intake
        What has come so far.
    now_us : int
        Time since the log was opened, µs.
    link_state, disk_state : str
        How the link and the disk are, in a word or two.
    marks : int
        How many moments were marked.

    Notes
    -----
    ``info`` and ``start`` are sent when a link opens, and again while no rows come: a board
    may have been off, or was reset. ``stop`` is never sent: a board that streams by itself,
    with an alarm on the car that hangs on it, goes on when the host leaves.
    """

    def __init__(
        self,
        open_link: Callable[[], Link],
        path: Path | Iterable[Path],
        facts: Mapping[str, Any],
        *,
        car: Mapping[str, Any] | None = None,
        seconds: float | None = None,
        patience: Patience | None = None,
        clock_us: Callable[[], int] = lambda: time.monotonic_ns() // 1000,
        sleep: Callable[[float], None] = time.sleep,
        say: Callable[[str], None] = lambda _: None,
        watch: Callable[[int, list[Row | WireNote]], None] | None = None,
        make_writer: Callable[[Path], LogWriter] = LogWriter,
    ) -> None:
        self.intake = Intake()
        self.marks = 0
        self._marked_us: deque[int] = deque()
        self._open_link = open_link
        self._paths = [path] if isinstance(path, Path) else list(path)
        self._facts, self._car = facts, car
        self._seconds = seconds
        self._patience = patience or Patience()
        self._clock_us = clock_us
        self._sleep = sleep
        self._say = say
        self._watch = watch
        self._make_writer = make_writer
        self._why = "failed"
        self._opened_us = self._ended_us = self._linked_us = self._asked_us = 0
        self._lost: tuple[int, str, LinkError] | None = None

    @property
    def now_us(self) -> int:
        """See the class."""
        return self._clock_us() - self._opened_us if self._opened_us else 0

    @property
    def link_state(self) -> str:
        """See the class."""
        if self._lost is not None:
            return f"LOST: {self._lost[1]}"
        return "waiting" if self.intake.last_good_us is None else "ok"

    @property
    def disk_state(self) -> str:
        """See the class."""
        unwritten = self._writer.unwritten_rows if hasattr(self, "_writer") else 0
        return f"{unwritten} ROWS NOT WRITTEN" if unwritten else "ok"

    def mark(self) -> None:
        """Mark this moment in the log; from any thread."""
        if self._opened_us:
            self.marks += 1
            self._marked_us.append(self.now_us)

    def _put_marks(self) -> None:
        while self._marked_us:
            at_us = self._marked_us.popleft()
            self._writer.put(mark_line(at_us, self.marks - len(self._marked_us)))

    def run(self, stop: Callable[[], bool]) -> Recording:
        """Record until told to stop, the time is up or the link is lost for good."""
        refuse_taken(self._paths)
        self._link = self._open_link()
        try:
            self._writer = begin_log(self._paths, self._make_writer)
            self._opened_us = self._clock_us()
            self._say(f"recording from {self._link.name} to {self._writer.path}; Ctrl-C ends it")
            try:
                self._writer.put(first_lines(self._facts, self._car))
                self._why = self._record(stop)
            except KeyboardInterrupt:
                self._why = "stopped"
                raise
            finally:
                self._close()
        finally:
            self._link.close()
        if self._writer.failure is not None:
            raise self._writer.error(self._writer.failure)
        if self.intake.last_good_us is None:
            raise LinkError("stopped before the board had sent anything", where=self._link.name)
        return self._outcome(self._writer.rows, self._writer.unwritten_rows)

    def _lasted_s(self) -> float:
        first_us = self.intake.first_row_us
        return 0.0 if first_us is None else (self._ended_us - first_us) / 1e6

    def _close(self) -> None:
        self._ended_us = self._now_us()
        self._writer.put(*self.intake.end_link())
        self._put_marks()
        if self.intake.last_good_us is None:  # nothing of a board in it: the name stays free
            self._writer.discard()
            return
        self._writer.close(lambda rows, unwritten: end_line(self._outcome(rows, unwritten)))

    def _outcome(self, rows: int, unwritten_rows: int) -> Recording:
        intake = self.intake
        return Recording(
            path=self._writer.path,
            rows=rows,
            bad=intake.bad,
            lost=intake.lost,
            segments=intake.segments,
            dropped_bytes=intake.dropped_bytes,
            unwritten_rows=unwritten_rows,
            seconds=self._lasted_s(),
            why=self._why if self._writer.failure is None else "disk failed",
            duplicates=intake.duplicates,
        )

    def _now_us(self) -> int:
        return self._clock_us() - self._opened_us

    def _record(self, stop: Callable[[], bool]) -> str:
        """Take what comes until there is a reason to end."""
        self._try_to_ask(0)
        while not stop():
            if self._writer.failure is not None:
                return "disk failed"  # the log is closed before it is told
            self._put_marks()
            try:
                piece = self._link.read(_READ_S)
            except LinkEnded:
                if self.intake.last_good_us is None:
                    raise not_our_board(self._link.name, self.intake.seen) from None
                return "end of file"
            except LinkError as error:
                self._regain(error, "port vanished", stop)
                continue
            now_us = self._now_us()
            if piece:
                self._take(piece, now_us)
            if self._is_over(now_us):
                self._give_up_lost()
                return "time is up"
            self._mind(now_us, stop)
        return "stopped"

    def _is_over(self, now_us: int) -> bool:
        first_us = self.intake.first_row_us
        return self._seconds is not None and first_us is not None and now_us - first_us >= self._seconds * 1e6

    def _take(self, piece: bytes, now_us: int) -> None:
        before = self.intake.device
        text, rows, good = self.intake.take(piece, now_us)
        if text:
            self._writer.put(text, rows)
        here = self.intake.device
        if before is not None and here is not None and here.boot != before.boot:
            self._try_to_ask(now_us)  # after a reset it may wait to be started again
        if good:
            self._lost = None
            if self._watch is not None:
                self._watch(now_us, good)

    def _mind(self, now_us: int, stop: Callable[[], bool]) -> None:
        """Ask again, lose patience, or find the link silent."""
        intake, patience = self.intake, self._patience
        if intake.last_good_us is None:
            if now_us > patience.answer_s * 1e6:
                raise not_our_board(self._link.name, intake.seen)
        elif intake.last_row_us is None and now_us > patience.rows_s * 1e6:
            raise LinkError(
                "the board answers but sends no rows",
                where=self._link.name,
                seen=intake.refusal,
                do="check its sensors with 'selftest' on its console",
            )
        elif self._lost and not intake.holding and now_us - self._lost[0] > patience.return_s * 1e6:
            self._give_up_lost()
        elif now_us - max(intake.last_good_us, self._linked_us) > patience.silent_s * 1e6:
            silent = LinkLost(
                f"the board went silent for {patience.silent_s:g} s",
                where=self._link.name,
                do="check its power",
            )
            self._regain(silent, "silent", stop)
            return
        if now_us - max(intake.last_row_us or 0, self._asked_us) > patience.ask_s * 1e6:
            self._try_to_ask(now_us)

    def _try_to_ask(self, now_us: int) -> None:
        self._asked_us = now_us
        try:
            self._link.write(_ASK)
        except LinkError:
            return  # the next read says why

    def _regain(self, error: LinkError, why: str, stop: Callable[[], bool]) -> None:
        """Wait for a lost link to come back; raise what was wrong with it when it does not."""
        self._link.close()
        self._writer.put(*self.intake.end_link())
        if self._lost is None:
            self._lost = (self._now_us(), why, error)
            if self.intake.last_good_us is not None:
                self._say(f"{error.what}; waiting {self._patience.return_s:g} s for it to come back")
        until_us = self._lost[0] + self._patience.return_s * 1e6
        while not stop():
            now_us = self._now_us()
            if self.intake.last_good_us is None or now_us >= until_us or self._is_over(now_us):
                self._give_up_lost()
            try:
                self._link = self._open_link()
            except LinkError:
                self._sleep(_RETRY_S)
                continue
            self._linked_us = self._now_us()
            self.intake.resume()
            self._try_to_ask(self._linked_us)
            return

    def _give_up_lost(self) -> None:
        """Raise what was wrong with the link, if it is lost."""
        if self._lost is not None:
            _, self._why, error = self._lost
            raise error

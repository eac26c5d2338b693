"""Brings runs that the board kept by itself into run logs, over the console that it has anyway."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from undertray.acquire.framing import Framer
from undertray.acquire.link import Link
from undertray.acquire.stored import StoredLog
from undertray.acquire.wire import Row, WireNote, parse_line
from undertray.errors import LinkError

__all__ = ["Fetched", "Fetcher", "StoredRun"]

_READ_S = 0.05
_ANSWER_S = 5.0
_SILENT_S = 10.0
_LARGEST = 1 << 26
_RUNS = 1000


@dataclass(frozen=True, slots=True)
class StoredRun:
    """A run that the board keeps.

    Attributes
    ----------
    number : int
        Its number on the board.
    size : int
        Bytes on the board.
    """

    number: int
    size: int


@dataclass(frozen=True, slots=True)
class Fetched:
    """A run that was brought.

    Attributes
    ----------
    number : int
        Its number on the board.
    path : Path
        The log.
    rows, bad : int
        Rows in it, and lines that fail their check.
    new : bool
        False when the log was there already; it is left as it was.
    """

    number: int
    path: Path
    rows: int
    bad: int
    new: bool


class Fetcher:
    """Talks with one board.

    Parameters
    ----------
    link : Link
        Open link to the board; it stays the caller's to close.
    clock_s : callable
        Monotonic time, s.

    Notes
    -----
    Rows that the board sends are stopped first and, if there were any, started again at the
    end by :meth:`session`.
    """

    def __init__(self, link: Link, *, clock_s: Callable[[], float] = time.monotonic) -> None:
        self._link = link
        self._clock_s = clock_s
        self._framer = Framer()
        self._waiting: list[bytes] = []
        self._streamed = False

    @contextmanager
    def session(self) -> Iterator[None]:
        """Quieten the board for as long as the block lasts.

        Yields
        ------
        None

        Raises
        ------
        LinkError
            When the board does not answer.
        """
        self._ask("stop")
        try:
            yield
        finally:
            if self._streamed:
                self._link.write(b"start\n")

    def runs(self) -> list[StoredRun]:
        """List the runs on the board.

        Returns
        -------
        list of StoredRun
            At most the last 40, oldest first.

        Raises
        ------
        LinkError
            When the board does not answer, refuses, or its list makes no sense.
        """
        told = self._ask("runs").get("runs")
        if not isinstance(told, list) or len(told) > _RUNS:
            raise self._nonsense(told)
        return [StoredRun(self._number(item, "run"), self._number(item, "bytes")) for item in told]

    def fetch(self, number: int, folder: Path, facts: Mapping[str, Any]) -> Fetched:
        """Bring one run into a log.

        Parameters
        ----------
        number : int
            Its number on the board.
        folder : Path
            Where the log goes; made if missing. Its name has the number and the id of the
            power-up, so that no two runs share one.
        facts : mapping
            What the ``#run`` line shall say besides where the run comes from.

        Returns
        -------
        Fetched

        Raises
        ------
        LinkError
            When the board refuses, falls silent, restarts, or not every byte of the run came.
            Nothing is left of the log then.
        RunLogError
            When the log cannot be written, or what came is no run of a board.
        """
        begin = self._ask(f"fetch {number}")
        size = self._number(begin, "bytes")
        told_utc = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        log = StoredLog(folder, {**facts, "stored_run": number, "fetched_utc": told_utc})
        try:
            end, lines, came = self._take_run(log, size)
            if (lines, came) != (end.get("lines"), size):
                raise LinkError(
                    f"run {number} did not come whole",
                    where=self._link.name,
                    seen=f"{lines} lines, {came} bytes",
                    expected=f"{end.get('lines')} lines, {size} bytes",
                    do="fetch it again",
                )
            path, new = log.keep(number)
        except BaseException:
            log.discard()
            raise
        return Fetched(number, path, log.rows, log.bad, new)

    def erase(self, number: int) -> None:
        """Erase a run on the board.

        Parameters
        ----------
        number : int
            Its number.

        Raises
        ------
        LinkError
            When the board does not answer or refuses.
        """
        self._ask(f"erase {number}")

    def _take_run(self, log: StoredLog, size: int) -> tuple[Mapping[str, Any], int, int]:
        """Take lines until the board says that was all; gives its word, lines and bytes."""
        lines = came = 0
        while True:
            line = self._next(_SILENT_S)
            parsed = parse_line(line)
            if isinstance(parsed, WireNote) and parsed.kind == "reply":
                return self._agreed(parsed.data, "fetch"), lines, came
            lines += 1
            came += len(line) + 1
            if came > size:
                raise LinkError(
                    "the board sends more than the run has",
                    where=self._link.name,
                    expected=f"{size} bytes",
                    do="it may have restarted: fetch the run again",
                )
            log.add(line, parsed)

    def _ask(self, command: str) -> Mapping[str, Any]:
        """Send a command; give the board's answer."""
        to = command.partition(" ")[0]
        self._link.write(command.encode() + b"\n")
        until_s = self._clock_s() + _ANSWER_S
        while True:
            parsed = parse_line(self._next(until_s - self._clock_s(), command))
            self._streamed |= isinstance(parsed, Row)
            if isinstance(parsed, WireNote) and parsed.kind == "reply" and parsed.data.get("to") == to:
                return self._agreed(parsed.data, to)

    def _next(self, patience_s: float, command: str = "fetch") -> bytes:
        until_s = self._clock_s() + patience_s
        while not self._waiting:
            if self._clock_s() > until_s:
                raise LinkError(
                    f"the board does not answer to '{command}'",
                    where=self._link.name,
                    expected="a board with this firmware",
                    do="check the port with 'undertray ports', or take the board off and on",
                )
            self._waiting = self._framer.feed(self._link.read(_READ_S))
        return self._waiting.pop(0)

    def _agreed(self, data: Mapping[str, Any], to: str) -> Mapping[str, Any]:
        if data.get("to") != to or data.get("ok") is not True:
            raise LinkError(f"the board refuses '{to}'", where=self._link.name, seen=data.get("why"))
        return data

    def _number(self, data: object, key: str) -> int:
        value = data.get(key) if isinstance(data, dict) else None
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= _LARGEST:
            raise self._nonsense(data)
        return value

    def _nonsense(self, seen: object) -> LinkError:
        return LinkError(
            "the board's answer makes no sense", where=self._link.name, seen=json.dumps(seen, default=str)
        )

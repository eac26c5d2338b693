"""Brings runs that the board kept by itself into run logs, over the console that it has anyway."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from undertray.acquire.console import BoardConsole
from undertray.acquire.link import Link
from undertray.acquire.stored import StoredLog
from undertray.acquire.transfer import Transfer
from undertray.acquire.wire import parse_line

__all__ = ["Fetched", "Fetcher", "StoredRun"]

_RUNS = 1000
_DIGEST = 16  # hex digits that go with an erase


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
    sha256 : str
        Digest of the run, which the board and what came agree on.
    missing_rows : int or None
        Rows that the board had no room for; None where the run is whole.
    """

    number: int
    path: Path
    rows: int
    bad: int
    new: bool
    sha256: str
    missing_rows: int | None = None


class Fetcher:
    """Talks with one board.

    Parameters
    ----------
    link : Link
        Open link to the board; it stays the caller's to close.
    clock_s : callable
        Monotonic time, s.
    reopen : callable or None
        Opens the link again after it broke; None: a broken link ends it.
    wait : callable
        Sleeps so many seconds.

    Notes
    -----
    Rows that the board sends are stopped first and, if there were any, started again at the
    end by :meth:`session`.
    """

    def __init__(
        self,
        link: Link,
        *,
        clock_s: Callable[[], float] = time.monotonic,
        reopen: Callable[[], Link] | None = None,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        self._console = BoardConsole(link, clock_s)
        self._transfer = Transfer(self._console, clock_s, reopen, wait)

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
        self._console.ask("stop")
        try:
            yield
        finally:
            if self._console.streamed and not self._console.broken:
                self._console.link.write(b"start\n")

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
        told = self._console.ask("runs").get("runs")
        if not isinstance(told, list) or len(told) > _RUNS:
            raise self._console.nonsense(told)
        return [
            StoredRun(self._console.number(item, "run"), self._console.number(item, "bytes")) for item in told
        ]

    def fetch(
        self, number: int, folder: Path, facts: Mapping[str, Any], car: Mapping[str, Any] | None = None
    ) -> Fetched:
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
        car : mapping or None
            The car that the log shall keep, as a ``car.toml`` has it.

        Returns
        -------
        Fetched

        Raises
        ------
        LinkError
            When the board refuses, restarts, tells no digest, or the run did not come whole in
            20 attempts or in the time: 30 s and a second for each 2000 bytes. No log is made then.
        RunLogError
            When the log cannot be written, or what came is no run of a board.

        Notes
        -----
        What is damaged or missing is asked for again, from the first line that fails its check on. A
        line that is damaged on the board itself comes damaged and is kept so: the digest agrees.
        """
        text, digest = self._transfer.bring(number)
        told_utc = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        log = StoredLog(folder, {**facts, "stored_run": number, "fetched_utc": told_utc}, car)
        try:
            for line in text.removesuffix(b"\n").split(b"\n") if text else ():
                log.add(line, parse_line(line))
            path, new = log.keep(number)
        except BaseException:
            log.discard()
            raise
        return Fetched(number, path, log.rows, log.bad, new, digest, log.missing_rows)

    def erase(self, run: Fetched) -> None:
        """Erase a run on the board, if it is still the one that was brought.

        Parameters
        ----------
        run : Fetched
            The run.

        Raises
        ------
        LinkError
            When the board does not answer or refuses.
        """
        self._console.ask(f"erase {run.number} {run.sha256[:_DIGEST]}")

"""Brings runs that the board kept by itself into run logs, over the console that it has anyway."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from undertray.acquire.console import BoardConsole
from undertray.acquire.device import Device
from undertray.acquire.intake import Intake
from undertray.acquire.link import Link
from undertray.acquire.recording import Recording, car_line, end_line
from undertray.acquire.runfacts import ANNOTATED
from undertray.acquire.runlog import LOG_VERSION
from undertray.acquire.wire import TICK_LIMIT, Bad, Row, WireNote, parse_line
from undertray.errors import LinkError, LogNotWritten, RunLogError

__all__ = ["Fetched", "Fetcher", "StoredLog", "StoredRun", "Transfer"]


# The transfer of a kept run: whole and as the board holds it, or not at all.

_SILENT_S = 5.0
_BEGIN_S = 10.0  # also for what an earlier attempt still sends
_SPARE_S = 30.0
_SLOWEST_BYTES_S = 2000  # slower than a UART at 19200 baud: whoever drips holds nobody up for ever
_ATTEMPTS = 20
_RETURN_S = 5.0
_AGAIN_S = 0.25


class Transfer:
    """Brings runs."""

    def __init__(
        self,
        console: BoardConsole,
        clock_s: Callable[[], float] = time.monotonic,
        reopen: Callable[[], Link] | None = None,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        self._console = console
        self._clock_s = clock_s
        self._reopen = reopen
        self._wait = wait

    def bring(self, number: int) -> tuple[bytes, str]:
        """Bring a run."""
        got, size, until_s, digest = b"", None, self._clock_s() + _SPARE_S, None
        for _ in range(_ATTEMPTS):
            begin = self._begin(number, len(got), until_s)
            if size is None:
                size = self._console.number(begin, "bytes")
                until_s = self._clock_s() + _SPARE_S + size / _SLOWEST_BYTES_S
            if begin.get("bytes") != size:
                raise self._console.nonsense(begin)
            came, digest = self._take_run(size - len(got), until_s)
            whole = got + came
            if digest is not None and hashlib.sha256(whole).hexdigest() == digest:
                return whole, digest
            if self._clock_s() > until_s:
                break
            got = _good_lines(whole, len(got), digest is not None or len(whole) > size)
        raise LinkError(
            f"run {number} did not come whole",
            where=self._console.link.name,
            seen=f"{len(got)} bytes without a fault" if digest is None else "another digest than the board's",
            expected=f"{size} bytes in good time",
            do="it is still on the board: check the cable, then fetch it again",
        )

    def _begin(self, number: int, start: int, until_s: float) -> Mapping[str, Any]:
        """Ask for a run from a byte on; passes over what an earlier attempt still sends."""
        command = f"fetch {number} {start}" if start else f"fetch {number}"

        def fits(data: Mapping[str, Any]) -> bool:
            return "done" not in data and data.get("from", start) == start

        while True:
            self._console.take_up()
            try:
                return self._console.ask(command, min(until_s, self._clock_s() + _BEGIN_S), fits)
            except LinkError as error:
                if not self._console.broken:
                    raise
                self._return(error)

    def _return(self, error: LinkError) -> None:
        """Bring a broken link back; raises what broke it where that fails."""
        until_s = self._clock_s() + _RETURN_S
        while self._console.broken:
            if self._reopen is None or self._clock_s() > until_s:
                raise error
            try:
                self._console.take_up(self._reopen())
                self._console.ask("stop")
            except LinkError:
                self._console.broken = True
                self._wait(_AGAIN_S)

    def _take_run(self, most: int, until_s: float) -> tuple[bytes, str | None]:
        """Take lines until the board says that was all; gives them, and its digest if it came to that."""
        lines: list[bytes] = []
        came = 0
        while came <= most:
            try:
                line = self._console.next(min(self._clock_s() + _SILENT_S, until_s))
            except LinkError:
                break
            if line is None:
                break
            parsed = parse_line(line)
            if isinstance(parsed, WireNote) and parsed.kind == "reply":
                if parsed.data.get("to") != "fetch":
                    continue
                if parsed.data.get("ok") is not True:
                    break
                digest = parsed.data.get("sha256")
                if not isinstance(digest, str):
                    raise LinkError(
                        "the board gives no digest of the run",
                        where=self._console.link.name,
                        do="install this firmware",
                    )
                return b"".join(lines), digest
            lines.append(line + b"\n")
            came += len(line) + 1
        return b"".join(lines), None


def _good_lines(got: bytes, before: int, hopeless: bool) -> bytes:
    """What need not be asked for again: the lines before the first that fails its check."""
    good = 0
    for line in got.split(b"\n")[:-1]:
        if isinstance(parse_line(line), Bad):
            break
        good += len(line) + 1
    return b"" if hopeless and good in (before, len(got)) else got[:good]


# The run log of a run that no host saw: board time in the place of the host's.

_FACTS_LIMIT = 60_000
_NAMES = 100
_OF_PEOPLE = (b"#run ", b"#car ", ANNOTATED)
_WHY_LIMIT = 80
_UID = re.compile(r"[0-9a-fA-F]{1,32}")


class StoredLog:
    """Writes such a log, under a temporary name until it is whole.

    Parameters
    ----------
    folder : Path
        Where it goes; made if missing.
    facts : mapping
        What the ``#run`` line shall say.
    car : mapping or None
        The car that the log shall keep, as a ``car.toml`` has it.

    Attributes
    ----------
    rows, bad : int
        Rows so far, and lines that fail their check.
    missing_rows : int or None
        Rows the board says the run is short of, from its ``kept`` note; None where it is whole.

    Notes
    -----
    ``host_us`` of a row is its board time since the run's first row, in µs, wraps counted; a
    note has that of the row before it. No host heard the rows, so there is no other time to
    give, and ``stored_run`` in the ``#run`` line says so: readers take no clock comparison from
    such a log. ``started_utc`` is left out: the board has no calendar.

    Raises
    ------
    RunLogError
        When the folder or the file cannot be written, or the facts are too long.
    """

    def __init__(self, folder: Path, facts: Mapping[str, Any], car: Mapping[str, Any] | None = None) -> None:
        run = f"#run {json.dumps(dict(facts), ensure_ascii=False)}\n".encode("utf-8", "replace")
        if len(run) > _FACTS_LIMIT:
            raise RunLogError(
                "too many facts for one run", seen=facts, expected=f"at most {_FACTS_LIMIT} bytes"
            )
        kept_car = car_line(car)
        self._folder = folder
        self._intake = Intake()
        self.missing_rows: int | None = None
        self._why = "fetched"
        self._now_us = 0
        self._tick: int | None = None
        self._part = folder / f"fetching-{os.getpid()}.part"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._file = self._part.open("xb")
            self._file.write(f"#undertray-run {LOG_VERSION}\n".encode() + run + kept_car)
        except OSError as error:
            raise self._cannot(error) from error

    @property
    def rows(self) -> int:
        """See the class."""
        return self._intake.rows

    @property
    def bad(self) -> int:
        """See the class."""
        return self._intake.bad

    def add(self, line: bytes, parsed: Row | WireNote | Bad) -> None:
        """Take the next line of the run."""
        if isinstance(parsed, WireNote) and parsed.kind == "device":
            device = Device.from_note(parsed.data)
            if self._intake.device is not None and device.boot != self._intake.device.boot:
                raise RunLogError("the board restarted in the middle of the run", do="fetch it again")
        elif self._intake.device is None:
            raise RunLogError("the run does not begin with the board's description", seen=line)
        if isinstance(parsed, WireNote) and parsed.kind == "kept":
            self._end_of_run(parsed.data)
        if isinstance(parsed, Row):
            step = 0 if self._tick is None else (parsed.t_us - self._tick) % TICK_LIMIT
            self._now_us += step
            self._tick = parsed.t_us
        text, _, _ = self._intake.take(line + b"\n", self._now_us)
        try:
            self._file.write(text)
        except OSError as error:
            raise self._cannot(error) from error

    def _end_of_run(self, data: Mapping[str, Any]) -> None:
        """Take what the board says of the whole run at its end."""
        missing = data.get("missing_rows")
        if data.get("cut") is not True:
            return
        good = isinstance(missing, int) and not isinstance(missing, bool) and 0 <= missing < TICK_LIMIT
        self.missing_rows = missing if good else 0
        self._why = str(data.get("why"))[:_WHY_LIMIT]

    def keep(self, number: int) -> tuple[Path, bool]:
        """Close the log and give it its name."""
        device = self._intake.device
        if device is None:
            raise RunLogError("the run is empty", expected="at least the board's description")
        end = Recording(
            path=self._part,
            rows=self.rows,
            bad=self.bad,
            lost=self._intake.lost,
            segments=self._intake.segments,
            dropped_bytes=0,
            unwritten_rows=0,
            seconds=self._now_us / 1e6,
            why=self._why,
            duplicates=self._intake.duplicates,
            missing_rows=self.missing_rows,
        )
        uid = device.uid if _UID.fullmatch(device.uid) else "board"
        stem = f"{uid}-{device.boot:08x}-{number:05d}"
        try:
            self._file.write(end_line(end))
            self._file.flush()
            os.fsync(self._file.fileno())
            self._file.close()
            content = _content(self._part)
            # The board gives the number of an erased run again: the same name is not yet the same run.
            names = [stem, *(f"{stem}-{n}" for n in range(2, _NAMES))]
            for path in (self._folder / f"{name}.csv" for name in names):
                if not path.exists():
                    self._part.rename(path)
                    return path, True
                if _content(path) == content:
                    self._part.unlink()
                    return path, False
        except OSError as error:
            raise self._cannot(error) from error
        raise RunLogError("too many runs of one number", where=str(self._folder), do="choose another folder")

    def discard(self) -> None:
        """Leave nothing behind."""
        with contextlib.suppress(OSError):
            self._file.close()
            self._part.unlink(missing_ok=True)

    def _cannot(self, error: OSError) -> RunLogError:
        return LogNotWritten(
            f"cannot be written ({error.strerror or error})",
            where=str(self._folder),
            do="choose another folder",
        )


def _content(path: Path) -> str:
    """Digest of what the board sent: without the lines that people have a say in, here or later."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while line := file.readline(_FACTS_LIMIT):
            if not line.startswith(_OF_PEOPLE):
                digest.update(line)
    return digest.hexdigest()


_RUNS = 1000
_DIGEST = 16  # hex digits that go with an erase


@dataclass(frozen=True, slots=True)
class StoredRun:
    """A run that the board keeps."""

    number: int
    size: int


@dataclass(frozen=True, slots=True)
class Fetched:
    """A run that was brought."""

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
        """Quieten the board for as long as the block lasts."""
        self._console.ask("stop")
        try:
            yield
        finally:
            if self._console.streamed and not self._console.broken:
                self._console.link.write(b"start\n")

    def runs(self) -> list[StoredRun]:
        """List the runs on the board."""
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
        """Erase a run on the board, if it is still the one that was brought."""
        self._console.ask(f"erase {run.number} {run.sha256[:_DIGEST]}")

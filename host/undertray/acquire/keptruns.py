"""Brings runs that the board kept by itself into run logs, over the console that it has anyway."""

from __future__ import annotations

import hashlib
import os
import re
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO

from undertray.acquire.console import BoardConsole
from undertray.acquire.device import Device
from undertray.acquire.intake import Intake
from undertray.acquire.link import Link
from undertray.acquire.recorder import Recording, end_line, run_lines
from undertray.acquire.runfacts import ANNOTATED
from undertray.acquire.wire import TICK_LIMIT, Bad, Row, WireNote, parse_line
from undertray.errors import LinkError, LogNotWritten, RunLogError
from undertray.files import whole_file

__all__ = ["Fetched", "Fetcher", "StoredLog", "StoredRun", "Transfer", "stored_log"]


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
        came = bytearray()  # no list of lines: those of a stranger may be a byte long
        while len(came) <= most:
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
                return bytes(came), digest
            came += line + b"\n"
        return bytes(came), None


def _good_lines(got: bytes, before: int, hopeless: bool) -> bytes:
    """What need not be asked for again: the lines before the first that fails its check."""
    good = 0
    for line in got.split(b"\n")[:-1]:
        if isinstance(parse_line(line), Bad):
            break
        good += len(line) + 1
    return b"" if hopeless and good in (before, len(got)) else got[:good]


# The run log of a run that no host saw: board time in the place of the host's.

_NAMES = 100
_OF_PEOPLE = (b"#run ", b"#car ", ANNOTATED)
_LINE_LIMIT = 60_000
_WHY_LIMIT = 80
_UID = re.compile(r"[0-9a-fA-F]{1,32}")


@dataclass(frozen=True, slots=True)
class StoredLog:
    """Such a log.

    Attributes
    ----------
    text : bytes
        All of it.
    power_up : str
        The board and its power-up, for the name of a file.
    rows, bad : int
        Rows, and lines that fail their check.
    missing_rows : int or None
        Rows the board says the run is short of, from its ``kept`` note; None where it is whole.
    """

    text: bytes
    power_up: str
    rows: int
    bad: int
    missing_rows: int | None


def stored_log(sent: bytes, facts: Mapping[str, Any], car: Mapping[str, Any] | None = None) -> StoredLog:
    """Compose such a log.

    Parameters
    ----------
    sent : bytes
        The run as the board sent it.
    facts : mapping
        What the ``#run`` line shall say.
    car : mapping or None
        The car that the log shall keep, as a ``car.toml`` has it.

    Returns
    -------
    StoredLog

    Raises
    ------
    RunLogError
        When it is no run of a board, or the facts are too long.

    Notes
    -----
    ``host_us`` of a row is its board time since the run's first row, in µs, wraps counted; a
    note has that of the row before it. No host heard the rows, so there is no other time to
    give, and ``stored_run`` in the ``#run`` line says so: readers take no clock comparison from
    such a log. ``started_utc`` is left out: the board has no calendar.
    """
    intake, text = Intake(), [run_lines(facts, car)]
    now_us, tick = 0, None
    why, missing = "fetched", None
    for line in sent.removesuffix(b"\n").split(b"\n") if sent else ():
        parsed = parse_line(line)
        if isinstance(parsed, WireNote) and parsed.kind == "device":
            device = Device.from_note(parsed.data)
            if intake.device is not None and device.boot != intake.device.boot:
                raise RunLogError("the board restarted in the middle of the run", do="fetch it again")
        elif intake.device is None:
            raise RunLogError("the run does not begin with the board's description", seen=line)
        if isinstance(parsed, WireNote) and parsed.kind == "kept" and parsed.data.get("cut") is True:
            why, missing = str(parsed.data.get("why"))[:_WHY_LIMIT], _missing_rows(parsed.data)
        if isinstance(parsed, Row):
            now_us += 0 if tick is None else (parsed.t_us - tick) % TICK_LIMIT
            tick = parsed.t_us
        text.append(intake.take(line + b"\n", now_us)[0])
    if intake.device is None:
        raise RunLogError("the run is empty", expected="at least the board's description")
    end = Recording(
        path=Path(),
        rows=intake.rows,
        bad=intake.bad,
        lost=intake.lost,
        segments=intake.segments,
        dropped_bytes=0,
        unwritten_rows=0,
        seconds=now_us / 1e6,
        why=why,
        duplicates=intake.duplicates,
        missing_rows=missing,
    )
    uid = intake.device.uid if _UID.fullmatch(intake.device.uid) else "board"
    power_up = f"{uid}-{intake.device.boot:08x}"
    return StoredLog(b"".join([*text, end_line(end)]), power_up, intake.rows, intake.bad, missing)


def _missing_rows(data: Mapping[str, Any]) -> int:
    missing = data.get("missing_rows")
    good = isinstance(missing, int) and not isinstance(missing, bool) and 0 <= missing < TICK_LIMIT
    return missing if good and isinstance(missing, int) else 0


def _keep(folder: Path, stem: str, text: bytes) -> tuple[Path, bool]:
    """Give a log a name that no other run has; whether it was not there before."""
    # The board gives the number of an erased run again: the same name is not yet the same run.
    names = [stem, *(f"{stem}-{n}" for n in range(2, _NAMES))]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path in (folder / f"{name}.csv" for name in names):
            try:
                with whole_file(path, replace=False) as file:
                    file.write(text)
                _sync(folder)  # the board may erase the run as soon as it is here
                return path, True
            except FileExistsError:
                with path.open("rb") as there:
                    if _content(there) == _content(BytesIO(text)):
                        return path, False
    except OSError as error:
        raise LogNotWritten(
            f"cannot be written ({error.strerror or error})", where=str(folder), do="choose another folder"
        ) from error
    raise RunLogError("too many runs of one number", where=str(folder), do="choose another folder")


def _content(file: BinaryIO) -> str:
    """Digest of what the board sent: without the lines that people have a say in, here or later."""
    digest = hashlib.sha256()
    while line := file.readline(_LINE_LIMIT):
        if not line.startswith(_OF_PEOPLE):
            digest.update(line)
    return digest.hexdigest()


def _sync(folder: Path) -> None:
    """Have the system put the names in a folder on the disk, where it can."""
    if os.name != "posix":
        return
    here = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(here)
    except OSError:
        return  # some file systems know no such thing
    finally:
        os.close(here)


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
        log = stored_log(text, {**facts, "stored_run": number, "fetched_utc": told_utc}, car)
        path, new = _keep(folder, f"{log.power_up}-{number:05d}", log.text)
        return Fetched(number, path, log.rows, log.bad, new, digest, log.missing_rows)

    def erase(self, run: Fetched) -> None:
        """Erase a run on the board, if it is still the one that was brought."""
        self._console.ask(f"erase {run.number} {run.sha256[:_DIGEST]}")

"""The run log of a run that no host saw: board time in the place of the host's."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from undertray.acquire.annotations import ANNOTATED
from undertray.acquire.device import Device
from undertray.acquire.intake import Intake
from undertray.acquire.recording import Recording, car_line, end_line
from undertray.acquire.runlog import LOG_VERSION
from undertray.acquire.wire import TICK_LIMIT, Bad, Row, WireNote
from undertray.errors import RunLogError

__all__ = ["StoredLog"]

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
        """Take the next line of the run.

        Parameters
        ----------
        line : bytes
            As the board kept it, without line feed.
        parsed : Row, WireNote or Bad
            What it is.

        Raises
        ------
        RunLogError
            When the run does not begin with the board's description, has a second power-up in
            it, or the disk is full.
        """
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
        """Close the log and give it its name.

        Parameters
        ----------
        number : int
            Number of the run on the board.

        Returns
        -------
        Path, bool
            The log, and whether it is new; one that is there already is left as it is.

        Raises
        ------
        RunLogError
            When nothing of a run came, or it cannot be written.
        """
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
        return RunLogError(
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

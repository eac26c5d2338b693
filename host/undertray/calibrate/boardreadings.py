"""Readings in Pa straight from a board, for calibrating at the bench."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

import numpy as np

from undertray.acquire.device import Device
from undertray.acquire.intake import Framer, not_working
from undertray.acquire.link import Link
from undertray.acquire.runlog import Note
from undertray.acquire.wire import TICK_LIMIT, Row, WireNote, parse_line
from undertray.calibrate.scale import nominal_suction_pa
from undertray.calibrate.settling import Reading
from undertray.errors import LinkError, RunLogError

__all__ = ["BoardReadings"]

_READ_S = 0.1
_ANSWER_S = 12.0  # a board says what it is every 10 s even when it does not listen
_SILENT_S = 5.0
_STANDING_ROWS = 100
_ASK = b"info\nstart\n"


class BoardReadings:
    """A streaming board as a source of readings."""

    def __init__(self, link: Link, clock_s: Callable[[], float] = time.monotonic) -> None:
        self._link = link
        self._clock_s = clock_s
        self._framer = Framer()
        self._second: list[Note] = []
        self._origin_us: int | None = None
        self._ticks_us = self._standing = 0
        self.device = self._wait_for_device()

    def fresh(self) -> Iterator[Reading]:
        """Readings from now on; what came while nobody looked is thrown away."""
        until_s = self._clock_s() + _SILENT_S
        while self._link.read(0.0) and self._clock_s() < until_s:
            pass
        self._framer = Framer()
        quiet_since_s = self._clock_s()
        while True:
            rows = self._rows()
            if rows:
                quiet_since_s = self._clock_s()
                yield from self._converted(rows)
            elif self._clock_s() - quiet_since_s > _SILENT_S:
                raise LinkError(
                    f"no rows for {_SILENT_S:g} s",
                    where=self._link.name,
                    do="check the board's power and cable",
                )

    def _wait_for_device(self) -> Device:
        until_s = self._clock_s() + _ANSWER_S
        self._link.write(_ASK)
        found: Device | None = None
        while self._clock_s() < until_s:
            for line in self._framer.feed(self._link.read(_READ_S)):
                parsed = parse_line(line)
                if isinstance(parsed, WireNote):
                    found = self._described(parsed) or found
            if found is not None and (self._second or not _needs_second(found)):
                return found
        raise LinkError(
            "no board answered" if found is None else "the board never sent the second word of its sensors",
            where=self._link.name,
            expected=f"its description within {_ANSWER_S:g} s",
            do="check the port, and that the board runs the undertray firmware",
        )

    def _described(self, note: WireNote) -> Device | None:
        if note.kind == "device":
            return Device.from_note(note.data)
        failure = not_working(note, self._link.name)
        if failure is not None:
            raise failure
        self._remember(note)
        return None

    def _rows(self) -> list[Row]:
        rows = []
        for line in self._framer.feed(self._link.read(_READ_S)):
            parsed = parse_line(line, len(self.device.names))
            if isinstance(parsed, Row):
                rows.append(parsed)
            elif isinstance(parsed, WireNote):
                self._remember(parsed)
                self._check_device(parsed)
        return rows

    def _remember(self, note: WireNote) -> None:
        second = note.data.get("second")
        if note.kind == "status" and isinstance(second, list) and any(word is not None for word in second):
            self._second = [Note(0, "status", note.data, 0)]

    def _check_device(self, note: WireNote) -> None:
        if note.kind != "device":
            return
        device = Device.from_note(note.data)
        if (device.uid, device.columns) != (self.device.uid, self.device.columns):
            raise RunLogError(
                "the board changed its description in the middle of the session",
                where=self._link.name,
                seen=device.uid,
                expected=f"board {self.device.uid} with the same sensors",
            )

    def _converted(self, rows: list[Row]) -> Iterator[Reading]:
        counts = np.array(
            [[np.nan if count is None else count for count in row.counts] for row in rows], float
        )[:, : len(self.device.columns)]
        nominal = nominal_suction_pa(counts, self.device.columns, self._second)
        # a count at the end of the part's range is no reading of the column
        pa = np.where(nominal.out_of_range, np.nan, nominal.suction_pa)
        for row, values in zip(rows, pa.tolist(), strict=True):
            yield Reading(self._time_s(row.t_us), tuple(values))

    def _time_s(self, t_us: int) -> float:
        if self._origin_us is None:
            self._origin_us = t_us
        step = (t_us - self._origin_us - self._ticks_us) % TICK_LIMIT
        # ticks of one power-up only go forward; after a reset they jump, which the caller sees
        self._ticks_us += step
        self._standing = 0 if step else self._standing + 1
        if self._standing > _STANDING_ROWS:  # a caller that waits for a time to pass would wait for ever
            raise LinkError(
                "the board's clock stands still",
                where=self._link.name,
                seen=f"{self._standing} rows at {t_us} µs",
                expected="a later time in every row",
                do="take the board off and on",
            )
        return self._ticks_us / 1e6


def _needs_second(device: Device) -> bool:
    return any("kind" in column.scale for column in device.columns)

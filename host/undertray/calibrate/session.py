"""A calibration in progress: its plan, its points, and the journal that keeps them safe."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from undertray.calibrate.json_values import number, numbers, plain, text
from undertray.calibrate.points import Dropped, Points
from undertray.calibrate.settling import SteadyMean
from undertray.errors import CalibrationError

__all__ = [
    "MOST_MM",
    "MOST_STEPS",
    "VERSION",
    "Head",
    "Journal",
    "Session",
    "Step",
    "TakenPoint",
    "plan",
    "point_event",
]


# The order in which a column is brought to its heights: up, and down again.

MOST_STEPS = 400
"""Longest plan."""
MOST_MM = 10_000.0
"""Highest column, mm."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the plan."""

    height_mm: float
    upward: bool


def plan(heights_mm: Sequence[float]) -> tuple[Step, ...]:
    """Steps up through the heights and down again."""
    heights = sorted({0.0, *map(float, heights_mm)})
    if not 3 <= len(heights) <= MOST_STEPS // 2 or not all(0 <= height <= MOST_MM for height in heights):
        raise CalibrationError(
            "heights that make no calibration",
            seen=", ".join(f"{height:g}" for height in heights[:10]),
            expected=f"2 to {MOST_STEPS // 2 - 1} different heights above 0, up to {MOST_MM:g} mm",
        )
    return tuple(Step(h, True) for h in heights) + tuple(Step(h, False) for h in heights[-2::-1])


# A point of a guided calibration as it was taken, and as its journal keeps it.


@dataclass(frozen=True, slots=True)
class TakenPoint:
    """A point as it was taken: the step of the plan that it serves, if any; which way the column came."""

    step: int | None
    height_mm: float
    nominal_pa: tuple[float, ...]
    mean_sd_pa: tuple[float, ...]
    steady: bool
    upward: bool = True
    reason: str | None = None
    doubts: tuple[str, ...] = ()

    @classmethod
    def from_event(cls, event: Mapping[str, Any], step: int | None, size: int, where: str) -> TakenPoint:
        """Check an event of the journal."""
        doubts = plain(event.get("doubts", []), "doubts", where)
        good = isinstance(doubts, list) and all(isinstance(doubt, str) for doubt in doubts)
        if not good or len(doubts) not in (0, size):
            raise CalibrationError("bad 'doubts'", where=where, seen=doubts, expected=f"{size} texts or none")
        return cls(
            step,
            number(event, "height_mm", where, 0, MOST_MM),
            numbers(event, "nominal_pa", where, size, 1e6),
            numbers(event, "mean_sd_pa", where, size, 1e6, low=0.0),
            event.get("steady") is True,
            doubts=tuple(doubts),
        )


def point_event(
    step: int | None, height_mm: float, mean: SteadyMean, doubts: tuple[str, ...]
) -> dict[str, Any]:
    """What :meth:`TakenPoint.from_event` reads back."""
    event = {
        "event": "point",
        "step": step,
        "height_mm": float(height_mm),
        "nominal_pa": [float(f"{value:.6g}") for value in mean.nominal_pa.tolist()],
        "mean_sd_pa": [float(f"{value:.3g}") for value in mean.mean_sd_pa.tolist()],
        "steady": mean.steady,
    }
    return event | ({"doubts": list(doubts)} if any(doubts) else {})


# The journal of a calibration in progress: one JSON object a line, each on the disk at once.

VERSION = 1
_MOST_BYTES = 4_000_000
_MOST_COLUMNS = 16
_MOST_TEXT = 64


@dataclass(frozen=True, slots=True)
class Head:
    """The first line of a journal."""

    uid: str
    parts: dict[str, str]
    steps: tuple[Step, ...]

    def as_dict(self) -> dict[str, Any]:
        """What :meth:`from_dict` reads back."""
        return {
            "undertray-session": VERSION,
            "uid": self.uid,
            "columns": list(self.parts),
            "parts": list(self.parts.values()),
            "heights_mm": [step.height_mm for step in self.steps],
            "upward": [step.upward for step in self.steps],
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any], where: str) -> Head:
        """Check the first line of a journal."""
        if data.get("undertray-session") != VERSION:
            raise CalibrationError(
                "not a calibration journal of this version",
                where=where,
                seen=data.get("undertray-session"),
                expected=f"version {VERSION}",
            )
        columns, parts = _texts(data.get("columns")), _texts(data.get("parts"))
        upward = data.get("upward")
        good = 1 <= len(set(columns)) == len(columns) == len(parts) <= _MOST_COLUMNS
        if not good or not isinstance(upward, list) or not 1 <= len(upward) <= MOST_STEPS:
            raise CalibrationError("the journal's first line does not hold", where=where, seen=dict(data))
        heights = numbers(data, "heights_mm", where, len(upward), MOST_MM, low=0.0)
        steps = tuple(Step(h, up is True) for h, up in zip(heights, upward, strict=True))
        try:
            planned = plan(heights)
        except CalibrationError:
            planned = ()
        if steps != planned:
            raise CalibrationError(
                "the journal's first line does not hold",
                where=where,
                seen=", ".join(f"{height:g}" for height in heights[:10]),
                expected="heights from 0 up and down again",
            )
        return cls(text(data, "uid", where), dict(zip(columns, parts, strict=True)), steps)


class Journal:
    """An append-only file of events."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.repaired = ""

    @classmethod
    def create(cls, path: Path, head: Head) -> Journal:
        """Begin a new file."""
        journal = cls(path)
        journal._write(head.as_dict(), "xb")
        return journal

    def read(self) -> tuple[Head, list[Mapping[str, Any]]]:
        """All whole lines; a last one that was cut off is taken off the file."""
        where = self.path.name
        lines, cut = _whole_lines(self.path)
        if not lines:
            raise CalibrationError("no calibration journal", where=where, expected="a file of this program")
        decoded = [_decoded(line, f"{where}, line {k}") for k, line in enumerate(lines, 1)]
        head = Head.from_dict(decoded[0], f"{where}, line 1")
        if cut:
            with self.path.open("r+b") as file:
                file.truncate(self.path.stat().st_size - cut)
            self.repaired = f"the last line of {where} was cut off and is dropped ({cut} bytes)"
        return head, decoded[1:]

    def append(self, event: Mapping[str, Any]) -> None:
        """Put an event on the disk."""
        self._write(event, "r+b")  # one that was removed is not begun anew without its head

    def _write(self, event: Mapping[str, Any], mode: Literal["xb", "r+b"]) -> None:
        line = json.dumps(event, allow_nan=False).encode() + b"\n"
        try:
            with self.path.open(mode, buffering=0) as file:
                size = file.seek(0, os.SEEK_END)
                try:
                    if file.write(line) != len(line):
                        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                    os.fsync(file.fileno())
                except OSError:
                    file.truncate(size)  # the next event would end up in the middle of half a line
                    if mode == "xb":
                        self.path.unlink(missing_ok=True)
                    raise
        except FileExistsError:
            raise CalibrationError("this journal exists", where=str(self.path), do="go on with it") from None
        except OSError as error:
            raise CalibrationError(
                f"the journal cannot be written: {error.strerror}",
                where=str(self.path),
                do="check the folder",
            ) from None


def _whole_lines(path: Path) -> tuple[list[bytes], int]:
    try:
        with path.open("rb") as file:
            raw = file.read(_MOST_BYTES + 1)
    except OSError as error:
        raise CalibrationError(
            f"the journal cannot be read: {error.strerror}", where=str(path), do="check the path"
        ) from None
    if len(raw) > _MOST_BYTES:
        raise CalibrationError(
            "the journal is too large", where=path.name, expected=f"at most {_MOST_BYTES} bytes"
        )
    *lines, rest = raw.split(b"\n")
    return lines, len(rest)


def _decoded(line: bytes, where: str) -> Mapping[str, Any]:
    try:
        data = json.loads(line.decode("utf-8"))
    except (ValueError, RecursionError):
        data = None
    if not isinstance(data, dict):
        raise CalibrationError(
            "not a line of a calibration journal", where=where, seen=line, expected="a JSON object"
        )
    return data


def _texts(value: object) -> list[str]:
    """The list if it holds nothing but short texts, else an empty one."""
    if not isinstance(value, list) or not all(isinstance(v, str) and len(v) <= _MOST_TEXT for v in value):
        return []
    return value


_MOST_EVENTS = 2000


class Session:
    """A calibration in progress. Every event is on the disk before the next question.

    The plan proposes; which way a point was reached follows from the heights that were set, its own and that
    of the point before it, and so does what is proposed next.
    """

    def __init__(self, journal: Journal, head: Head) -> None:
        self.journal = journal
        self.uid = head.uid
        self.parts = head.parts
        self.steps = head.steps
        self.taken: list[TakenPoint] = []
        self._closed: set[int] = set()
        self._again: set[int] = set()
        self._events = 0

    @classmethod
    def start(cls, path: Path, uid: str, parts: Mapping[str, str], steps: tuple[Step, ...]) -> Session:
        """Begin a new journal."""
        head = Head(uid, dict(parts), steps)
        return cls(Journal.create(path, head), head)

    @classmethod
    def resume(cls, path: Path) -> Session:
        """Read a journal and go on where it ends."""
        journal = Journal(path)
        head, events = journal.read()
        session = cls(journal, head)
        for k, event in enumerate(events, 2):
            session._apply(event, f"{path.name}, line {k}")
        return session

    @property
    def stands_mm(self) -> float | None:
        """Where the column stands by the last point that counts; None before the first."""
        last = self._last()
        return None if last is None else last.height_mm

    @property
    def ahead(self) -> tuple[int, ...]:
        """The steps still to come from where the column stands, in their order."""
        steps, stands_mm = self.steps, self.stands_mm
        missing = self._missing()
        if stands_mm is None:
            return tuple(missing)
        falling = [k for k in missing if not steps[k].upward]
        if self._turned():
            return tuple(k for k in falling if steps[k].height_mm < stands_mm)
        return (*(k for k in missing if steps[k].upward and steps[k].height_mm > stands_mm), *falling)

    @property
    def proposal(self) -> tuple[int, Step] | None:
        """The step that is served next and what to set for it; None when all is done.

        A step that is done again and lies behind the column has to be reached from its own side: the
        height before it in the plan comes first.
        """
        ahead, stands_mm = self.ahead, self.stands_mm
        behind = sorted(self._again.intersection(self._missing()).difference(ahead))
        number = next(iter((*behind, *ahead)), None)
        if number is None:
            return None
        step = self.steps[number]
        if stands_mm is None:
            return number, step
        if behind and step.height_mm and step.upward != (step.height_mm > stands_mm):
            step = self.steps[number - 1]
        return number, Step(step.height_mm, step.height_mm > stands_mm)

    def nearest_mm(self, height_mm: float) -> float:
        """The height of the plan that a height is meant for; 0 is both ports open and nothing else."""
        if height_mm == 0:
            return 0.0
        heights = {step.height_mm for step in self.steps if step.height_mm}
        return min(heights, key=lambda planned_mm: (abs(planned_mm - height_mm), planned_mm))

    def take(self, height_mm: float, mean: SteadyMean, doubts: tuple[str, ...] = ()) -> TakenPoint:
        """Keep a point."""
        self._keep(point_event(self._served(height_mm), height_mm, mean, doubts))
        return self.taken[-1]

    def _last(self, end: int | None = None) -> TakenPoint | None:
        return next((point for point in self.taken[:end][::-1] if point.reason is None), None)

    def _missing(self) -> list[int]:
        done = self._closed | {point.step for point in self.taken if point.reason is None}
        return [k for k in range(len(self.steps)) if k not in done]

    def _turned(self) -> bool:
        """Whether the greatest height has been, or is left out: from there on the plan goes down."""
        top_mm = max(step.height_mm for step in self.steps)
        return not any(self.steps[k].height_mm == top_mm for k in self._missing())

    def _served(self, height_mm: float) -> int | None:
        upward, meant_mm, turned = _rises(self._last(), height_mm), self.nearest_mm(height_mm), self._turned()
        for k in self._missing():
            step = self.steps[k]
            same_way = height_mm == 0 or step.upward == upward
            if step.height_mm == meant_mm and same_way and (step.upward or turned):
                return k
        return None

    def drop(self, point: int, reason: str, again: bool) -> None:
        """Take a point back; it stays in the journal with its reason."""
        self._keep({"event": "drop", "point": point, "reason": reason.strip(), "again": again})

    def skip(self, step: int, reason: str) -> None:
        """Leave a step out."""
        self._keep({"event": "skip", "step": step, "reason": reason.strip()})

    def points(self) -> Points:
        """The points for :func:`undertray.calibrate.evaluate.calibrate`."""
        places = [k for k, point in enumerate(self.taken) if point.reason is None]
        kept = [self.taken[k] for k in places]
        size = len(self.parts)
        return Points(
            columns=tuple(self.parts),
            height_mm=np.array([point.height_mm for point in kept], float),
            upward=np.array([point.upward for point in kept], bool),
            nominal_pa=np.array([point.nominal_pa for point in kept], float).reshape(-1, size),
            mean_sd_pa=np.array([point.mean_sd_pa for point in kept], float).reshape(-1, size),
            dropped=tuple(
                Dropped(point.height_mm, point.upward, point.nominal_pa, point.reason)
                for point in self.taken
                if point.reason is not None
            ),
            places=tuple(f"point {k + 1}" for k in places),
            doubts=tuple(point.doubts or ("",) * size for point in kept),
        )

    def _keep(self, event: dict[str, Any]) -> None:
        try:
            line = json.dumps(event, allow_nan=False)
        except ValueError:
            raise CalibrationError(
                "a sensor gave no reading", seen=event["nominal_pa"], do="check its hose and cable"
            ) from None
        before = list(self.taken), set(self._closed), set(self._again), self._events
        self._apply(json.loads(line), "this point")
        try:
            self.journal.append(event)
        except CalibrationError:
            # what is not on the disk did not happen
            self.taken, self._closed, self._again, self._events = before
            raise

    def _apply(self, event: Mapping[str, Any], where: str) -> None:
        self._events += 1
        kind = event.get("event")
        if self._events > _MOST_EVENTS or kind not in ("point", "drop", "skip"):
            raise CalibrationError(
                "not an event of a calibration", where=where, seen=kind, expected="point, drop or skip"
            )
        if kind == "drop":
            self._apply_drop(event, where)
            return
        extra = kind == "point" and event.get("step", 0) is None
        step = None if extra else _whole(event, "step", where, len(self.steps))
        if step is not None:
            self._again.discard(step)
        if kind == "point":
            point = TakenPoint.from_event(event, step, len(self.parts), where)
            self.taken.append(replace(point, upward=_rises(self._last(), point.height_mm)))
        elif step is not None:
            _reason(event, where)
            self._closed.add(step)

    def _apply_drop(self, event: Mapping[str, Any], where: str) -> None:
        place = _whole(event, "point", where, len(self.taken))
        old = self.taken[place]
        if old.reason is not None:
            raise CalibrationError("this point was taken back before", where=where, seen=place + 1)
        reason = _reason(event, where)
        self.taken[place] = replace(old, reason=reason)
        if old.step is not None:
            (self._again if event.get("again") is True else self._closed).add(old.step)
        after = next((k for k in range(place + 1, len(self.taken)) if self.taken[k].reason is None), None)
        if old.doubts and after is not None:  # a height that was doubted does not say which way the next was
            point = self.taken[after]
            self.taken[after] = replace(point, upward=_rises(self._last(after), point.height_mm))


def _rises(last: TakenPoint | None, height_mm: float) -> bool:
    """Whether the column rises to a height; one that stands still has come the way it came."""
    if last is None or height_mm == last.height_mm:
        return last is None or last.upward
    return height_mm > last.height_mm


def _whole(event: Mapping[str, Any], key: str, where: str, end: int) -> int:
    value = event.get(key)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < end:
        raise CalibrationError(
            f"bad '{key}'", where=where, seen=value, expected=f"a whole number below {end}"
        )
    return value


def _reason(event: Mapping[str, Any], where: str) -> str:
    reason = text(event, "reason", where)
    if not reason:
        raise CalibrationError(
            "no reason given", where=where, expected="a few words that are kept with the point"
        )
    return reason

"""A calibration in progress: its plan, its points, and the journal that keeps them safe."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from undertray.calibrate.journal import Head, Journal
from undertray.calibrate.json_values import text
from undertray.calibrate.plan import Step
from undertray.calibrate.points import Dropped, Points
from undertray.calibrate.steady import SteadyMean
from undertray.calibrate.taken import TakenPoint, point_event
from undertray.errors import CalibrationError

__all__ = ["Session"]

_MOST_EVENTS = 2000


class Session:
    """A calibration in progress. Every event is on the disk before the next question.

    Parameters
    ----------
    journal : Journal
        Where every event is kept.
    head : Head
        Its first line.

    Attributes
    ----------
    uid : str
        Id of the board.
    parts : mapping of str to str
        Part of each pressure column, by its name, in the order of the wire.
    steps : tuple of Step
        The plan.
    taken : list of TakenPoint
        All points, those taken back included.
    """

    def __init__(self, journal: Journal, head: Head) -> None:
        self.journal = journal
        self.uid = head.uid
        self.parts = head.parts
        self.steps = head.steps
        self.taken: list[TakenPoint] = []
        self._closed: set[int] = set()
        self._events = 0

    @classmethod
    def start(cls, path: Path, uid: str, parts: Mapping[str, str], steps: tuple[Step, ...]) -> Session:
        """Begin a new journal.

        Parameters
        ----------
        path : Path
            The journal; must not exist.
        uid : str
            Id of the board.
        parts : mapping of str to str
            Part of each pressure column.
        steps : tuple of Step
            The plan.

        Returns
        -------
        Session

        Raises
        ------
        CalibrationError
            When the file exists or cannot be written.
        """
        head = Head(uid, dict(parts), steps)
        return cls(Journal.create(path, head), head)

    @classmethod
    def resume(cls, path: Path) -> Session:
        """Read a journal and go on where it ends.

        Parameters
        ----------
        path : Path
            The journal.

        Returns
        -------
        Session

        Raises
        ------
        CalibrationError
            When it cannot be read, is no journal, or an event in it is impossible. A last
            line that was cut off in the middle is no error: it is taken away, and
            ``journal.repaired`` says so.
        """
        journal = Journal(path)
        head, events = journal.read()
        session = cls(journal, head)
        for k, event in enumerate(events, 2):
            session._apply(event, f"{path.name}, line {k}")
        return session

    @property
    def next_step(self) -> int | None:
        """The first step without a point that counts; None when all are done."""
        done = self._closed | {point.step for point in self.taken if point.reason is None}
        return next((k for k in range(len(self.steps)) if k not in done), None)

    def take(self, step: int, height_mm: float, mean: SteadyMean, doubts: tuple[str, ...] = ()) -> TakenPoint:
        """Keep a point.

        Parameters
        ----------
        step : int
            Which step it belongs to.
        height_mm : float
            Column reading, mm.
        mean : SteadyMean
            The sensors' readings.
        doubts : tuple of str, length N or 0
            What spoke against each sensor's reading, where the person keeps it all the same.

        Returns
        -------
        TakenPoint

        Raises
        ------
        CalibrationError
            When a sensor gave no reading, the height is out of range, or the journal cannot be
            written.
        """
        self._keep(point_event(step, height_mm, mean, doubts))
        return self.taken[-1]

    def drop(self, point: int, reason: str, again: bool) -> None:
        """Take a point back; it stays in the journal with its reason.

        Parameters
        ----------
        point : int
            Its place in ``taken``.
        reason : str
            Why. Not empty.
        again : bool
            Whether its step is to be done again.

        Raises
        ------
        CalibrationError
            When there is no such point, it was taken back before, there is no reason, or the
            journal cannot be written.
        """
        self._keep({"event": "drop", "point": point, "reason": reason.strip(), "again": again})

    def skip(self, step: int, reason: str) -> None:
        """Leave a step out.

        Parameters
        ----------
        step : int
            Which.
        reason : str
            Why. Not empty.

        Raises
        ------
        CalibrationError
            When there is no such step, no reason, or the journal cannot be written.
        """
        self._keep({"event": "skip", "step": step, "reason": reason.strip()})

    def points(self) -> Points:
        """The points for :func:`undertray.calibrate.evaluate.calibrate`.

        Returns
        -------
        Points
            Those that count, and those dropped with their reasons.
        """
        places = [k for k, point in enumerate(self.taken) if point.reason is None]
        kept = [self.taken[k] for k in places]
        size = len(self.parts)
        return Points(
            columns=tuple(self.parts),
            height_mm=np.array([point.height_mm for point in kept], float),
            upward=np.array([self.steps[point.step].upward for point in kept], bool),
            nominal_pa=np.array([point.nominal_pa for point in kept], float).reshape(-1, size),
            mean_sd_pa=np.array([point.mean_sd_pa for point in kept], float).reshape(-1, size),
            dropped=tuple(
                Dropped(point.height_mm, self.steps[point.step].upward, point.nominal_pa, point.reason)
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
        self._apply(json.loads(line), "this point")
        self.journal.append(event)

    def _apply(self, event: Mapping[str, Any], where: str) -> None:
        self._events += 1
        kind = event.get("event")
        if self._events > _MOST_EVENTS or kind not in ("point", "drop", "skip"):
            raise CalibrationError(
                "no event of a calibration", where=where, seen=kind, expected="point, drop or skip"
            )
        if kind == "drop":
            self._apply_drop(event, where)
            return
        step = _whole(event, "step", where, len(self.steps))
        if kind == "skip":
            _reason(event, where)
            self._closed.add(step)
            return
        self.taken.append(TakenPoint.from_event(event, step, len(self.parts), where))

    def _apply_drop(self, event: Mapping[str, Any], where: str) -> None:
        place = _whole(event, "point", where, len(self.taken))
        old = self.taken[place]
        if old.reason is not None:
            raise CalibrationError("this point was taken back before", where=where, seen=place + 1)
        reason = _reason(event, where)
        self.taken[place] = replace(old, reason=reason)
        if event.get("again") is not True:
            self._closed.add(old.step)


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

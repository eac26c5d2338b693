"""The journal of a calibration in progress: one JSON object a line, each on the disk at once."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from undertray.calibrate.json_values import numbers, text
from undertray.calibrate.plan import MOST_MM, MOST_STEPS, Step
from undertray.errors import CalibrationError

__all__ = ["VERSION", "Head", "Journal"]

VERSION = 1
_MOST_BYTES = 4_000_000
_MOST_COLUMNS = 16
_MOST_TEXT = 64


@dataclass(frozen=True, slots=True)
class Head:
    """The first line of a journal.

    Attributes
    ----------
    uid : str
        Id of the board.
    parts : dict of str to str
        Part of each pressure column, by its name, in the order of the wire.
    steps : tuple of Step
        The plan.
    """

    uid: str
    parts: dict[str, str]
    steps: tuple[Step, ...]

    def as_dict(self) -> dict[str, Any]:
        """What :meth:`from_dict` reads back.

        Returns
        -------
        dict
            What JSON can hold.
        """
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
        """Check the first line of a journal.

        Parameters
        ----------
        data : mapping
            The decoded line.
        where : str
            For the error line.

        Returns
        -------
        Head

        Raises
        ------
        CalibrationError
            When it is of another version, or a value is missing or impossible.
        """
        if data.get("undertray-session") != VERSION:
            raise CalibrationError(
                "no calibration journal of this version",
                where=where,
                seen=data.get("undertray-session"),
                expected=f"version {VERSION}",
            )
        columns, parts = _texts(data.get("columns")), _texts(data.get("parts"))
        upward = data.get("upward")
        good = 1 <= len(set(columns)) == len(columns) == len(parts) <= _MOST_COLUMNS
        if not good or not isinstance(upward, list) or not 1 <= len(upward) <= MOST_STEPS:
            raise CalibrationError("the journal's first line does not hold", where=where, seen=dict(data))
        heights = numbers(data, "heights_mm", where, len(upward), MOST_MM)
        return cls(
            uid=text(data, "uid", where),
            parts=dict(zip(columns, parts, strict=True)),
            steps=tuple(Step(abs(h), up is True) for h, up in zip(heights, upward, strict=True)),
        )


class Journal:
    """An append-only file of events.

    Parameters
    ----------
    path : Path
        The file.

    Attributes
    ----------
    repaired : str
        What had to be cut off a file that was being written when the power went; else empty.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.repaired = ""

    @classmethod
    def create(cls, path: Path, head: Head) -> Journal:
        """Begin a new file.

        Parameters
        ----------
        path : Path
            The file; must not exist.
        head : Head
            Its first line.

        Returns
        -------
        Journal

        Raises
        ------
        CalibrationError
            When it exists or cannot be written.
        """
        journal = cls(path)
        journal._write(head.as_dict(), "x")
        return journal

    def read(self) -> tuple[Head, list[Mapping[str, Any]]]:
        """All whole lines; a last one that was cut off is taken off the file.

        Returns
        -------
        head : Head
            The first line.
        events : list of mapping
            The others, in order.

        Raises
        ------
        CalibrationError
            When the file cannot be read, is too large, is no journal or of another version.
        """
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
        """Put an event on the disk.

        Parameters
        ----------
        event : mapping
            What JSON can hold.

        Raises
        ------
        CalibrationError
            When it cannot be written.
        """
        self._write(event, "a")

    def _write(self, event: Mapping[str, Any], mode: str) -> None:
        try:
            with self.path.open(mode, encoding="utf-8", newline="\n") as file:
                file.write(json.dumps(event, allow_nan=False) + "\n")
                file.flush()
                os.fsync(file.fileno())
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
            "no line of a calibration journal", where=where, seen=line, expected="a JSON object"
        )
    return data


def _texts(value: object) -> list[str]:
    """The list if it holds nothing but short texts, else an empty one."""
    if not isinstance(value, list) or not all(isinstance(v, str) and len(v) <= _MOST_TEXT for v in value):
        return []
    return value

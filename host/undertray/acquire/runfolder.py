"""The logs of a folder, and which logs are of one drive: by their rows, whatever they are called and say."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.runlog import Run
from undertray.errors import ReductionError, quoted
from undertray.files import is_folder

__all__ = ["Drive", "counted_once", "drive_of", "find_runs", "same_run"]

_MOST_RUNS = 20000
_MOST_MARKS = 256
_PIECE = 1 << 16
_ODD = np.uint64(0x9E3779B97F4A7C15)  # 2**64 over the golden ratio: any odd number with mixed bits would do
_HALF = np.uint64(32)


def find_runs(folder: str | Path) -> list[Path]:
    """Find what may be the run logs of a folder and the folders in it."""
    root = Path(folder)
    if not is_folder(root):
        raise ReductionError("no such folder", where=str(folder), expected="a folder with run logs")
    found = []
    for here, folders, files in os.walk(root):
        folders.sort()
        found += [Path(here) / name for name in sorted(files) if name.lower().endswith(".csv")]
        if len(found) > _MOST_RUNS:
            raise ReductionError("too many files", where=str(folder), expected=f"at most {_MOST_RUNS}")
    return found


@dataclass(frozen=True, slots=True)
class Drive:
    """What is kept of a drive to know it again."""

    marks: tuple[int, ...]
    zeros: int
    rows: int
    annotated: str

    def as_dict(self) -> dict[str, Any]:
        """It as JSON holds it."""
        return {**asdict(self), "marks": list(self.marks)}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any] | None) -> Drive | None:
        """Take it from JSON."""
        if data is None or set(data) != {"marks", "zeros", "rows", "annotated"}:
            return None
        marks, zeros, rows, annotated = (data[key] for key in ("marks", "zeros", "rows", "annotated"))
        sound = isinstance(marks, list) and len(marks) <= _MOST_MARKS and isinstance(annotated, str)
        numbers = [*marks, zeros, rows] if sound else [None]
        if not all(isinstance(n, int) and 0 <= n < 1 << 64 for n in numbers) or zeros > 64:
            return None
        return cls(tuple(marks), zeros, rows, annotated)

    def is_also(self, other: Drive) -> bool:
        """Whether two are one drive, or one is a piece of the other."""
        below = 1 << max(self.zeros, other.zeros)
        own, others = ({mark for mark in one.marks if not mark % below} for one in (self, other))
        common, fewest = len(own & others), min(len(own), len(others))
        return common >= min(2, fewest) and 2 * common > fewest


def drive_of(run: Run) -> Drive:
    """Keep of a run what it can be known again by.

    Parameters
    ----------
    run : Run
        The run.

    Returns
    -------
    Drive

    Notes
    -----
    A row is hashed with the board, its power-up, its slot, its ticks and its counts, and without the time on
    the host: a run that was recorded and fetched is one drive.
    """
    board = f"{run.device.uid} {run.device.boot}" if run.device else ""
    seed = int.from_bytes(hashlib.sha256(board.encode()).digest()[:8])
    zeros, marks = 0, np.empty(0, np.uint64)
    for start in range(0, len(run.seq), _PIECE):
        piece = slice(start, start + _PIECE)
        found = _hashed(np.uint64(seed), [run.seq[piece], run.t_us[piece], *run.counts[piece].T])
        marks = np.unique(np.concatenate([marks, found[found & np.uint64((1 << zeros) - 1) == 0]]))
        while len(marks) > _MOST_MARKS:
            zeros += 1
            marks = marks[marks & np.uint64((1 << zeros) - 1) == 0]
    last = max((one.at_utc for one in run.corrections), default="")
    return Drive(tuple(marks.tolist()), zeros, len(run.seq), last)


def _hashed(seed: np.uint64, fields: Sequence[NDArray[Any]]) -> NDArray[np.uint64]:
    value = np.full(len(fields[0]), seed)
    for field in fields:
        value ^= np.ascontiguousarray(field, np.float64).view(np.uint64)
        value *= _ODD
        value ^= value >> _HALF
    value *= _ODD
    return value ^ (value >> _HALF)


def counted_once(drives: Sequence[Drive | None]) -> list[int]:
    """Say which log stands for each, where several are of one drive."""
    known = [(i, one) for i, one in enumerate(drives) if one is not None]
    stands = list(range(len(drives)))
    holders: dict[int, list[tuple[int, Drive]]] = {}
    for i, one in sorted(known, key=lambda item: (item[1].rows, item[1].annotated), reverse=True):
        near = dict.fromkeys(other for mark in one.marks for other in holders.get(mark, ()))
        stands[i] = next((j for j, other in near if one.is_also(other)), i)
        if stands[i] == i:
            for mark in one.marks:
                holders.setdefault(mark, []).append((i, one))
    return stands


def same_run(copy: str | Path, one: str | Path) -> str:
    """Say that a log holds the same run as another."""
    return f"{quoted(str(copy), 200)} holds the same run as {quoted(str(one), 200)}"

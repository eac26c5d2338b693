"""The board's own firmware asked what it makes of a description, so that there is one set of rules."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from undertray.errors import BoardError

__all__ = ["Finding", "Rehearsal", "Slot", "Weight", "rehearse"]


# What a check of a board comes up with.


class Weight(StrEnum):
    """How much a finding matters."""

    FAULT = "fault"
    """It cannot work."""
    WARNING = "warning"
    """It works, and is probably not what was meant."""
    NOTE = "note"
    """A figure to know."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found."""

    weight: Weight
    where: str
    what: str
    remedy: str = ""


_TIMEOUT_S = 60
_MAX_ANSWER = 1 << 22


@dataclass(frozen=True, slots=True)
class Slot:
    """What one sample slot did."""

    sent: tuple[tuple[int, int], ...]
    adc_reads: int
    codes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """A description as the firmware takes it."""

    faults: tuple[str, ...]
    board: Mapping[str, Any]
    columns: tuple[Mapping[str, Any], ...]
    channels: tuple[str, ...]
    slots: tuple[Slot, ...]


def rehearse(path: str | Path) -> Rehearsal:
    """Have the firmware read a description, build the board and take some samples.

    Parameters
    ----------
    path : str or Path
        The ``board.json``.

    Returns
    -------
    Rehearsal

    Raises
    ------
    BoardError
        When the file cannot be read, or the firmware itself breaks down over it.

    Notes
    -----
    The firmware's files run under this Python in a process of their own, on virtual parts.
    Its simulated clock makes the result the same on every computer.
    """
    from undertray import virtual
    from undertray.places import bundled

    try:
        with Path(path).open("rb") as file:
            file.read(1)
    except OSError as error:
        raise BoardError(
            f"cannot be read: {error.strerror}",
            where=str(path),
            do="give the path of a board.json; the one to begin with is firmware/board.json",
        ) from error
    twin = Path(virtual.__file__).parent / "twin.py"
    argv = [sys.executable, "-I", "-B", str(twin), "--rehearse"]
    argv += [str(Path(path).resolve()), str(bundled("firmware"))]
    try:
        done = subprocess.run(argv, capture_output=True, timeout=_TIMEOUT_S, check=False)
    except subprocess.TimeoutExpired as error:
        raise BoardError(
            f"the firmware came to no end over it in {_TIMEOUT_S} s", where=str(path), do="report this file"
        ) from error
    if done.returncode or len(done.stdout) > _MAX_ANSWER:
        last = done.stderr.decode("utf-8", "replace").strip().splitlines()[-1:]
        raise BoardError("the firmware failed on it", where=str(path), seen=last, do="report this file")
    return _rehearsal(json.loads(done.stdout))


def _rehearsal(told: Mapping[str, Any]) -> Rehearsal:
    slots: Sequence[Mapping[str, Any]] = told.get("slots", ())
    return Rehearsal(
        faults=tuple(told["faults"]),
        board=told.get("board", {}),
        columns=tuple(told.get("columns", ())),
        channels=tuple(told.get("channels", ())),
        slots=tuple(
            Slot(tuple((bus, n) for bus, n in slot["sent"]), slot["adc"], tuple(slot["codes"]))
            for slot in slots
        ),
    )

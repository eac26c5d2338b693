"""Which rows of a log are read by which description of the board: sensors may be changed on the way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from undertray.acquire.device import Device
from undertray.acquire.logscan import Note
from undertray.acquire.roworder import restarts
from undertray.acquire.rowtable import RowArrays
from undertray.acquire.slots import held_from
from undertray.errors import RunLogError

if TYPE_CHECKING:
    from undertray.acquire.runlog import Run

__all__ = ["described", "described_anew"]


def described(run: Run) -> list[tuple[int, int, Device]]:
    """Tell which rows are to be read by which description of the board.

    Parameters
    ----------
    run : Run
        The run.

    Returns
    -------
    list of (int, int, Device)
        First row, the row after the last, and the description; empty without any.

    Raises
    ------
    RunLogError
        When the rows are of two boards, or of one whose clock or number of columns changed: no
        calibration and no time line holds for both.
    """
    if run.device is None:
        return []
    told, rows = [(0, run.device), *run.described_anew], len(run.seq)
    ends = [row for row, _ in told[1:]] + [rows]
    spans = [(a, b, d) for (a, d), b in zip(told, ends, strict=True) if a < b] or [(0, rows, run.device)]
    first = spans[0][2]
    for row, _, device in spans[1:]:
        for what, seen, expected in (
            ("rows of two boards in one log", device.uid, first.uid),
            ("the board's clock changes within the log", device.tick_hz, first.tick_hz),
            ("the board's clock changes within the log", device.tick_bits, first.tick_bits),
            ("the number of columns changes within the log", len(device.columns), len(first.columns)),
        ):
            if seen != expected:
                raise RunLogError(
                    f"{what}, from row {row + 1} on",
                    where=run.where,
                    seen=seen,
                    expected=f"{expected} throughout",
                    do="cut a copy of the log in two before that row, each part with the lines from "
                    "'#undertray-run' to the header, and the second with the '#device' line of its board",
                )
    return spans


def described_anew(
    device: Device, notes: Sequence[Note], rows: RowArrays, where: str
) -> tuple[tuple[int, Device], ...]:
    """Find the descriptions after the first that differ from the one before in what a reader goes by.

    Parameters
    ----------
    device : Device
        The one that the first row is read by.
    notes : sequence of Note
        Notes of the log.
    rows : RowArrays
        Its rows.
    where : str
        For the error line.

    Returns
    -------
    tuple of (int, Device)
        Each with the first row that it holds for.

    Raises
    ------
    RunLogError
        When a device note does not hold.
    """
    told = _devices(notes, where)
    held = [(0, device.read_by), *((row, one.read_by) for row, one in told if row > 0)]
    if all(what == held[0][1] for _, what in held):
        return ()
    named = {one.read_by: one for _, one in told}
    later = held_from(held, restarts(rows, device.tick_bits))[1:]
    return tuple((row, named[what]) for row, what in later)


def _devices(notes: Sequence[Note], where: str) -> list[tuple[int, Device]]:
    """Every description in the log, with the number of rows before it; the same again is not read again."""
    found: list[tuple[int, Device]] = []
    last: Mapping[str, Any] | None = None
    for note in notes:
        if note.kind == "device":
            if note.data is not last:
                device = Device.from_note(note.data, f"{where}, device note")
            found.append((note.row, device))
            last = note.data
    return found

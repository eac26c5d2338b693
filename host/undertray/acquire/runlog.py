"""The run log: the file of one run, read into arrays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from io import SEEK_END
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.device import Device
from undertray.acquire.logscan import HEADER, MAGIC, LogScan, Note, blocks_of_lines, header_line
from undertray.acquire.rowtable import (
    Counts,
    RowArrays,
    RowTable,
    in_order,
    repeated,
    restarts,
    settle_memory,
)
from undertray.acquire.runfacts import Correction, corrected
from undertray.acquire.slots import held_from
from undertray.acquire.wire import Row, WireNote, parse_line
from undertray.errors import LogDamaged, LogTooNew, NotARunLog, RunLogError
from undertray.files import meant_file

__all__ = ["LOG_VERSION", "REST_US", "Note", "Run", "described", "described_anew", "is_run", "read_run"]


# Which rows of a log are read by which description of the board: sensors may be changed on the way.


def described(run: Run) -> list[tuple[int, int, Device]]:
    """Tell which rows are to be read by which description of the board."""
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
            ("what stands behind the columns changes within the log", device.channels, first.channels),
        ):
            if seen != expected:
                raise LogDamaged(
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
    """Find the descriptions after the first that differ from the one before in what a reader goes by."""
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


LOG_VERSION = 1
REST_US = 1100.0
"""Throttle at and below which fans stand (common practice, no source)."""
_RESTED_S = 1.0  # a throttle that goes down for less has stayed up
_UNHEARD_S, _UNHEARD_ROWS = 0.5, 5  # what a link may hold back when a recording ends, and in slow rows
_BROKE_OFF = ("port vanished", "disk failed", "silent", "failed")  # ends that nobody asked for
_HEAD = 1 << 18
_WHY = 120
_MANY = 20


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """A run log in memory: raw, nothing computed. n good rows, N pressure columns.

    Attributes
    ----------
    name : str
        Name of the file without its ending.
    facts : mapping
        What the ``#run`` line says, as it was put right later.
    device : Device or None
        The last ``device`` note before the first row, or else the first after it.
    described_anew : tuple of (int, Device)
        Later notes that tell something else of the board or its columns, each with the row from which on it
        holds: the last before it at which the board may have been off, or else where it stands.
    columns : tuple of str
        Names of the pressure columns: the device's own, or else from the header line.
    host_us, seq, t_us, flags : ndarray of whole numbers, shape (n,)
        As logged: arrival on the host in µs, slot number, raw board ticks, flag bits. In a
        plain capture of the stream ``host_us`` is -1 throughout.
    throttle_us : ndarray of float64, shape (n,)
        Pulse width in µs, NaN where the field is empty.
    counts : Counts
        Raw counts; ``counts[rows]`` are float64, exact (below 2**53), NaN where the field is empty.
    notes : tuple of Note
        Every note with a good check, in order.
    bad_lines : int
        Lines that failed their check or are no line of the format: ``#bad`` lines, lines of
        the log that no longer hold, and rows whose host time is out of order.
    cut_off : bool
        There is no ``#end`` line: the recording was cut off. Never so for a plain capture.
    end : mapping or None
        What the ``#end`` line says.
    file : str
        Name of the file; empty where the run never was one.
    car : mapping or None
        The car it was driven with, as the log keeps it: keys of a ``car.toml``, not checked. Empty where that
        cannot be read, None where the log has none.
    corrections : tuple of Correction
        What was put right later.
    torn_annotations : int
        Corrections that cannot be read.
    captured : bool
        It is a plain capture of the board's stream, and no log.
    duplicate_rows, contradicting_rows : int
        Rows left out as they tell a slot for the second time, and those of them that tell it otherwise.
    channels : tuple of str
        Names of what the rows have behind the pressure columns, none for most boards.
    channel_counts : Counts or None
        Their numbers as logged, a column a channel; :meth:`channel` gives one.
    end_unseen : str or None
        What shows that the recording went on after the last row, with the fans not seen at rest; None where
        nothing does.
    """

    name: str
    facts: Mapping[str, Any]
    device: Device | None
    columns: tuple[str, ...]
    host_us: NDArray[np.integer[Any]]
    seq: NDArray[np.integer[Any]]
    t_us: NDArray[np.integer[Any]]
    throttle_us: NDArray[np.float64]
    flags: NDArray[np.integer[Any]]
    counts: Counts | NDArray[np.float64]
    notes: tuple[Note, ...]
    bad_lines: int
    cut_off: bool
    end: Mapping[str, Any] | None
    file: str = ""
    described_anew: tuple[tuple[int, Device], ...] = ()
    car: Mapping[str, Any] | None = None
    corrections: tuple[Correction, ...] = ()
    torn_annotations: int = 0
    captured: bool = False
    duplicate_rows: int = 0
    contradicting_rows: int = 0
    channels: tuple[str, ...] = ()
    channel_counts: Counts | None = None
    end_unseen: str | None = None

    @property
    def cut_short(self) -> str | None:
        """Why the run goes on where its log ends, as far as the log tells; None where it does not."""
        if self.cut_off:
            return "the log was cut off"
        told = [n.data for n in self.notes if n.kind != "reply"]
        for data in (self.end or {}, *told):
            if data.get("cut") is True:
                why, gone = data.get("why"), data.get("missing_rows")
                rows = f", {gone} rows are missing" if isinstance(gone, int) and gone > 0 else ""
                return f"the board cut it short ({str(why)[:_WHY]}{rows})"
        why, gone = ((self.end or {}).get(key) for key in ("why", "unwritten_rows"))
        if isinstance(why, str) and why in _BROKE_OFF:
            return f"the recording broke off ({why})"
        if isinstance(gone, int) and gone > 0:
            return f"the disk did not take {gone} rows"
        return self.end_unseen

    def channel(self, name: str) -> NDArray[np.float64] | None:
        """Give one of the numbers that the rows have behind the pressure columns.

        Parameters
        ----------
        name : str
            Its name.

        Returns
        -------
        ndarray of float64, shape (n,), or None
            As logged, NaN where the field is empty; None where the log has no such channel.
        """
        if self.channel_counts is None or name not in self.channels:
            return None
        return self.channel_counts[:, self.channels.index(name)]

    @property
    def throttle2_us(self) -> NDArray[np.float64] | None:
        """Pulse to a second fan, µs; None where there is none or it never came, as in a sweep of one fan."""
        second = self.channel("throttle2_us")
        return None if second is None or np.isnan(second).all() else second

    @property
    def drive_us(self) -> NDArray[np.float64]:
        """What drives the fans, µs: the throttle, or where a second fan has its own the mean of both.

        The mean is unknown where either is. It is no law of two fans; it moves when either of them does, so a
        fall of the suction that one of them explains is not taken for a lost seal.
        """
        second = self.throttle2_us
        return self.throttle_us if second is None else (self.throttle_us + second) / 2

    @property
    def where(self) -> str:
        """What an error line calls the run: its file, so that it can be found."""
        return self.file or self.name


def read_run(path: str | Path) -> Run:
    """Read a run log, or a plain capture of the board's stream.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    Run
        With no rows at all the arrays are empty; nothing is raised for that.

    Raises
    ------
    NotARunLog
        When the file is neither a run log nor a capture.
    LogTooNew
        When a newer version of the log or of the wire wrote it.
    LogDamaged
        When it has many lines and not one row that holds, because a program changed them after they
        were written; when the board's description of itself is bad, or the rows are of two boards.
    RunLogError
        When the file cannot be read; all of the above are of this class.

    Notes
    -----
    Every check is verified again. A log is read to its last whole line. A capture is what
    the board sends and nothing else (:mod:`undertray.acquire.wire`); its rows have no host
    time, so how long a board reset took stays unknown.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            stamped = _stamped(path, file.read(_HEAD))
            size = file.seek(0, SEEK_END)
            settle_memory(size)
            reader = LogScan(stamped, size)
            file.seek(0)
            for block in blocks_of_lines(file, size):
                reader.take(block)
    except OSError as error:
        raise RunLogError(
            f"cannot read it ({error.strerror or error})", where=str(path), do=meant_file(path)
        ) from error
    if stamped and not reader.columns and reader.changed >= _MANY:
        raise LogDamaged(
            f"changed since it was written, as a spreadsheet does when it saves: no row is left, "
            f"{reader.changed} lines fail their check",
            where=str(path),
            seen=reader.first_changed,
            do="use the original",
        )
    return _run(path, reader)


def is_run(path: str | Path) -> bool:
    """Tell a run log or a capture from any other file, by its first lines."""
    with Path(path).open("rb") as file:
        return _is_log(_lines(file.read(_HEAD))) is not None


def _lines(head: bytes) -> list[bytes]:
    return head.split(b"\n")[:-1]


def _is_log(lines: list[bytes]) -> bool | None:
    """Tell a run log from a capture by its first lines; None when it is neither."""
    # neither one damaged byte in the first line nor what a program puts round it takes the run away
    if any(HEADER.fullmatch(line.removesuffix(b"\r")) for line in lines) or (
        lines and b"#undertray-run" in lines[0].replace(b"\0", b"")
    ):
        return True
    return False if any(isinstance(parse_line(line), Row | WireNote) for line in lines) else None


def _stamped(path: Path, head: bytes) -> bool:
    """Whether it is a run log and no capture; raise when this version reads neither."""
    lines = _lines(head)
    version = MAGIC.fullmatch(lines[0].removesuffix(b"\r")) if lines else None
    if version and int(version[1]) > LOG_VERSION:
        raise LogTooNew(
            "a newer version of undertray wrote this log",
            where=str(path),
            seen=int(version[1]),
            expected=f"version {LOG_VERSION}",
            do="update undertray on this computer",
        )
    is_log = _is_log(lines)
    if is_log is None:
        raise NotARunLog(
            "not a run log",
            where=str(path),
            seen=b"\n".join(lines[:2]),
            expected="'#undertray-run 1' on the first line, or lines as the board sends them",
            do="name a log that 'undertray record' or 'fetch' wrote",
        )
    return is_log


def _run(path: Path, reader: LogScan) -> Run:
    device = _device(path, reader.notes, reader.columns)
    header = reader.header.decode().split(",")[5:-1] if reader.header else []
    names = device.names if device else tuple(header)
    if reader.columns and len(names) != reader.columns:
        names = tuple(f"p{i + 1}" for i in range(reader.columns))
    # the device note has a check and the header has none: where they differ, the header is bad
    bad = reader.bad + (reader.header is not None and reader.header != header_line(names))
    table = reader.table if reader.columns else RowTable(len(names))
    rows, notes = table.arrays(), reader.notes
    facts, car, corrections = corrected(reader.facts or {}, reader.car, reader.annotations)
    boots = [(n.row, (n.data.get("uid"), n.data.get("boot"))) for n in notes if n.kind == "device"]
    twice = repeated(rows, boots, device.tick_bits) if device else repeated(rows, boots)
    rows, notes = _without(rows, notes, twice.again)
    off = ~in_order(rows.host_us)
    rows, notes = _without(rows, notes, off)
    pressures = len(names) - (len(device.channels) if device else 0)
    run = Run(
        name=path.stem,
        facts=facts,
        device=device,
        columns=names[:pressures],
        host_us=rows.host_us,
        seq=rows.seq.astype(np.int32),  # numpy does not take 16 bits modulo 65536
        t_us=rows.t_us,
        throttle_us=rows.throttle_us,
        flags=rows.flags,
        counts=rows.counts.part(0, len(rows.seq), range(pressures)),
        channels=names[pressures:],
        channel_counts=rows.counts.part(0, len(rows.seq), range(pressures, len(names))),
        notes=tuple(notes),
        bad_lines=bad + int(np.count_nonzero(off)),
        cut_off=reader.stamped and reader.end is None,
        end=reader.end,
        file=path.name,
        described_anew=() if device is None else described_anew(device, notes, rows, str(path)),
        car=car,
        corrections=corrections,
        torn_annotations=reader.torn_annotations,
        captured=not reader.stamped,
        duplicate_rows=int(np.count_nonzero(twice.again)),
        contradicting_rows=twice.contradicting,
    )
    return replace(run, end_unseen=_end_unseen(run))


def _end_unseen(run: Run) -> str | None:
    """Tell a recording that went on after its rows: its link had died, or a part of the log is lost."""
    rows, end = len(run.seq), run.end
    if not rows or end is None or _rested(run):
        return None
    span_s = float(run.host_us[-1] - run.host_us[0]) / 1e6
    lasted_s, stated = end.get("seconds"), end.get("rows")
    if isinstance(lasted_s, float | int):
        unheard_s = float(lasted_s) - span_s
        if unheard_s > max(_UNHEARD_S, _UNHEARD_ROWS * span_s / max(1, rows - 1)):
            return f"the recording went on for {unheard_s:.1f} s after its last good row"
        return None
    there = rows + run.duplicate_rows + run.bad_lines
    if isinstance(stated, int) and stated > there:
        return f"{stated - there} of the {stated} rows that the log states are not in it"
    return None


def _rested(run: Run) -> bool:
    """Whether the throttle was at rest for the last second, and for no less."""
    here = int(run.host_us.searchsorted(run.host_us[-1] - round(_RESTED_S * 1e6)))
    return here > 0 and bool((run.drive_us[here:] <= REST_US).all())


def _without(rows: RowArrays, notes: list[Note], out: NDArray[np.bool_]) -> tuple[RowArrays, list[Note]]:
    """Leave rows out; the notes go on standing where they stood among the rest."""
    if not out.any():
        return rows, notes
    before = np.concatenate([[0], np.cumsum(~out)])
    return rows.picked(~out), [replace(note, row=int(before[note.row])) for note in notes]


def _device(path: Path, notes: list[Note], columns: int) -> Device | None:
    """Choose the last device note before the first row, or else the first after it."""
    told = [note for note in notes if note.kind == "device"]
    early = [note for note in told if note.row == 0]
    for note in (*reversed(early), *told[len(early) :]):
        device = Device.from_note(note.data, f"{path}, device note")
        if columns in (0, len(device.names)):
            return device
    return None

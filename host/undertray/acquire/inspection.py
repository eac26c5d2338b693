"""What is in a log: segments, rates, what is lost, bad, cut off or faulty, and how the clocks drift."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.clock import BoardTime, board_time
from undertray.acquire.runfacts import Correction
from undertray.acquire.runlog import Run

__all__ = ["ChannelState", "ColumnState", "Inspection", "Segment", "changes", "inspect_run", "marks"]

_STALE_BIT = 8
_RATE_OFF = 0.01  # a clock is off by far less (our choice, no source)


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch in which the board's clock ran through."""

    start_s: float
    seconds: float
    rows: int
    rate_hz: float | None


@dataclass(frozen=True, slots=True)
class ColumnState:
    """What one pressure column did."""

    name: str
    part: str
    missing: int
    stale: int
    lowest: float | None
    highest: float | None
    faults: Mapping[str, int]
    read_errors: int | None


@dataclass(frozen=True, slots=True)
class ChannelState:
    """What a channel behind the pressure columns did."""

    name: str
    missing: int
    lowest: float | None
    highest: float | None


@dataclass(frozen=True, slots=True)
class Inspection:
    """What is in a log."""

    run: str
    facts: Mapping[str, Any]
    corrections: tuple[Correction, ...]
    torn_annotations: int
    car: Mapping[str, Any] | None
    rows: int
    bad_lines: int
    lost_rows: int
    duplicate_rows: int
    contradicting_rows: int
    seconds: float
    cut_off: bool
    truncated: str | None
    why: str | None
    rate_hz: float | None
    declared_hz: float | None
    described_anew: tuple[tuple[float, tuple[str, ...]], ...]
    segments: tuple[Segment, ...]
    gaps: tuple[tuple[float, float], ...]
    columns: tuple[ColumnState, ...]
    skipped: int | None
    skew_ppm: float | None
    jitter_s: float | None
    pack_v: tuple[float, float] | None
    channels: tuple[ChannelState, ...]
    marks_s: tuple[float, ...] = ()

    def troubles(self) -> tuple[str, ...]:
        """What is wrong with the recording, in a few words each; none where it is whole."""
        counts = (
            (self.lost_rows, "row", "lost"),
            (self.skipped or 0, "slot", "skipped by the board"),
            (self.bad_lines, "bad line", ""),
            (self.contradicting_rows, "row", "there twice with other content"),
            (len(self.gaps), "gap", ""),
            (max(len(self.segments) - 1, 0), "time", "that the board began anew"),
            (self.torn_annotations, "correction", "that cannot be read"),
        )
        found = ["the recording has no end"] if self.cut_off else []
        found += ["cut short"] if self.truncated is not None else []
        found += [f"{n} {what}{'s' if n > 1 else ''} {how}".rstrip() for n, what, how in counts if n]
        if self.rate_hz and self.declared_hz and abs(self.rate_hz / self.declared_hz - 1) > _RATE_OFF:
            found.append("not the declared rate")
        for column in self.columns:
            faults = sum(column.faults.values())
            counted = (
                (column.missing, "missing"),
                (column.read_errors or 0, "not read"),
                (faults, "fault" if faults == 1 else "faults"),
            )
            told = [f"{n} {how}" for n, how in counted if n]
            found += [f"{column.name}: {', '.join(told)}"] if told else []
        found += [f"{one.name}: {one.missing} missing" for one in self.channels if one.missing]
        return tuple(found)

    def as_dict(self) -> dict[str, Any]:
        """Turn it into what JSON can hold; a log without channels has no key for them."""
        told = asdict(self)
        return told if self.channels else {key: told[key] for key in told if key != "channels"}


def inspect_run(run: Run) -> Inspection:
    """Say what is in a log."""
    time = board_time(run)
    status = [note.data for note in run.notes if note.kind == "status"]
    packs = [mv / 1000 for data in status if (mv := _count(data.get("pack_mv"))) is not None]
    why = run.end.get("why") if run.end else None
    return Inspection(
        run=run.name,
        facts=run.facts,
        corrections=run.corrections,
        torn_annotations=run.torn_annotations,
        car=run.car,
        rows=len(run.seq),
        bad_lines=run.bad_lines,
        lost_rows=time.lost_rows,
        duplicate_rows=run.duplicate_rows,
        contradicting_rows=run.contradicting_rows,
        seconds=float(time.t_s[-1]) if len(time.t_s) else 0.0,
        cut_off=run.cut_off,
        truncated=run.cut_short,
        why=why if isinstance(why, str) else None,
        rate_hz=time.rate_hz if np.isfinite(time.rate_hz) else None,
        declared_hz=run.device.rate_hz if run.device else None,
        described_anew=changes(run, time),
        segments=_segments(time),
        gaps=time.gaps,
        columns=_columns(run),
        skipped=_count(status[-1].get("skipped")) if status else None,
        skew_ppm=time.skew_ppm,
        jitter_s=time.jitter_s,
        pack_v=(min(packs), max(packs)) if packs else None,
        channels=tuple(_channel(run, i) for i in range(len(run.channels))),
        marks_s=marks(run, time),
    )


def marks(run: Run, time: BoardTime) -> tuple[float, ...]:
    """When moments were marked, on the time line of the rows, s.

    Parameters
    ----------
    run : Run
        A run log in memory.
    time : BoardTime
        Its time line.

    Returns
    -------
    tuple of float
        By the host's clock, whose line against the board's is known; where it is not, the time of the row
        that had come last.
    """
    found = []
    for note in run.notes:
        if note.kind != "mark" or not len(time.t_s):
            continue
        if time.host is not None and note.host_us >= 0:
            found.append((note.host_us / 1e6 - time.host.offset_s) / time.host.slope)
        else:
            found.append(float(time.t_s[max(0, min(note.row, len(time.t_s)) - 1)]))
    return tuple(found)


def changes(run: Run, time: BoardTime) -> tuple[tuple[float, tuple[str, ...]], ...]:
    """Tell when the board's description changed, and in what."""
    found, before = [], run.device
    for row, device in run.described_anew:
        if before is not None and row < len(time.t_s):
            found.append((float(time.t_s[row]), before.differences(device)))
        before = device
    return tuple(found)


def _segments(time: BoardTime) -> tuple[Segment, ...]:
    edges = np.flatnonzero(np.diff(time.segment)) + 1
    spans = np.split(time.t_s, edges) if len(time.t_s) else []
    return tuple(
        Segment(
            start_s=float(span[0]),
            seconds=float(span[-1] - span[0]),
            rows=len(span),
            rate_hz=_rate_hz(span),
        )
        for span in spans
    )


def _rate_hz(t_s: NDArray[np.float64]) -> float | None:
    """One over the median step; None where that is none, as of a clock that stands still."""
    period_s = float(np.median(np.diff(t_s))) if len(t_s) > 1 else 0.0
    return 1 / period_s if period_s > 0 else None


def _columns(run: Run) -> tuple[ColumnState, ...]:
    faults: dict[str, Counter[str]] = {name: Counter() for name in run.columns}
    for note in run.notes:
        name, why = note.data.get("column"), note.data.get("why")
        if note.kind == "fault" and isinstance(name, str) and isinstance(why, str) and name in faults:
            faults[name][why[:40]] += 1
    status = [note.data for note in run.notes if note.kind == "status"]
    errors = status[-1].get("read_errors") if status else None
    states = []
    for i, name in enumerate(run.columns):
        counts = run.counts[:, i]
        there = ~np.isnan(counts)
        states.append(
            ColumnState(
                name=name,
                part=run.device.columns[i].part if run.device else "",
                missing=int(np.count_nonzero(~there)),
                stale=int(np.count_nonzero(run.flags >> (_STALE_BIT + i) & 1)),
                lowest=float(counts[there].min()) if there.any() else None,
                highest=float(counts[there].max()) if there.any() else None,
                faults=dict(faults[name]),
                read_errors=_count(errors[i]) if isinstance(errors, list) and i < len(errors) else None,
            )
        )
    return tuple(states)


def _channel(run: Run, i: int) -> ChannelState:
    values = run.channel(run.channels[i])
    there = np.empty(0) if values is None else values[~np.isnan(values)]
    return ChannelState(
        name=run.channels[i],
        missing=len(run.seq) - len(there),
        lowest=float(there.min()) if len(there) else None,
        highest=float(there.max()) if len(there) else None,
    )


def _count(value: object) -> int | None:
    """A count as a stranger's note gives it."""
    whole = isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 2**53
    return value if whole and isinstance(value, int) else None

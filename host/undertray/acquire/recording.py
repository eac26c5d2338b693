"""How patient a recording is, what it came to, and the lines that open and close its log."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from undertray.acquire.runlog import LOG_VERSION
from undertray.errors import RunLogError

__all__ = ["Patience", "Recording", "car_line", "end_line", "first_lines", "mark_line"]

_FACTS_LIMIT = 60_000


@dataclass(frozen=True, slots=True)
class Patience:
    """How long to wait for a board, s."""

    answer_s: float = 5.0
    rows_s: float = 10.0
    silent_s: float = 5.0
    return_s: float = 5.0
    ask_s: float = 2.0


@dataclass(frozen=True, slots=True)
class Recording:
    """What came of it."""

    path: Path
    rows: int
    bad: int
    lost: int
    segments: int
    dropped_bytes: int
    unwritten_rows: int
    seconds: float
    why: str
    duplicates: int = 0
    missing_rows: int | None = None


def first_lines(facts: Mapping[str, Any], car: Mapping[str, Any] | None = None) -> bytes:
    """Compose the lines that open a log."""
    started = datetime.now(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
    text = json.dumps({"started_utc": started, **facts}, ensure_ascii=False)
    run = f"#run {text}\n".encode("utf-8", "replace")  # a path may hold what is no character
    if len(run) > _FACTS_LIMIT:
        raise RunLogError("too many facts for one run", seen=text, expected=f"at most {_FACTS_LIMIT} bytes")
    return f"#undertray-run {LOG_VERSION}\n".encode() + run + car_line(car)


def car_line(car: Mapping[str, Any] | None) -> bytes:
    """Compose the line that keeps the car."""
    if car is None:
        return b""
    try:
        text = json.dumps(dict(car), ensure_ascii=False, allow_nan=False)
    except (TypeError, ValueError) as error:  # a date, or nan, under a key that no tap used
        raise RunLogError(f"the car cannot be kept in the log ({error})", do="correct its file") from error
    line = f"#car {text}\n".encode("utf-8", "replace")
    if len(line) > _FACTS_LIMIT:
        raise RunLogError("too much of a car for a log", expected=f"at most {_FACTS_LIMIT} bytes")
    return line


def mark_line(host_us: int, number: int) -> bytes:
    """Compose the line of a moment that a person marked, to find it again in a video."""
    return f'#mark {host_us} {{"number": {number}}}\n'.encode()


def end_line(recording: Recording) -> bytes:
    """Compose the line that closes a log."""
    end: dict[str, Any] = {
        "rows": recording.rows,
        "bad": recording.bad,
        "seconds": round(recording.seconds, 6),
        "why": recording.why,
        "lost": recording.lost,
        "duplicate": recording.duplicates,
        "segments": recording.segments,
        "dropped_bytes": recording.dropped_bytes,
        "unwritten_rows": recording.unwritten_rows,
    }
    if recording.missing_rows is not None:
        end |= {"cut": True, "missing_rows": recording.missing_rows}
    return f"#end {json.dumps(end)}\n".encode()

"""``undertray inspect``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from undertray.cli.caroptions import AsJson

if TYPE_CHECKING:
    from collections.abc import Iterator

    from undertray.acquire.inspection import ColumnState, Inspection

__all__ = ["register"]

_MOST = 12
_LABELS = {"started_utc": "started"}


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("inspect", short_help="Show what is in a log, and what is wrong with it.")(_inspect)


def _inspect(
    run: Annotated[Path, typer.Argument(metavar="RUN.csv", help="The run log.", show_default=False)],
    as_json: AsJson = False,
) -> None:
    """Say what is in a log: segments, rates, lost, bad, cut off, faults, drift of the clocks.

    Example: undertray inspect run.csv
    """
    import json

    from undertray.acquire.inspection import inspect_run
    from undertray.acquire.runlog import read_run

    log = read_run(run)
    found = inspect_run(log)
    if as_json:
        print(json.dumps(found.as_dict(), allow_nan=False))
    else:
        print("\n".join(_lines(found, log.where)))


def _lines(found: Inspection, where: str) -> Iterator[str]:
    from undertray.errors import escaped

    yield f"{escaped(where)}: {found.rows} rows in {found.seconds:.1f} s"
    for key, value in found.facts.items():
        yield f"{escaped(_LABELS.get(key, key)):10} {_fact(value)}"
    for one in found.corrections[-_MOST:]:
        yield f"corrected  {one}"
    if found.torn_annotations:
        yield f"corrected  {found.torn_annotations} corrections cannot be read"
    if found.car is not None:
        kept = ", mass ".join(escaped(found.car.get(key)) for key in ("name", "mass"))
        yield f"car        kept in the log: {kept}"
    why = "CUT OFF: the recording has no end" if found.cut_off else found.why or "unknown"
    measured, declared = (_number(rate, ".2f") for rate in (found.rate_hz, found.declared_hz))
    yield f"ended      {escaped(why)}"
    if found.truncated is not None:
        yield f"cut short  {escaped(found.truncated, 200)}"
    yield f"rate       {measured} Hz measured, {declared} Hz declared"
    yield f"lost       {found.lost_rows} rows; the board itself skipped {_number(found.skipped, 'd')}"
    yield f"bad        {found.bad_lines} lines"
    if found.duplicate_rows:
        yield (
            f"twice      {found.duplicate_rows} rows, {found.contradicting_rows} of them with other content; "
            "the first of each counts"
        )
    yield f"drift      {_number(found.skew_ppm, '+.1f')} ppm host over board"
    jitter_ms = None if found.jitter_s is None else found.jitter_s * 1e3
    yield f"delay      {_number(jitter_ms, '.2f')} ms beyond the least, 95th percentile"
    if found.pack_v is not None:
        yield f"pack       {found.pack_v[0]:.2f} to {found.pack_v[1]:.2f} V"
    for at_s, changed in found.described_anew[:_MOST]:
        yield f"changed    from {at_s:.3f} s on: {escaped('; '.join(changed), 200)}"
    yield from _stretches(found)
    if found.columns:
        heads = ("column", "part", "counts", "missing", "repeated", "not read", "faults")
        yield "{:10} {:10} {:>16} {:>8} {:>9} {:>9}  {}".format(*heads)
    yield from map(_column_line, found.columns)
    for channel in found.channels:
        ends = f"{_number(channel.lowest, '.0f')} to {_number(channel.highest, '.0f')}"
        yield f"{escaped(channel.name):21} {ends:>16} {channel.missing:8}"


def _stretches(found: Inspection) -> Iterator[str]:
    """Marks, segments and gaps along the run."""
    for number, at_s in enumerate(found.marks_s[:_MOST], 1):
        yield f"mark {number:<5} at {at_s:.3f} s"
    yield f"segments   {len(found.segments)}"
    for segment in found.segments[:_MOST]:
        yield f"  from {segment.start_s:9.3f} s  {segment.rows:8d} rows  {_number(segment.rate_hz, '.2f')} Hz"
    yield f"gaps       {len(found.gaps)}"
    for start, end in found.gaps[:_MOST]:
        yield f"  from {start:9.3f} s  for {end - start:.3f} s"


def _column_line(column: ColumnState) -> str:
    from undertray.errors import escaped

    faults = ", ".join(f"{count} x {escaped(why)}" for why, count in column.faults.items()) or "none"
    counts = f"{_number(column.lowest, '.0f')} to {_number(column.highest, '.0f')}"
    return (
        f"{escaped(column.name):10} {escaped(column.part):10} {counts:>16} {column.missing:8}"
        f" {column.stale:9} {_number(column.read_errors, 'd'):>9}  {faults}"
    )


def _fact(value: object, deep: int = 3) -> str:
    """A fact of a log as a person would write it, and no deeper than a person would."""
    from undertray.errors import escaped

    if value is None or isinstance(value, bool):
        return {None: "none", True: "yes", False: "no"}[value]
    if not isinstance(value, dict | list):
        return escaped(value, 200)
    pairs = value.items() if isinstance(value, dict) else ((None, one) for one in value)
    told = [
        ("" if key is None else f"{escaped(key)}: ") + (_fact(one, deep - 1) if deep else "...")
        for key, one in list(pairs)[:_MOST]
    ]
    return ("; " if deep == 3 else ", ").join(told + ["..."] * (len(value) > _MOST)) or "none"


def _number(value: float | None, form: str) -> str:
    return "?" if value is None else format(value, form)

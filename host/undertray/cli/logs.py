"""``undertray annotate``, ``inspect`` and ``export``: one log, as it stands."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from undertray.cli.options import (
    AsJson,
    CalibrationFile,
    CarFile,
    CarFrom,
    RunFile,
    Tare,
    described_car,
    fact_pairs,
    given_or_found,
    mass_text,
    setup,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from undertray.acquire.inspection import ColumnState, Inspection
    from undertray.acquire.runlog import Run
    from undertray.acquire.runtable import Pressures
    from undertray.calibrate.calibration import Calibration
    from undertray.reduce.summary import Reduction

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("annotate", short_help="Add facts to a recorded run, or put them right.")(_annotate)
    app.command("inspect", short_help="Show what is in a log, and what is wrong with it.")(_inspect)
    app.command("export", short_help="Write a log as a plain table, one row a sample.")(_export)


def _annotate(
    log: RunFile,
    facts: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="KEY=VALUE...", help="skirt, mounting, gap, springs, pack, surface, mass, ..."
        ),
    ] = None,
    car: Annotated[
        Path | None, typer.Option("--car", metavar="CAR.toml", help="The car that it was driven with.")
    ] = None,
) -> None:
    """Add facts to a recorded run, or put them right; KEY= takes one out.

    One line is added behind the log, whose own text stays as it is: a copy keeps it, and every command
    reads the new fact and says that it was corrected, when and from what.

    Example: undertray annotate run.csv skirt="brush strip" mounting=2 mass="3.25 kg"
    """
    if not facts and car is None:
        raise typer.BadParameter("give at least one KEY=VALUE, or --car", param_hint="KEY=VALUE")
    wanted: dict[str, str | None] = {
        key: value or None for key, value in fact_pairs(facts or [], "KEY").items()
    }
    if wanted.get("mass"):
        wanted["mass"] = mass_text(str(wanted["mass"]))
    from undertray.acquire.runfacts import annotate

    description = None
    if car is not None:
        _, description = described_car(car)
    told = annotate(log, wanted, description)
    for one in told:
        print(one)
    if not told:
        print("undertray: the log says so already", file=sys.stderr)


_MOST = 12
_LABELS = {"started_utc": "started"}


def _inspect(
    run: RunFile,
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
    from undertray.acquire.clock import lost_share
    from undertray.errors import escaped
    from undertray.report.words import wrapped

    yield f"{escaped(where)}: {found.rows} rows in {found.seconds:.1f} s"
    troubles = "; ".join(escaped(one) for one in found.troubles()[:_MOST])
    yield wrapped(
        f"look at    {troubles}" if troubles else "whole      nothing is wrong with the recording",
        11 * " ",
        80,
    )
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
    share = f", {lost_share(found.rows, found.lost_rows):.1%} of all" if found.lost_rows else ""
    yield f"lost       {found.lost_rows} rows{share}; the board itself skipped {_number(found.skipped, 'd')}"
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
    gone_s = f", {sum(end - start for start, end in found.gaps):.3f} s in all" if found.gaps else ""
    yield f"gaps       {len(found.gaps)}{gone_s}"
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


def _export(
    run: RunFile,
    out: Annotated[Path, typer.Option(help="What to write: .csv, or .parquet with pyarrow.")],
    pa: Annotated[bool, typer.Option("--pa", help="Suction in Pa instead of raw counts.")] = False,
    loads: Annotated[
        bool, typer.Option("--loads", help="Mean suction, loads and margins as well; implies --pa.")
    ] = False,
    calibration: CalibrationFile = None,
    car: CarFile = None,
    car_from: CarFrom = "log",
    tare: Tare = "none",
) -> None:
    """Write a log as a plain table: time, throttle, flags and raw counts, one row a sample.

    With --pa or --calibration each count becomes p1_pa, its suction (positive below ambient), and
    p1_out_of_range: 0, or 1 outside the calibrated range, 2 beyond the sensor's own. Without a calibration
    p1_pa is by the sensor's own scale, and that is said; a sensor that a given calibration lacks becomes
    p1_uncalibrated_pa. What a board logs besides (second throttle and pack, counts of an accelerometer)
    follows as it is, with Pa also forward_g, right_g and up_g along the car's own axes.

    With --loads or --car there follow pack_mv, mean_suction_pa, downforce_n, front_n, rear_n, and the margins
    front_margin_n and rear_margin_n: load less what the axle needs. --tare is in these only.

    Example: undertray export run.csv --loads --out run-loads.csv
    """
    from undertray.acquire.runlog import read_run
    from undertray.acquire.runtable import export_run
    from undertray.calibrate.calibration import Calibration
    from undertray.reduce.run import reduce_run
    from undertray.report.words import note_lines

    log, pressures = read_run(run), None
    if loads or car is not None or tare != "none":
        given = setup([run], car, car_from, calibration, tare)
        chosen = given.choose(log)
        reduction = reduce_run(log, chosen.car, given.calibration, tare)
        for notice in chosen.notices:
            print(note_lines(notice), file=sys.stderr)
        pressures = _columns(log, given.calibration, reduction)
    elif pa or calibration is not None:
        (calibration,) = given_or_found([run], calibration=calibration)
        pressures = _columns(log, Calibration.from_json(calibration) if calibration else None)
    rows = export_run(log, out, pressures)
    print(f"undertray: {rows} rows: {out}", file=sys.stderr)


def _columns(log: Run, calibration: Calibration | None, reduction: Reduction | None = None) -> Pressures:
    """What makes the columns behind those of the log; how far they can be trusted is said here."""
    from undertray.report.pressuretable import ColumnSuction, load_columns

    suction = ColumnSuction(log, calibration)
    if calibration is None:
        print("undertray: uncalibrated: the sensors' own scales are used", file=sys.stderr)
    elif calibration.foreign_to(log.device):
        print("undertray: the calibration was made on another board", file=sys.stderr)
    for name in suction.uncalibrated:
        print(
            f"undertray: {name} has no calibration: by the sensor's own scale, as {name}_uncalibrated_pa",
            file=sys.stderr,
        )
    if reduction is None:
        return suction.rows

    def rows(first: int, last: int) -> Mapping[str, NDArray[Any]]:
        loads = load_columns(reduction, first, last)
        return {**suction.rows(first, last), **{name: values.round(4) for name, values in loads.items()}}

    return rows

"""``undertray sessions``."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from undertray.cli.caroptions import (
    AsJson,
    CalibrationFile,
    CarFile,
    CarFrom,
    DragFile,
    Tare,
    Units,
    car_chooser,
    given_or_found,
    shown_in,
)

if TYPE_CHECKING:
    from undertray.report.display import Display
    from undertray.report.runlist import Session

__all__ = ["register"]

_MOST_CORRECTIONS = 8


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("sessions", short_help="List the runs of a folder, a line each.")(_sessions)


def _sessions(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the run logs are.")],
    car: CarFile = None,
    car_from: CarFrom = "log",
    calibration: CalibrationFile = None,
    tare: Tare = "none",
    drag: DragFile = None,
    sort: Annotated[
        str,
        typer.Option(
            "--sort",
            help="file, started, length, verdict, margin, suction, downforce, losses, warning, or a fact.",
        ),
    ] = "started",
    reverse: Annotated[bool, typer.Option("--reverse", help="Greatest first.")] = False,
    fact: Annotated[str, typer.Option("--fact", help="The fact that is shown.")] = "skirt",
    units: Units = None,
    as_json: AsJson = False,
    cached: Annotated[
        bool, typer.Option("--cache/--no-cache", help="Remember reductions in the user's cache folder.")
    ] = True,
) -> None:
    """List the runs of a folder with their facts and headline numbers.

    CSV files that are no run logs are left out, and that is said. With --drag a run whose suction held the
    car fast is "locked".

    Example: undertray sessions runs/ --car car.toml --sort margin --reverse
    """
    from undertray import Calibration
    from undertray.acquire.runfolder import find_runs
    from undertray.errors import escaped
    from undertray.predict.drag import read_drag
    from undertray.reduce.car import Car
    from undertray.report.runlist import (
        Memory,
        cache_folder,
        fingerprint,
        headline,
        list_sessions,
        once_each,
        sort_sessions,
    )
    from undertray.report.words import caution_line, few_names, grouped_notices, note_lines

    car, calibration = given_or_found([folder], car=car, calibration=calibration)
    choose = car_chooser(car, car_from)
    certificate = Calibration.from_json(calibration) if calibration is not None else None
    pulled = read_drag(drag) if drag is not None else None
    depends = fingerprint([file for file in (car, calibration, drag) if file is not None])
    depends += f"{tare} {car_from} {car.name if car else ''} {calibration is not None} {drag is not None}"
    memory = Memory(folder, depends, cache_folder() if cached else None)

    def reduce(path: Path) -> Mapping[str, Any]:
        from undertray import read_run, reduce_run
        from undertray.acquire.runfolder import drive_of
        from undertray.report.locked import judge_driven

        run = read_run(path)
        chosen = choose(run)
        said = (*chosen.notices, *map(str, run.corrections[-_MOST_CORRECTIONS:]))
        reduction = reduce_run(run, chosen.car, certificate, tare)
        verdict = judge_driven(reduction, chosen.car, pulled)
        return headline(reduction, run.facts, said, drive_of(run), verdict)

    count = len(find_runs(folder))
    found: list[Session] = []
    others: list[str] = []
    try:
        with typer.progressbar(
            list_sessions(folder, reduce, memory, others),
            length=count,
            label="reading",
            file=sys.stderr,
            hidden=count < 20 or not sys.stderr.isatty(),
        ) as shown:
            found.extend(shown)
    finally:
        memory.save()
    found = sort_sessions(once_each(found), sort, reverse)
    if as_json:
        print(json.dumps([one.as_dict() for one in found], allow_nan=False))
    else:
        _print(found, fact, shown_in(units, None if car is None else Car.from_toml(car)))
    if others:
        what = "1 file is no run log" if len(others) == 1 else f"{len(others)} files are no run logs"
        print(note_lines(f"{what}: {few_names(others)}"), file=sys.stderr)
    copied = [
        (copy, f"the same run as {escaped(one.file)}, listed once") for one in found for copy in one.copies
    ]
    said = [(one.file, notice) for one in found for notice in one.notices]
    for notice in grouped_notices([*copied, *said]):
        print(note_lines(notice), file=sys.stderr)
    print(caution_line(), file=sys.stderr)


def _print(found: list[Session], fact: str, units: Display) -> None:
    from undertray.reduce.warning import UNTOLD
    from undertray.report.comparewords import text_table
    from undertray.report.fallwords import losses_told

    heads = (
        "run",
        "started",
        fact,
        "length",
        "verdict",
        "least margin",
        "steady suction",
        "losses",
        "warning",
        "lost",
    )
    rows = [
        (
            one.file,
            one.started[:19].replace("T", " "),
            one.facts.get(fact, ""),
            "" if one.duration_s is None else f"{one.duration_s:.0f} s{', cut' if one.truncated else ''}",
            one.verdict if one.calibrated or one.duration_s is None else f"{one.verdict} (uncalibrated)",
            "" if one.least_margin_n is None else f"{units.n(one.least_margin_n, signed=True)} {one.axle}",
            "" if one.suction_pa is None else units.pa(one.suction_pa) + _weakest(one.throttles),
            "" if one.losses is None else losses_told(one.losses, one.brief_losses or 0),
            one.warning or "",
            "" if one.lost_rows is None else str(one.lost_rows),
        )
        for one in found
    ]
    for line in text_table(heads, rows):
        print(line)
    if any(one.truncated for one in found):
        print("cut: the run goes on where its log ends; 'undertray inspect' says why")
    for short, why in UNTOLD.items():
        if any(one.warning == short for one in found):
            print(f"{short}: {why}, no warning can be told")


def _weakest(throttles: int | None) -> str:
    return f" (weakest of {throttles})" if throttles and throttles > 1 else ""

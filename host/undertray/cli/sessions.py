"""``undertray sessions``."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from undertray.cli.taring import Tare

if TYPE_CHECKING:
    from undertray.report.display import Display
    from undertray.report.sessions import Session

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program.

    Parameters
    ----------
    app : typer.Typer
        The program.
    """
    app.command("sessions", short_help="List the runs of a folder, a line each.")(_sessions)


def _sessions(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the run logs are.")],
    car: Annotated[Path, typer.Option("--car", metavar="CAR.toml", help="The car.", show_default=False)],
    calibration: Annotated[
        Path | None, typer.Option("--calibration", metavar="FILE", help="The board's calibration.json.")
    ] = None,
    tare: Tare = "none",
    sort: Annotated[
        str,
        typer.Option(
            "--sort",
            help="file, started, length, verdict, margin, suction, downforce, losses, warning, or a fact.",
        ),
    ] = "started",
    reverse: Annotated[bool, typer.Option("--reverse", help="Greatest first.")] = False,
    fact: Annotated[str, typer.Option("--fact", help="The fact that is shown.")] = "skirt",
    units: Annotated[str, typer.Option("--units", help="si or us.")] = "si",
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON list and nothing else.")] = False,
    cached: Annotated[
        bool, typer.Option("--cache/--no-cache", help="Remember reductions in the user's cache folder.")
    ] = True,
) -> None:
    """List the runs of a folder with their facts and headline numbers.

    CSV files that are no run logs are left out, and that is said.

    Example: undertray sessions runs/ --car car.toml --sort margin --reverse
    """
    if units not in ("si", "us"):
        raise typer.BadParameter("si or us", param_hint="--units")
    from undertray import Calibration, Car
    from undertray.report.display import display
    from undertray.report.remember import Memory, cache_folder, fingerprint
    from undertray.report.sessions import find_runs, headline, list_sessions, sort_sessions
    from undertray.report.words import caution_line, few_names, note_lines

    the_car = Car.from_toml(car)
    certificate = Calibration.from_json(calibration) if calibration is not None else None
    depends = fingerprint([car] if calibration is None else [car, calibration]) + tare
    memory = Memory(folder, depends, cache_folder() if cached else None)

    def reduce(path: Path) -> Mapping[str, Any]:
        from undertray import read_run, reduce_run

        run = read_run(path)
        return headline(reduce_run(run, the_car, certificate, tare), run.facts)

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
    found = sort_sessions(found, sort, reverse)
    if as_json:
        print(json.dumps([one.as_dict() for one in found], allow_nan=False))
    else:
        _print(found, fact, display(units))
    if others:
        what = "1 file is no run log" if len(others) == 1 else f"{len(others)} files are no run logs"
        print(note_lines(f"{what}: {few_names(others)}"), file=sys.stderr)
    print(caution_line(), file=sys.stderr)


def _print(found: list[Session], fact: str, units: Display) -> None:
    from undertray.report.comparewords import text_table
    from undertray.report.margins import UNTOLD

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
            "" if one.losses is None else str(one.losses),
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

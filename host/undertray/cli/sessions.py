"""``undertray sessions``."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from undertray.cli.options import (
    AsJson,
    CalibrationFile,
    CarFile,
    CarFrom,
    DragFile,
    Tare,
    Units,
    setup,
    shown_in,
)
from undertray.cli.report import MakeReports, PageFile, make_reports, reports_go_with, write_linking

if TYPE_CHECKING:
    from undertray.report.display import Display
    from undertray.report.runlist import Session

__all__ = ["register"]

_MOST_CORRECTIONS = 8
_HEADS = (
    "run",
    "verdict",
    "least margin",
    "losses",
    "started",
    "steady suction",
    "length",
    "warning",
    "lost",
)
_WRAPPING = (1, 4)  # the verdict, and the fact that is shown behind the losses


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
    page: PageFile = None,
    reports: MakeReports = False,
    cached: Annotated[
        bool, typer.Option("--cache/--no-cache", help="Remember reductions in the user's cache folder.")
    ] = True,
) -> None:
    """List the runs of a folder with their facts and headline numbers.

    The page also has the history of each skirt, mounting by mounting.

    CSV files that are no run logs are left out, and that is said. With --drag a run whose suction held the
    car fast is "locked".

    Example: undertray sessions runs/ --car car.toml --sort margin --reverse
    """
    reports_go_with(page, reports)
    from undertray import read_run, reduce_run
    from undertray.acquire.runfolder import drive_of, find_runs
    from undertray.predict.drag import read_drag
    from undertray.report.runlist import (
        Memory,
        cache_folder,
        fingerprint,
        headline,
        list_sessions,
        once_each,
        sort_sessions,
    )
    from undertray.report.words import caution_line, note_lines

    given = setup([folder], car, car_from, calibration, tare)
    pulled = read_drag(drag) if drag is not None else None
    depends = fingerprint([file for file in (*given.files, drag) if file is not None])
    depends += f"{tare} {car_from} {given.files[0].name if given.files[0] else ''} "
    depends += f"{given.calibration is not None} {drag is not None}"
    memory = Memory(folder, depends, cache_folder() if cached else None)

    def reduce(path: Path) -> Mapping[str, Any]:
        from undertray.report.verdict import judge_driven

        run = read_run(path)
        chosen = given.choose(run)
        said = (*chosen.notices, *map(str, run.corrections[-_MOST_CORRECTIONS:]))
        reduction = reduce_run(run, chosen.car, given.calibration, tare)
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
    look = shown_in(units, given.car)
    if as_json:
        print(json.dumps([one.as_dict() for one in found], allow_nan=False))
    else:
        _print(found, fact, look)
    notices = _notices(found, others)
    for notice in notices:
        print(note_lines(notice), file=sys.stderr)
    if page is not None:
        from undertray.report.folderpage import folder_page

        if reports:
            logs = [folder / one.file for one in found if one.duration_s is not None]
            make_reports(logs, given, look, pulled)
        write_linking(page, folder_page(found, folder, page, fact, look, notices))
    print(caution_line(), file=sys.stderr)


def _notices(found: list[Session], others: list[str]) -> list[str]:
    """What a reader of the list has to know."""
    from undertray.errors import escaped
    from undertray.report.words import few_names, grouped_notices

    what = "1 file is not a run log" if len(others) == 1 else f"{len(others)} files are not run logs"
    copied = [
        (copy, f"the same run as {escaped(one.file)}, listed once") for one in found for copy in one.copies
    ]
    said = [(one.file, notice) for one in found for notice in one.notices]
    return [*([f"{what}: {few_names(others)}"] if others else []), *grouped_notices([*copied, *said])]


def _print(found: list[Session], fact: str, units: Display) -> None:
    from undertray.reduce.warning import UNTOLD
    from undertray.report.comparewords import least_width, text_table
    from undertray.report.runlist import summed
    from undertray.report.words import room, wrapped

    heads = [*_HEADS[:4], fact, *_HEADS[4:]]
    width, wide = room(1000), [_row(one, fact, units) for one in found]
    kept = len(heads)
    if least_width(heads, wide) <= width:
        lines = text_table(heads, wide, width)
    else:
        narrow = [_row(one, fact, units, narrow=True) for one in found]
        while kept > 2 and least_width(heads[:kept], [row[:kept] for row in narrow], _WRAPPING) > width:
            kept -= 1
        lines = text_table(heads[:kept], [row[:kept] for row in narrow], width, _WRAPPING)
    if found:
        print(wrapped(summed(found, units)), end="\n\n")
    for line in lines:
        print(line)
    if kept < len(heads):
        print(
            wrapped(
                f"no room here for: {', '.join(heads[kept:])} (a wider window, --json and --page have it)"
            )
        )
    if any(one.truncated for one in found):
        print("cut: the run goes on where its log ends; 'undertray inspect' says why")
    for short, why in UNTOLD.items():
        if any(one.warning == short for one in found):
            print(f"{short}: {why}, no warning time is known")


def _row(one: Session, fact: str, units: Display, narrow: bool = False) -> tuple[str, ...]:
    """What is shown of a run, what matters most first."""
    from undertray.report.words import losses_told

    sure = one.calibrated or one.duration_s is None
    least = "" if one.least_margin_n is None else units.n(one.least_margin_n, signed=True)
    cut = ", cut" if one.truncated else ""
    several = one.throttles is not None and one.throttles > 1 and not narrow
    return (
        one.file.removesuffix(".csv") if narrow else one.file,
        one.verdict if sure else f"{one.verdict} (uncalibrated)",
        f"{least} {(one.axle or '').removesuffix(' axle')}".strip(),
        "" if one.losses is None else losses_told(one.losses, one.brief_losses or 0),
        one.facts.get(fact, ""),
        one.started[5 if narrow else 0 : 16].replace("T", " "),
        ("" if one.suction_pa is None else units.pa(one.suction_pa))
        + (f" (weakest of {one.throttles})" if several else ""),
        "" if one.duration_s is None else f"{one.duration_s:.0f} s{cut}",
        one.warning or "",
        "" if one.lost_rows is None else str(one.lost_rows),
    )

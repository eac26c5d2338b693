"""``undertray compare``."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from undertray.cli.options import (
    AsJson,
    CalibrationFile,
    CarFile,
    CarFrom,
    DragFile,
    PicturesFolder,
    Setup,
    Tare,
    Units,
    asked,
    setup,
    shown_in,
)
from undertray.cli.report import MakeReports, PageFile, make_reports, reports_go_with, write_linking
from undertray.cli.streams import draw_into

if TYPE_CHECKING:
    from undertray.errors import UndertrayError
    from undertray.predict.drag import Drag
    from undertray.report.comparedrun import Taken

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("compare", short_help="Compare skirts, gaps or packs at the same throttle.")(_compare)


def _compare(
    runs: Annotated[list[Path], typer.Argument(metavar="RUN.csv...", help="Run logs, two or more.")],
    car: CarFile = None,
    car_from: CarFrom = "log",
    by: Annotated[str, typer.Option("--by", help="The fact to group by: skirt, gap, pack, ...")] = "skirt",
    against: Annotated[
        str | None,
        typer.Option("--against", help="The group to compare with; that of the first run if left out."),
    ] = None,
    calibration: CalibrationFile = None,
    tare: Tare = "none",
    drag: DragFile = None,
    plan: Annotated[
        str | None,
        typer.Option("--plan", metavar="FORCE", help="How many mountings a difference of '3 N' takes."),
    ] = None,
    units: Units = None,
    as_json: AsJson = False,
    pictures: PicturesFolder = None,
    page: PageFile = None,
    reports: MakeReports = False,
) -> None:
    """Compare skirts, gaps or packs at the same throttle, and say whether the difference is more than noise.

    The unit is the mounting (record --mounting): with one mounting of each there is no claim, only the
    difference and how many mountings it takes. Take turns: A B B A.

    A log that cannot be read or judged, or does not say the fact, is left out, and that is said.

    Example: undertray compare brush1.csv brush2.csv foam1.csv foam2.csv --car car.toml --by skirt
    """
    reports_go_with(page, reports)
    from dataclasses import replace

    from undertray.predict.drag import read_drag
    from undertray.report.comparedrun import once_each
    from undertray.report.comparewords import comparison_picture, comparison_words
    from undertray.report.comparison import compare
    from undertray.report.words import caution_line, few_names, note_lines, room

    span = "a force above 0, such as '3 N'"
    plan_n = None if plan is None else asked(plan, "N", "--plan", 0, 1e6, span, above=True, bare=False)
    given = setup(runs, car, car_from, calibration, tare)
    pulled = read_drag(drag) if drag is not None else None
    taken, left_out = _taken(runs, given, by, pulled)
    if not taken:
        raise left_out[0][1]
    for _, why in left_out:
        print(note_lines(f"left out: {why}"), file=sys.stderr)
    notices = [f"left out: {few_names([path.name for path, _ in left_out])}"] if left_out else []
    kept, said = once_each(taken, by)
    notices += said
    found = compare([one.digest for one in kept], by, against, plan_n)
    found = replace(found, notices=(*found.notices, *notices))
    shown = shown_in(units, kept[0].car)
    if as_json:
        print(json.dumps(found.as_dict(), allow_nan=False))
        for notice in notices[bool(left_out) :]:  # in words they stand below the table
            print(note_lines(notice), file=sys.stderr)
    else:
        for line in comparison_words(found, shown, room()):
            print(line)
    print(caution_line(), file=sys.stderr)
    if pictures is not None:
        draw_into(pictures, comparison_picture(found, shown))
    if page is not None:
        from undertray.report.folderpage import comparison_page

        if reports:
            make_reports([Path(one.log) for one in kept], given, shown, pulled)
        write_linking(page, comparison_page(found, kept, page, shown))


def _taken(
    runs: list[Path], given: Setup, by: str, drag: Drag | None
) -> tuple[list[Taken], list[tuple[Path, UndertrayError]]]:
    """The logs that can be compared, and the others with the reason."""
    from undertray.acquire.runlog import read_run
    from undertray.errors import UndertrayError
    from undertray.report.comparedrun import take

    taken, left_out = [], []
    with typer.progressbar(
        runs, label="reducing", file=sys.stderr, hidden=len(runs) < 8 or not sys.stderr.isatty()
    ) as shown:
        for path in shown:
            try:
                run = read_run(path)
                taken.append(take(str(path), run, given.choose(run), given.calibration, given.tare, by, drag))
            except UndertrayError as error:
                left_out.append((path, error))
    return taken, left_out

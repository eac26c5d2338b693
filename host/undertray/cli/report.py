"""``undertray report``."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from undertray.cli.options import (
    CalibrationFile,
    CarFile,
    CarFrom,
    Setup,
    Tare,
    Units,
    one_of,
    setup,
    shown_in,
)

if TYPE_CHECKING:
    from undertray.acquire.runlog import Run
    from undertray.predict.drag import Drag
    from undertray.reduce.runcar import RunCar
    from undertray.reduce.summary import Reduction
    from undertray.report.display import Display
    from undertray.report.sheet import Sheet

__all__ = ["MakeReports", "PageFile", "make_reports", "register", "reports_go_with", "write_linking"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("report")(_report)


PageFile = Annotated[
    Path | None,
    typer.Option(
        "--page", metavar="OUT.html", help="Write it as a page as well; it leads to the reports of the runs."
    ),
]
MakeReports = Annotated[
    bool,
    typer.Option("--reports", help="With --page: make reports that are missing, or older, beside the logs."),
]


def make_reports(logs: list[Path], given: Setup, units: Display, drag: Drag | None = None) -> None:
    """Make the reports that are missing beside some logs, or older than they are."""
    from undertray import read_run
    from undertray.report.folderpage import lacking_reports, write_report

    lacking = lacking_reports(logs)
    with typer.progressbar(
        lacking, label="reports", file=sys.stderr, hidden=len(lacking) < 4 or not sys.stderr.isatty()
    ) as shown:
        for log in shown:
            run = read_run(log)
            car, reduction = given.reduce(run)
            write_report(log, run, reduction, car, given.calibration, units, drag)
    if lacking:
        print(f"reports: {len(lacking)} made, beside their logs", file=sys.stderr)


def reports_go_with(page: Path | None, reports: bool) -> None:
    """Reports are made for a page that leads to them."""
    if reports and page is None:
        raise typer.BadParameter("goes with --page OUT.html", param_hint="--reports")


def write_linking(page: Path, html: str) -> None:
    """Write a page that leads to reports, and say so."""
    from undertray.report.page import write_page

    write_page(html, page)
    print(f"page: {page}", file=sys.stderr)


def _report(
    runs: Annotated[list[Path], typer.Argument(metavar="RUN.csv...", help="Run logs, one or more.")],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="The page to write, replaced if it is there; RUN.html beside the log if left out.",
        ),
    ] = None,
    car: CarFile = None,
    car_from: CarFrom = "log",
    calibration: CalibrationFile = None,
    units: Units = None,
    pictures: Annotated[
        Path | None,
        typer.Option(
            "--pictures", metavar="FOLDER", help="Folder for every picture as SVG and its numbers as CSV."
        ),
    ] = None,
    reference: Annotated[
        Path | None,
        typer.Option("--reference", help="What 'undertray reference' wrote, for the seal index."),
    ] = None,
    tare: Tare = "none",
    pulls: Annotated[
        Path | None, typer.Option("--pulls", help="Pulls of a balance in the run, as for force-check.")
    ] = None,
    hanging: Annotated[
        bool, typer.Option("--hanging", help="With --pulls: it hung, and was pulled down.")
    ] = False,
    drag: Annotated[
        Path | None, typer.Option("--drag", help="What 'undertray pull-test' wrote: grip, window.")
    ] = None,
    title: Annotated[str | None, typer.Option("--title", help="Heading of the page.")] = None,
    other: Annotated[
        Path | None, typer.Option("--with", metavar="OTHER.csv", help="Lay another run over this one.")
    ] = None,
    align: Annotated[
        str,
        typer.Option(
            metavar="start|onset",
            callback=one_of("start", "onset"),
            help="With --with: from the throttle going up, or from the first loss.",
        ),
    ] = "start",
) -> None:
    """Write a page that says whether the car holds, and why.

    One HTML file that needs nothing but itself: it opens from a memory stick and prints on A4 and Letter.

    Example: undertray report run1.csv --car car.toml --calibration calibration.json --out run1.html
    """
    if len(runs) != 1:
        _refuse_of_one_run({"--pulls": pulls, "--with": other}, out)
    from dataclasses import replace

    from undertray import read_run, reduce_run
    from undertray.predict.drag import read_drag, with_drag
    from undertray.predict.drivable import Windows
    from undertray.reduce.fan import FanReference
    from undertray.reduce.forcecheck import force_check
    from undertray.reduce.pulls import read_pulls
    from undertray.report.folderpage import report_of
    from undertray.report.overlay import overlay
    from undertray.report.page import render_page, write_page
    from undertray.report.picture import write_pictures
    from undertray.report.pullpicture import force_picture
    from undertray.report.sheet import make_sheet
    from undertray.report.words import note_lines

    given = setup(runs, car, car_from, calibration, tare)
    good = FanReference.from_json(reference) if reference is not None else None
    pulled = read_drag(drag) if drag is not None else None
    sheets: list[Sheet] = []
    cars: list[RunCar] = []

    def reduced(path: Path) -> tuple[Run, RunCar, Reduction]:
        run = read_run(path)
        chosen = given.choose(run)
        cars.append(chosen)
        return run, chosen, chosen.told(reduce_run(run, chosen.car, given.calibration, tare, good))

    for path in runs:
        run, chosen, reduction = reduced(path)
        if pulled is not None:
            reduction = with_drag(reduction, chosen.car, pulled)
        windows = Windows.of(chosen.car, pulled, reduction, good) if pulled is not None else None
        shown = shown_in(units, chosen.car)
        sheet = make_sheet(reduction, chosen.car, run, given.calibration, shown, good, windows)
        if pulls is not None:
            checked = force_check(reduction, chosen.car, read_pulls(pulls), hanging)
            sheet = replace(sheet, steady=[*sheet.steady, force_picture(checked, shown)])
        if other is not None:
            sheet = replace(sheet, beside=overlay(reduction, reduced(other)[2], align, shown))
        sheets.append(sheet)
    page = out or report_of(runs[0])
    write_page(render_page(sheets, title or cars[0].car.name), page)
    for notice in dict.fromkeys(notice for chosen in cars for notice in chosen.notices):
        print(note_lines(notice), file=sys.stderr)
    _tell(runs, sheets, page, {"--car": car, "--calibration": calibration})
    if pictures is not None:
        for place, sheet in enumerate(sheets):
            folder = pictures if len(sheets) == 1 else pictures / f"run-{place + 1}"
            write_pictures(list(sheet.pictures()), folder)
        print(f"pictures: {pictures}")


def _refuse_of_one_run(options: dict[str, Path | None], out: Path | None) -> None:
    """Refuse what goes with one run only, and a page of several without a name."""
    for option, file in options.items():
        if file is not None:
            raise typer.BadParameter("goes with one run", param_hint=option)
    if out is None:
        raise typer.BadParameter("a page of several runs needs its name: --out PAGE.html", param_hint="--out")


def _tell(runs: Sequence[Path], sheets: Sequence[Sheet], page: Path, given: dict[str, Path | None]) -> None:
    """Say what is on the page, where it is, and what comes next."""
    from undertray.report.words import caution_line, wrapped

    for path, sheet in zip(runs, sheets, strict=True):
        print(wrapped(f"{path.name}: {sheet.verdict.text}" if len(runs) > 1 else sheet.verdict.text))
    print(f"page: {page}")
    files = [word for option, file in given.items() if file is not None for word in (option, file)]
    words = ["undertray", "reduce" if len(runs) == 1 else "compare", *runs, *files]
    print(f"next: {' '.join(shlex.quote(str(word)) for word in words)}")
    print(caution_line(), file=sys.stderr)

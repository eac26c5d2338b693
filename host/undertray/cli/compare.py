"""``undertray compare``."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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
    same_run,
    shown_in,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from undertray.acquire.runfolder import Drive
    from undertray.acquire.runlog import Run
    from undertray.calibrate.calibration import Calibration
    from undertray.predict.drag import Drag
    from undertray.reduce.car import Car
    from undertray.reduce.runcar import RunCar
    from undertray.report.comparedrun import Digest

__all__ = ["register"]

_MOST_CORRECTIONS = 8


@dataclass(frozen=True, slots=True)
class _Taken:
    """A log that was read and reduced."""

    path: Path
    digest: Digest
    drive: Drive
    car: Car
    notices: tuple[str, ...]
    foreign: bool


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
    pictures: Annotated[
        Path | None,
        typer.Option("--pictures", metavar="FOLDER", help="Draw it as SVG, with its numbers as CSV."),
    ] = None,
) -> None:
    """Compare skirts, gaps or packs at the same throttle, and say whether the difference is more than noise.

    The unit is the mounting (record --mounting): with one mounting of each there is no claim, only the
    difference and how many mountings it takes. Take turns: A B B A.

    A log that cannot be read or judged, or does not say the fact, is left out, and that is said. With --drag
    runs whose suction held the car fast count as "locked".

    Example: undertray compare brush1.csv brush2.csv foam1.csv foam2.csv --car car.toml --by skirt
    """
    from dataclasses import replace

    from undertray.calibrate.calibration import Calibration
    from undertray.errors import UndertrayError
    from undertray.predict.drag import read_drag
    from undertray.reduce.runcar import differing_cars
    from undertray.report.comparepicture import comparison_picture
    from undertray.report.comparewords import comparison_words
    from undertray.report.comparison import compare
    from undertray.report.picture import write_pictures
    from undertray.report.words import caution_line, few_names, grouped_notices, note_lines

    car, calibration = given_or_found(runs, car=car, calibration=calibration)
    choose = car_chooser(car, car_from)
    certificate = Calibration.from_json(calibration) if calibration is not None else None
    pulled = read_drag(drag) if drag is not None else None
    taken: list[_Taken] = []
    left_out = []
    with typer.progressbar(
        runs, label="reducing", file=sys.stderr, hidden=len(runs) < 8 or not sys.stderr.isatty()
    ) as shown:
        for path in shown:
            try:
                taken.append(_take(path, by, choose, certificate, tare, pulled))
            except UndertrayError as error:
                left_out.append((path, error))
    for _, why in left_out:
        print(note_lines(f"left out: {why}"), file=sys.stderr)
    notices = [f"left out: {few_names([path.name for path, _ in left_out])}"] if left_out else []
    kept, copies = _once_each(taken, by)
    foreign = few_names([one.path.name for one in kept if one.foreign])
    notices += [f"the calibration was made on another board than {foreign}"] if foreign else []
    notices += copies + grouped_notices((one.path.name, notice) for one in kept for notice in one.notices)
    notices += differing_cars([(one.path.name, one.car) for one in kept])
    for notice in notices[bool(left_out) :]:
        print(note_lines(notice), file=sys.stderr)
    if left_out and not kept:
        raise left_out[0][1]
    digests = sorted((one.digest for one in kept), key=lambda one: one.started)
    found = compare(digests, by, against, _newtons(plan))
    found = replace(found, notices=(*found.notices, *notices))
    if as_json:
        print(json.dumps(found.as_dict(), allow_nan=False))
    else:
        for line in comparison_words(found, shown_in(units, kept[0].car)):
            print(line)
    print(caution_line(), file=sys.stderr)
    if pictures is not None:
        write_pictures([comparison_picture(found, shown_in(units, kept[0].car))], pictures)
        print(f"pictures: {pictures}", file=sys.stderr)


def _take(
    path: Path,
    by: str,
    choose: Callable[[Run], RunCar],
    certificate: Calibration | None,
    tare: str,
    pulled: Drag | None,
) -> _Taken:
    """Read and reduce a log."""
    from undertray import read_run, reduce_run
    from undertray.acquire.runfolder import drive_of
    from undertray.report.comparedrun import digest
    from undertray.report.locked import judge_driven

    run = read_run(path)
    chosen = choose(run)
    reduction = reduce_run(run, chosen.car, certificate, tare)
    found = digest(reduction, run.facts, by, judge_driven(reduction, chosen.car, pulled))
    said = (*chosen.notices, *(str(one) for one in run.corrections[-_MOST_CORRECTIONS:] if one.fact == by))
    other = bool(certificate and certificate.foreign_to(run.device))
    return _Taken(path, found, drive_of(run), chosen.car, said, other)


def _newtons(plan: str | None) -> float | None:
    from undertray.units import quantity

    if plan is None:
        return None
    value = quantity(plan, "N", "--plan", bare=False)
    if not 0 < value <= 1e6:
        raise typer.BadParameter("a force above 0, such as '3 N'", param_hint="--plan")
    return value


def _once_each(taken: list[_Taken], by: str) -> tuple[list[_Taken], list[str]]:
    """The logs that count, and what is said of those that hold the same runs."""
    from undertray.acquire.runfolder import counted_once

    stands = [taken[i] for i in counted_once([one.drive for one in taken])]
    pairs = list(zip(taken, stands, strict=True))
    kept = [copy for copy, one in pairs if copy is one]
    return kept, [_same_run(copy, one, by) for copy, one in pairs if copy is not one]


def _same_run(copy: _Taken, one: _Taken, by: str) -> str:
    """Say that a log counts with another; the fact that the runs are grouped by may be another in it."""
    from undertray.errors import quoted

    if copy.path == one.path:
        return f"{quoted(str(one.path), 200)} was given more than once: it counts once"
    said = same_run(copy.path, one.path)
    if copy.digest.value != one.digest.value:
        said += f" and says {by} {quoted(copy.digest.value)} instead of {quoted(one.digest.value)}"
    return f"{said}: it counts once, as the latter"

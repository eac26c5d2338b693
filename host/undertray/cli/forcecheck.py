"""``undertray force-check``."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from undertray.cli.caroptions import (
    AsJson,
    CalibrationFile,
    CarFile,
    CarFrom,
    Tare,
    Units,
    car_chooser,
    given_or_found,
    shown_in,
)

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("force-check", short_help="Compare computed force with pulls of a spring balance.")(_check)


def _check(
    run: Annotated[Path, typer.Argument(metavar="RUN.csv", help="The run log.", show_default=False)],
    pulls: Annotated[Path, typer.Option("--pulls", help="What was read: at_s,pull_n or throttle_us,pull_n.")],
    car: CarFile = None,
    car_from: CarFrom = "log",
    calibration: CalibrationFile = None,
    tare: Tare = "none",
    hanging: Annotated[
        bool, typer.Option("--hanging", help="It hung and was pulled down; else it stood and was pulled up.")
    ] = False,
    balance_percent: Annotated[
        float, typer.Option(help="Half width of the balance's error, % of its reading.")
    ] = 2.0,
    units: Units = None,
    as_json: AsJson = False,
    pictures: Annotated[
        Path | None,
        typer.Option("--pictures", metavar="FOLDER", help="Draw it as SVG, with its numbers as CSV."),
    ] = None,
) -> None:
    """Compare the computed force with what a spring balance read as the car came off; correct nothing.

    Hook the balance over the middle of the car, pull square to the surface, slowly, at a few throttles, and
    note the largest reading and the time in the log. Keep fingers, hair and the balance's hook away from fans
    and skirts, wear eye protection, and stand so that nothing hits you when it lets go.

    Example: undertray force-check run.csv --pulls pulls.csv --car car.toml --calibration calibration.json
    """
    if not 0 <= balance_percent <= 50:
        raise typer.BadParameter("0 to 50", param_hint="--balance-percent")
    from undertray import Calibration, read_run, reduce_run
    from undertray.reduce.pulloff import force_check
    from undertray.reduce.pulls import read_pulls
    from undertray.reduce.summary import plain
    from undertray.report.forcepicture import force_picture, force_words
    from undertray.report.picture import write_pictures
    from undertray.report.words import caution_line, note_lines, wrapped

    car, calibration = given_or_found([run], car=car, calibration=calibration)
    choose = car_chooser(car, car_from)
    certificate = Calibration.from_json(calibration) if calibration is not None else None
    readings = read_pulls(pulls)
    log = read_run(run)
    chosen = choose(log)
    reduction = chosen.told(reduce_run(log, chosen.car, certificate, tare))
    found = force_check(reduction, chosen.car, readings, hanging, balance_percent)
    if as_json:
        print(json.dumps({"format": 1, **plain(found)}, allow_nan=False))
    else:
        for line in force_words(found, shown_in(units, chosen.car)):
            print(wrapped(line))
    for notice in reduction.notices:
        print(note_lines(notice), file=sys.stderr)
    print(caution_line(), file=sys.stderr)
    if pictures is not None:
        write_pictures([force_picture(found, shown_in(units, chosen.car))], pictures)
        print(f"pictures: {pictures}", file=sys.stderr)

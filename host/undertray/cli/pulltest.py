"""``undertray pull-test``."""

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
    app.command("pull-test", short_help="Drag and share of the skirt from pulls of a spring balance.")(_test)


def _test(
    run: Annotated[Path, typer.Argument(metavar="RUN.csv", help="The run log.", show_default=False)],
    pulls: Annotated[Path, typer.Option("--pulls", help="What was read: throttle_us,kind,wheels,pull_n.")],
    car: CarFile = None,
    car_from: CarFrom = "log",
    calibration: CalibrationFile = None,
    tare: Tare = "none",
    balance_percent: Annotated[
        float, typer.Option(help="Half width of the balance's error, % of its reading, the same in all.")
    ] = 2.0,
    step: Annotated[
        str, typer.Option(help="What the balance is read to: '0.05 N', '10 g', '0.01 lb'.")
    ] = "0.05 N",
    repeat_percent: Annotated[
        float, typer.Option(help="How well a pull repeats, %: for pulls too few to show it themselves.")
    ] = 4.0,
    units: Units = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Keep it for 'reduce', 'report' and 'window'."),
    ] = None,
    as_json: AsJson = False,
    pictures: Annotated[
        Path | None,
        typer.Option("--pictures", metavar="FOLDER", help="Draw it as SVG, with its numbers as CSV."),
    ] = None,
) -> None:
    """Find drag, friction and what the skirt carries from pulls along level ground with the fans running.

    A line a pull: at_s or throttle_us, kind (breakaway: just moves; moving: keeps it moving), wheels (free,
    locked; none for the skirt alone, with load_n and no throttle) and the reading: pull_n, pull_lbf, pull_kg
    or such. Pull with the fans off, and at two throttles or more, twice each. Pull level, at the height of
    the axles, with a line as long as you are tall; wear eye protection, keep hands and hair off the fans.

    Example: undertray pull-test run.csv --pulls pulls.csv --calibration calibration.json --out drag.json
    """
    for name, value in (("--balance-percent", balance_percent), ("--repeat-percent", repeat_percent)):
        if not 0 <= value <= 50:
            raise typer.BadParameter("0 to 50", param_hint=name)
    from undertray import Calibration, read_run, reduce_run
    from undertray.predict.drag import pulled_drag, pulled_suctions, write_drag
    from undertray.predict.pullfit import Balance
    from undertray.reduce.pulls import read_pulls
    from undertray.reduce.summary import plain
    from undertray.report.dragpicture import drag_picture, drag_words
    from undertray.report.picture import write_pictures
    from undertray.report.words import caution_line, note_lines, wrapped

    car, calibration = given_or_found([run], car=car, calibration=calibration)
    choose = car_chooser(car, car_from)
    certificate = Calibration.from_json(calibration) if calibration is not None else None
    readings = read_pulls(pulls)
    balance = Balance(balance_percent, _step_n(step), repeat_percent)
    log = read_run(run)
    chosen = choose(log)
    reduction = chosen.told(reduce_run(log, chosen.car, certificate, tare))
    found = pulled_drag(reduction, chosen.car, readings, balance)
    if as_json:
        print(json.dumps({"format": 1, **plain(found)}, allow_nan=False))
    else:
        for line in drag_words(found, shown_in(units, chosen.car)):
            print(wrapped(line))
    for notice in (*reduction.notices, *found.notices):
        print(note_lines(notice), file=sys.stderr)
    print(caution_line(), file=sys.stderr)
    if out is not None:
        write_drag(found, out)
        print(f"drag: {out}", file=sys.stderr)
    if pictures is not None:
        write_pictures(
            [drag_picture(found, pulled_suctions(reduction, readings), shown_in(units, chosen.car))], pictures
        )
        print(f"pictures: {pictures}", file=sys.stderr)


def _step_n(text: str) -> float:
    from undertray.units import G_N_M_S2, UnitError, quantity

    try:
        value = quantity(text, "kg", "--step", bare=False) * G_N_M_S2
    except UnitError as error:
        raise typer.BadParameter(str(error), param_hint="--step") from error
    if not 1e-4 <= value <= 100:
        raise typer.BadParameter("0.0001 to 100 N", param_hint="--step")
    return value

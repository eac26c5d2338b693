"""``undertray axles``."""

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
    app.command("axles", short_help="Which axle is the weaker, where it leaks, what a duct would move.")(
        _axles
    )


def _axles(
    run: Annotated[Path, typer.Argument(metavar="RUN.csv", help="The run log.", show_default=False)],
    car: CarFile = None,
    car_from: CarFrom = "log",
    calibration: CalibrationFile = None,
    tare: Tare = "none",
    duct: Annotated[
        str | None,
        typer.Option(help="Area of a duct between front and rear: '200 mm2', '2 cm2', '0.3 in2'."),
    ] = None,
    units: Units = None,
    as_json: AsJson = False,
) -> None:
    """Say which axle is the weaker and by how much, where the floor leaks, and what a duct would move.

    From the steady part of a run. What the taps do not tell is said to be so, with how open it is.

    Example: undertray axles run.csv --calibration calibration.json --duct "200 mm2"
    """
    area_mm2 = None if duct is None else _area_mm2(duct)
    from undertray import Calibration, read_run, reduce_run
    from undertray.predict.axles import axles_of
    from undertray.reduce.summary import plain
    from undertray.report.axlewords import axle_words
    from undertray.report.words import caution_line, note_lines, wrapped

    car, calibration = given_or_found([run], car=car, calibration=calibration)
    choose = car_chooser(car, car_from)
    certificate = Calibration.from_json(calibration) if calibration is not None else None
    log = read_run(run)
    chosen = choose(log)
    reduction = chosen.told(reduce_run(log, chosen.car, certificate, tare))
    found = axles_of(reduction, chosen.car, area_mm2)
    if as_json:
        print(json.dumps({"format": 1, **plain(found)}, allow_nan=False))
    else:
        for line in axle_words(found, shown_in(units, chosen.car)):
            print(wrapped(line, "  "))
    for notice in reduction.notices:
        print(note_lines(notice), file=sys.stderr)
    print(caution_line(), file=sys.stderr)


def _area_mm2(text: str) -> float:
    from undertray.units import UnitError, quantity

    try:
        value = quantity(text, "mm2", "--duct", bare=False)
    except UnitError as error:
        raise typer.BadParameter(str(error), param_hint="--duct") from error
    if not 1 <= value <= 1e6:
        raise typer.BadParameter("1 to 1,000,000 mm2", param_hint="--duct")
    return value

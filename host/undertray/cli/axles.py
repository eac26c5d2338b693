"""``undertray axles``."""

from __future__ import annotations

from typing import Annotated

import typer

from undertray.cli.options import (
    AsJson,
    CalibrationFile,
    CarFile,
    CarFrom,
    RunFile,
    Tare,
    Units,
    asked,
    setup,
    shown_in,
)
from undertray.cli.streams import print_answer

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("axles", short_help="Tell the weaker axle, where it leaks, what a duct moves.")(_axles)


def _axles(
    run: RunFile,
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
    area_mm2 = (
        None if duct is None else asked(duct, "mm2", "--duct", 1, 1e6, "1 to 1,000,000 mm2", bare=False)
    )
    from undertray import read_run
    from undertray.predict.axles import axles_of
    from undertray.report.forecastwords import axle_words
    from undertray.report.words import room

    given = setup([run], car, car_from, calibration, tare)
    its_car, reduction = given.reduce(read_run(run))
    found = axles_of(reduction, its_car, area_mm2)
    shown = shown_in(units, its_car)
    print_answer(found, axle_words(found, shown, room()), reduction.notices, shown, as_json, "  ")

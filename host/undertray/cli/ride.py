"""``undertray ride``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from undertray.cli.options import (
    AsJson,
    CalibrationFile,
    CarFile,
    CarFrom,
    Setup,
    Tare,
    Units,
    asked,
    setup,
    shown_in,
)
from undertray.cli.streams import print_answer

if TYPE_CHECKING:
    from undertray.predict.axleloads import AxleLoads
    from undertray.predict.rideheight import Feeler
    from undertray.reduce.car import Car

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("ride", short_help="Sink on the springs, gap that remains, where it bottoms.")(_ride)


def _ride(
    run: Annotated[
        Path | None,
        typer.Argument(metavar="RUN.csv", help="The run log; or --suction.", show_default=False),
    ] = None,
    car: CarFile = None,
    car_from: CarFrom = "log",
    calibration: CalibrationFile = None,
    tare: Tare = "none",
    suction: Annotated[
        list[str] | None,
        typer.Option(
            "--suction", help="An even suction instead of a run: '900 Pa', '3.5 inH2O'; may repeat."
        ),
    ] = None,
    angle: Annotated[
        float | None, typer.Option("--angle", min=0, max=180, help="Surface, degrees; else the car's.")
    ] = None,
    keep: Annotated[
        str, typer.Option("--keep", help="Gap to remain at each axle at the highest suction: mm, '0.02 in'.")
    ] = "0 mm",
    feelers: Annotated[
        Path | None,
        typer.Option("--feelers", metavar="FILE", help="Gaps read: throttle_us,axle,gap_mm; also gap_in."),
    ] = None,
    feeler: Annotated[
        list[str] | None, typer.Option("--feeler", help="One gap read: '1600,front,1.2 mm'; may repeat.")
    ] = None,
    feeler_within: Annotated[
        str, typer.Option("--feeler-within", help="Half of the width that those are known within.")
    ] = "0.05 mm",
    correct: Annotated[
        bool, typer.Option("--correct", help="Go on with the rates that those gaps ask for.")
    ] = False,
    units: Units = None,
    as_json: AsJson = False,
) -> None:
    """Say how far suction pulls the car down on its springs, and what gap, travel and skirt force remain.

    The car file needs [ride]: rates and static clearances; wiring/car.md says how to measure them. Gaps are
    read with the fans on: never with fingers, by a gauge on a long handle, from the side, eyes protected.

    Example: undertray ride run.csv --car car.toml --calibration calibration.json --feeler "1600,front,1.2 mm"
    """
    if (run is None) == (not suction):
        raise typer.BadParameter("a run log, or --suction, and not both", param_hint="RUN.csv")
    from undertray.predict.rideheight import feeler_of, read_feelers, ride
    from undertray.report.forecastwords import ride_words
    from undertray.report.words import room

    keep_mm = asked(keep, "mm", "--keep", 0, 200)
    within_mm = asked(feeler_within, "mm", "--feeler-within", 0, 200)
    readings: list[Feeler] = list(read_feelers(feelers)) if feelers is not None else []
    readings += [feeler_of(text, "--feeler") for text in feeler or ()]
    if correct and not readings:
        raise typer.BadParameter("needs gaps that were read: --feelers or --feeler", param_hint="--correct")
    given = setup([] if run is None else [run], car, car_from, calibration, tare)
    its_car, loads, notices = (
        _even(given.car, suction or [], angle) if run is None else _measured(run, given, angle)
    )
    found = ride(its_car, loads, keep_mm, readings, within_mm, correct)
    shown = shown_in(units, its_car)
    print_answer(found, ride_words(found, shown, room()), notices, shown, as_json, "    ")


def _turned(car: Car, angle: float | None) -> Car:
    from dataclasses import replace

    return car if angle is None else replace(car, surface_angle_deg=angle)


def _even(car: Car | None, suctions: list[str], angle: float | None) -> tuple[Car, AxleLoads, list[str]]:
    from undertray.predict.axleloads import even_loads

    if car is None:
        raise typer.BadParameter("needs the car: --car CAR.toml", param_hint="--suction")
    span = "above 0 and up to 100 kPa"
    levels_pa = [asked(text, "Pa", "--suction", 0, 1e5, span, above=True, bare=False) for text in suctions]
    car = _turned(car, angle)
    said = "an even suction under the whole floor: how uneven it is, is in no interval; a run says more"
    return car, even_loads(car, levels_pa), [said]


def _measured(run: Path, given: Setup, angle: float | None) -> tuple[Car, AxleLoads, list[str]]:
    from undertray import read_run, reduce_run
    from undertray.predict.axleloads import measured_loads

    log = read_run(run)
    chosen = given.choose(log)
    car = _turned(chosen.car, angle)
    reduction = chosen.told(reduce_run(log, car, given.calibration, given.tare))
    loads = measured_loads(reduction)
    notices = list(reduction.notices)
    if not loads.known:
        notices.append("uncalibrated: how far off the loads may be is in no interval, only the springs'")
    return car, loads, notices

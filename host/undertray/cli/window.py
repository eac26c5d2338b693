"""``undertray window``."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

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
    shown_in,
)

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("window", short_help="Suctions and throttles between falling and being held fast.")(_window)


def _window(
    runs: Annotated[
        list[Path] | None,
        typer.Argument(metavar="RUN.csv...", help="Runs: where were they?", show_default=False),
    ] = None,
    car: CarFile = None,
    car_from: CarFrom = "log",
    drag: DragFile = None,
    reference: Annotated[
        Path | None,
        typer.Option("--reference", metavar="FILE", help="What 'undertray reference' wrote: the throttles."),
    ] = None,
    angle: Annotated[
        list[float] | None, typer.Option("--angle", help="Angle of the surface, degrees; may repeat.")
    ] = None,
    calibration: CalibrationFile = None,
    tare: Tare = "none",
    units: Units = None,
    as_json: AsJson = False,
    pictures: Annotated[
        Path | None,
        typer.Option("--pictures", metavar="FOLDER", help="Draw it as SVG, with its numbers as CSV."),
    ] = None,
) -> None:
    """Say between which suctions a car holds and drives: on the ground, a wall, upside down, at any angle.

    Below the lower end it falls, by each axle; above the upper end its driven wheels, or its motor where
    car.toml has drive_force, cannot overcome the drag of the skirt. The upper end needs --drag. Of several
    runs the ends are those of the first; where each was, is by its own suction and car.

    Example: undertray window run.csv --drag drag.json --calibration calibration.json
    """
    car, calibration = given_or_found(runs or (), car=car, calibration=calibration)
    _check(bool(runs) or car is not None, angle or ())
    from undertray import Calibration, read_run, reduce_run
    from undertray.errors import escaped
    from undertray.predict.drag import read_drag
    from undertray.predict.drivable import Windows, whereabouts
    from undertray.reduce.car import Car
    from undertray.reduce.fan import FanReference
    from undertray.reduce.summary import plain
    from undertray.report.picture import write_pictures
    from undertray.report.windowpicture import place_words, window_picture, window_words
    from undertray.report.words import caution_line, note_lines, wrapped

    certificate = Calibration.from_json(calibration) if calibration is not None else None
    pulled = read_drag(drag) if drag is not None else None
    fans = FanReference.from_json(reference) if reference is not None else None
    choose = car_chooser(car, car_from)
    reduced = []
    for path in runs or ():
        log = read_run(path)
        chosen = choose(log)
        reduced.append((chosen.told(reduce_run(log, chosen.car, certificate, tare)), chosen.car))
    if reduced:
        sets = [Windows.of(its_car, pulled, one, fans) for one, its_car in reduced]
    else:
        assert car is not None
        sets = [Windows.of(Car.from_toml(car), pulled, None, fans)]
    found, angle_deg = sets[0], sets[0].car.surface_angle_deg
    wanted = sorted({0.0, 90.0, 180.0, angle_deg, *(angle or ())})
    windows = [found.at(one) for one in wanted]
    places = [
        whereabouts(one, own.at(own.car.surface_angle_deg))
        for (one, _), own in zip(reduced, sets, strict=False)
    ]
    shown = shown_in(units, found.car)
    if as_json:
        print(json.dumps({"format": 1, "windows": plain(windows), "runs": plain(places)}, allow_nan=False))
    else:
        for line in (line for one in windows for line in window_words(one, shown, found.reference)):
            print(wrapped(line, "    "))
        for place, own in zip(places, sets, strict=False):
            where = f"{escaped(place.run)}, at {own.car.surface_angle_deg:g} degrees"
            print(wrapped(f"{where}: {place_words(place)}"))
    said = [notice for one, _ in reduced for notice in one.notices]
    said += [notice for own in sets for notice in own.notices]
    print("".join(f"{note_lines(notice)}\n" for notice in dict.fromkeys(said)), file=sys.stderr, end="")
    print(caution_line(), file=sys.stderr)
    if pictures is not None:
        every = [place for own in sets for place in own.places]
        write_pictures([window_picture(found.all_angles(), every, shown, found.reference)], pictures)
        print(f"pictures: {pictures}", file=sys.stderr)


def _check(given: bool, angles: Sequence[float]) -> None:
    if not given:
        raise typer.BadParameter("a run, or the car: --car CAR.toml", param_hint="RUN.csv")
    if any(not 0 <= one <= 180 for one in angles):
        raise typer.BadParameter("0 to 180", param_hint="--angle")

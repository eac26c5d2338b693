"""``undertray window``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from undertray.cli.options import (
    AsJson,
    CalibrationFile,
    CarFile,
    CarFrom,
    DragFile,
    PicturesFolder,
    Tare,
    Units,
    setup,
    shown_in,
)
from undertray.cli.streams import draw_into, print_answer

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
    pictures: PicturesFolder = None,
) -> None:
    """Say between which suctions a car holds and drives: on the ground, a wall, upside down, at any angle.

    Below the lower end it falls, by each axle; above the upper end its driven wheels, or its motor where
    car.toml has drive_force, cannot overcome the drag of the skirt. The upper end needs --drag. Of several
    runs the ends are those of the first; where each was, is by its own suction and car.

    Example: undertray window run.csv --drag drag.json --calibration calibration.json
    """
    given = setup(runs or (), car, car_from, calibration, tare)
    _check(bool(runs) or given.car is not None, angle or ())
    from undertray import read_run
    from undertray.errors import escaped
    from undertray.predict.drag import read_drag
    from undertray.predict.drivable import Windows, whereabouts
    from undertray.reduce.fan import FanReference
    from undertray.report.windowpicture import (
        missing_words,
        place_words,
        window_answer,
        window_picture,
        window_words,
    )

    pulled = read_drag(drag) if drag is not None else None
    fans = FanReference.from_json(reference) if reference is not None else None
    reduced = [given.reduce(read_run(path)) for path in runs or ()]
    if reduced:
        sets = [Windows.of(its_car, pulled, one, fans) for its_car, one in reduced]
    else:
        assert given.car is not None
        sets = [Windows.of(given.car, pulled, None, fans)]
    found, angle_deg = sets[0], sets[0].car.surface_angle_deg
    wanted = sorted({0.0, 90.0, 180.0, angle_deg, *(angle or ())})
    windows = [found.at(one) for one in wanted]
    places = [
        whereabouts(one, own.at(own.car.surface_angle_deg))
        for (_, one), own in zip(reduced, sets, strict=False)
    ]
    shown = shown_in(units, found.car)
    print_answer(
        {"windows": windows, "runs": places},
        (
            window_answer(found.at(angle_deg), shown, found.reference),
            *(line for one in windows for line in window_words(one, shown, found.reference)),
            *missing_words(windows),
            *(
                f"{escaped(place.run)}, at {own.car.surface_angle_deg:g} degrees: {place_words(place)}"
                for place, own in zip(places, sets, strict=False)
            ),
        ),
        [
            *(notice for _, one in reduced for notice in one.notices),
            *(notice for own in sets for notice in own.notices),
        ],
        shown,
        as_json,
        "    ",
    )
    if pictures is not None:
        every = [place for own in sets for place in own.places]
        draw_into(pictures, window_picture(found.all_angles(), every, shown, found.reference))


def _check(given: bool, angles: Sequence[float]) -> None:
    if not given:
        raise typer.BadParameter("a run, or the car: --car CAR.toml", param_hint="RUN.csv")
    if any(not 0 <= one <= 180 for one in angles):
        raise typer.BadParameter("0 to 180", param_hint="--angle")

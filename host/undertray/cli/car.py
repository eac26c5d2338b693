"""``undertray car``: look a car's description over before anything is driven."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from undertray.cli.caroptions import Units, given_or_found, shown_in

__all__ = ["register"]

_group = typer.Typer(help="Look the description of a car over.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.add_typer(_group, name="car")


@_group.callback()
def _car() -> None:
    """Look the description of a car over."""


@_group.command("draw", short_help="Draw outline, taps and axles of a car.")
def _draw(
    car: Annotated[
        Path | None, typer.Option(metavar="CAR.toml", help="The car; else car.toml here.", show_default=False)
    ] = None,
    out: Annotated[
        Path, typer.Option(metavar="FILE", help="What to write: a name ending in .svg, .png or .pdf.")
    ] = Path("car.svg"),
    units: Units = None,
) -> None:
    """Draw the outline of the floor, the taps with their share of it, axles and weight, as car.toml has them.

    A corner or a tap that is typed wrongly is seen here before it is driven with.

    Example: undertray car draw --car car.toml --out car.png
    """
    from undertray.reduce.car import Car
    from undertray.report.floorplan import car_picture

    (path,) = given_or_found((), car=car)
    if path is None:
        raise typer.BadParameter("there is no car.toml here: give --car CAR.toml", param_hint="--car")
    described = Car.from_toml(path)
    car_picture(described, out, shown_in(units, described))
    print(out)

"""``undertray annotate``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from undertray.cli.factoptions import fact_pairs, mass_text

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("annotate", short_help="Add facts to a recorded run, or put them right.")(_annotate)


def _annotate(
    log: Annotated[Path, typer.Argument(metavar="RUN.csv", help="The run log.", show_default=False)],
    facts: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="KEY=VALUE...", help="skirt, mounting, gap, springs, pack, surface, mass, ..."
        ),
    ] = None,
    car: Annotated[
        Path | None, typer.Option("--car", metavar="CAR.toml", help="The car that it was driven with.")
    ] = None,
) -> None:
    """Add facts to a recorded run, or put them right; KEY= takes one out.

    One line is added behind the log, whose own text stays as it is: a copy keeps it, and every command
    reads the new fact and says that it was corrected, when and from what.

    Example: undertray annotate run.csv skirt="brush strip" mounting=2 mass="3.25 kg"
    """
    if not facts and car is None:
        raise typer.BadParameter("give at least one KEY=VALUE, or --car", param_hint="KEY=VALUE")
    wanted: dict[str, str | None] = {
        key: value or None for key, value in fact_pairs(facts or [], "KEY").items()
    }
    if wanted.get("mass"):
        wanted["mass"] = mass_text(str(wanted["mass"]))
    from undertray.acquire.runfacts import annotate

    description = None
    if car is not None:
        from undertray.reduce.car import Car
        from undertray.reduce.tomltables import load_toml

        description = load_toml(car)
        Car.from_data(description, car.name)
    told = annotate(log, wanted, description)
    for one in told:
        print(one)
    if not told:
        print("undertray: the log says so already", file=sys.stderr)

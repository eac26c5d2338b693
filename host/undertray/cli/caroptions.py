"""Options that several commands share: the car, its calibration, tare, units, JSON."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from undertray.acquire.runlog import Run
    from undertray.reduce.runcar import RunCar

__all__ = [
    "AsJson",
    "CalibrationFile",
    "CarFile",
    "CarFrom",
    "DragFile",
    "Tare",
    "Units",
    "car_chooser",
    "same_run",
]


# The option ``--tare``, which several commands share.

_CHOICES = ("none", "zero", "linear")


def _known_tare(tare: str) -> str:
    if tare not in _CHOICES:
        raise typer.BadParameter(" or ".join(_CHOICES))
    return tare


Tare = Annotated[
    str,
    typer.Option(
        "--tare",
        metavar="none|zero|linear",
        callback=_known_tare,
        help="Take off the zero at rest before the run, or one that moves to that after it.",
    ),
]


_SOURCES = ("log", "file")


def _known(source: str) -> str:
    if source not in _SOURCES:
        raise typer.BadParameter(" or ".join(_SOURCES))
    return source


CarFile = Annotated[
    Path | None,
    typer.Option(
        "--car",
        metavar="CAR.toml",
        help="The car; not needed for a log that keeps its own, which is used.",
        show_default=False,
    ),
]
CarFrom = Annotated[
    str,
    typer.Option(
        "--car-from",
        metavar="log|file",
        callback=_known,
        help="Which car is used where the one in the log and the file differ.",
    ),
]
CalibrationFile = Annotated[
    Path | None, typer.Option("--calibration", metavar="FILE", help="The board's calibration.json.")
]
DragFile = Annotated[
    Path | None,
    typer.Option(
        "--drag", metavar="FILE", help="What 'undertray pull-test' wrote: where its skirt holds it fast."
    ),
]


def _known_units(units: str) -> str:
    if units not in ("si", "us"):
        raise typer.BadParameter("si or us")
    return units


Units = Annotated[str, typer.Option("--units", callback=_known_units, help="si or us.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")]


def car_chooser(path: Path | None, source: str) -> Callable[[Run], RunCar]:
    """Read the car of the file, if there is one, and give what chooses the car of a run."""
    from undertray.errors import escaped
    from undertray.reduce.car import Car
    from undertray.reduce.runcar import run_car

    if path is None and source == "file":
        raise typer.BadParameter("needs the file: --car CAR.toml", param_hint="--car-from")
    given = None if path is None else Car.from_toml(path)
    where = "" if path is None else escaped(path.name)
    return lambda run: run_car(run, given, where, source == "file")


def same_run(copy: Path, one: Path) -> str:
    """Say that a log holds the same run as another."""
    from undertray.errors import quoted

    return f"{quoted(str(copy), 200)} holds the same run as {quoted(str(one), 200)}"

"""Options that several commands share: the car, its calibration, tare, units, JSON."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from undertray.acquire.runlog import Run
    from undertray.reduce.car import Car
    from undertray.reduce.runcar import RunCar
    from undertray.report.display import Display

__all__ = [
    "AsJson",
    "CalibrationFile",
    "CarFile",
    "CarFrom",
    "DragFile",
    "Tare",
    "Units",
    "car_chooser",
    "forget_found",
    "given_or_found",
    "report_found",
    "shown_in",
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
        help="The car; else car.toml beside the log or here; 'none' for none. A log's own car comes first.",
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
    Path | None,
    typer.Option(
        "--calibration",
        metavar="FILE",
        help="Calibration of the board; else calibration.json beside the log or here; 'none' for none.",
    ),
]
DragFile = Annotated[
    Path | None,
    typer.Option(
        "--drag", metavar="FILE", help="What 'undertray pull-test' wrote: where its skirt holds it fast."
    ),
]


def _known_units(units: str | None) -> str | None:
    if units not in ("si", "us", None):
        raise typer.BadParameter("si or us")
    return units


Units = Annotated[
    str | None,
    typer.Option(
        "--units",
        metavar="si|us",
        envvar="UNDERTRAY_UNITS",
        callback=_known_units,
        help="Units of what is shown; else those of car.toml.",
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON and nothing else.")]


_FOUND = {"car": "car.toml", "calibration": "calibration.json"}
_to_report: list[str] = []


def given_or_found(places: Iterable[Path], **given: Path | None) -> list[Path | None]:
    """Files of a command: as given, else in the folders of its logs, else here.

    Parameters
    ----------
    places : iterable of Path
        The logs, or folders of logs, of the command.
    **given : Path or None
        ``car`` and ``calibration`` as the person gave them; ``none`` for none.

    Returns
    -------
    list of (Path or None)
        In the order of ``given``.

    Raises
    ------
    typer.BadParameter
        When the logs lie in several folders whose files differ.

    Notes
    -----
    What was found is named by :func:`report_found`.
    """
    from undertray.files import is_folder

    folders = [place if is_folder(place) else place.parent for place in places]
    taken: list[Path | None] = []
    found = []
    for option, path in given.items():
        if path is not None:
            taken.append(None if str(path) == "none" else path)
            continue
        taken.append(_found(folders, _FOUND[option], option))
        found += [str(taken[-1])] if taken[-1] is not None else []
    if found:
        _to_report.append(f"undertray: found and used: {', '.join(found)}")
    return taken


def forget_found() -> None:
    """Begin a command: nothing was found for it yet."""
    _to_report.clear()


def report_found() -> None:
    """Name the files that were found; a command that failed says one line, that of its error."""
    for line in _to_report:
        print(line, file=sys.stderr)
    _to_report.clear()


def _found(folders: Iterable[Path], name: str, option: str) -> Path | None:
    here = Path(name)
    beside = list(dict.fromkeys(folder / name for folder in folders if _is_file(folder / name)))
    for other in beside[1:]:
        if other.read_bytes() != beside[0].read_bytes():
            raise typer.BadParameter(
                f"{beside[0]} and {other} differ: give the one to use, or 'none'", param_hint=f"--{option}"
            )
    return beside[0] if beside else here if _is_file(here) else None


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:
        return False


def shown_in(units: str | None, car: Car | None) -> Display:
    """The units to show numbers in: as asked for, else as the car has it."""
    from undertray.report.display import display

    return display(units or (car.units if car is not None else "si"))


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

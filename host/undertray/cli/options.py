"""Options that several commands share: the run, its car and calibration, its facts, units, JSON."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from undertray.acquire.runlog import Run
    from undertray.calibrate.calibration import Calibration
    from undertray.reduce.car import Car
    from undertray.reduce.fan import FanReference
    from undertray.reduce.runcar import RunCar
    from undertray.reduce.summary import Reduction
    from undertray.report.display import Display

__all__ = [
    "AirC",
    "AirHpa",
    "AsJson",
    "CalibrationFile",
    "CarFile",
    "CarFrom",
    "DragFile",
    "Gap",
    "Mass",
    "Mounting",
    "Pack",
    "PicturesFolder",
    "RunFile",
    "Setup",
    "Skirt",
    "Springs",
    "Surface",
    "Tare",
    "Units",
    "air_facts",
    "ask_fact",
    "ask_to_take_over",
    "asked",
    "described_car",
    "fact_pairs",
    "forget_found",
    "given_or_found",
    "in_unit",
    "mass_text",
    "needed_car",
    "one_of",
    "report_found",
    "setup",
    "shown_in",
    "this_host",
]


RunFile = Annotated[Path, typer.Argument(metavar="RUN.csv", help="The run log.", show_default=False)]
PicturesFolder = Annotated[
    Path | None, typer.Option("--pictures", metavar="FOLDER", help="Draw it as SVG, with its numbers as CSV.")
]


def in_unit(unit: str, low: float = -math.inf, high: float = math.inf) -> Callable[[Any], float]:
    """What reads an option of a unit: a bare number, or one with any unit of its kind; also degrees F."""

    def quantity(value: Any) -> float:
        from undertray.units import UnitError, celsius, quantity

        if not isinstance(value, str):
            return float(value)
        try:
            found = float(value)
        except ValueError:
            try:
                found = celsius(value, "") if unit == "degC" else quantity(value, unit, "")
            except UnitError as error:
                raise typer.BadParameter(str(error).removeprefix(": ")) from error
        if not low <= found <= high:
            span = f"{low:g} to {high:g}" if math.isfinite(low) else "a number in"
            raise typer.BadParameter(f"{span} {unit}")
        return found

    return quantity


def asked(
    text: str,
    unit: str,
    option: str,
    low: float,
    high: float,
    span: str = "",
    *,
    above: bool = False,
    bare: bool = True,
) -> float:
    """A quantity that an option gives, in ``unit``, from ``low`` to ``high``; else wrong usage.

    ``span`` says the ends in words; with ``above`` the lower one does not count, without ``bare`` a number
    needs its unit.
    """
    from undertray.units import UnitError, quantity

    try:
        number = float(text)
    except ValueError:
        number = None
    try:
        value = quantity(text if number is None or not bare else number, unit, "", bare)
    except UnitError as error:
        raise typer.BadParameter(str(error).removeprefix(": "), param_hint=option) from error
    if not (low < value <= high if above else low <= value <= high):
        said = f"above {low:g} and up to {high:g} {unit}" if above else f"{low:g} to {high:g} {unit}"
        raise typer.BadParameter(span or said, param_hint=option)
    return value


def one_of(*choices: str) -> Callable[[str | None], str | None]:
    """What checks an option that is one of a few words."""

    def known(word: str | None) -> str | None:
        if word is not None and word not in choices:
            raise typer.BadParameter(" or ".join(choices))
        return word

    return known


Tare = Annotated[
    str,
    typer.Option(
        "--tare",
        metavar="none|zero|linear",
        callback=one_of("none", "zero", "linear"),
        help="Take off the zero at rest before the run, or one that moves to that after it.",
    ),
]


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
        callback=one_of("log", "file"),
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


Units = Annotated[
    str | None,
    typer.Option(
        "--units",
        metavar="si|us",
        envvar="UNDERTRAY_UNITS",
        callback=one_of("si", "us"),
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


def needed_car(path: Path | None) -> Car:
    """The car of a command that is about nothing else: as given, else ``car.toml`` here."""
    from undertray.reduce.car import Car

    (found,) = given_or_found((), car=path)
    if found is None:
        raise typer.BadParameter("there is no car.toml here: give --car CAR.toml", param_hint="--car")
    return Car.from_toml(found)


def described_car(path: Path) -> tuple[Car, Mapping[str, Any]]:
    """A car, and its file's own words, which a log keeps."""
    from undertray.reduce.car import Car
    from undertray.reduce.givenfiles import load_toml

    description = load_toml(path)
    return Car.from_data(description, path.name), description


@dataclass(frozen=True, slots=True)
class Setup:
    """What a command reduces runs with. ``car`` is that of the file; each run may keep its own."""

    files: tuple[Path | None, Path | None]
    car: Car | None
    calibration: Calibration | None
    prefer_file: bool
    tare: str

    def choose(self, run: Run) -> RunCar:
        """The car of a run."""
        from undertray.errors import escaped
        from undertray.reduce.runcar import run_car

        where = "" if self.files[0] is None else escaped(self.files[0].name)
        return run_car(run, self.car, where, self.prefer_file)

    def reduce(self, run: Run, reference: FanReference | None = None) -> tuple[Car, Reduction]:
        """The car of a run, and the run reduced with it; what is to be said of the car stands first in it."""
        from undertray.reduce.run import reduce_run

        chosen = self.choose(run)
        return chosen.car, chosen.told(reduce_run(run, chosen.car, self.calibration, self.tare, reference))


def setup(
    places: Iterable[Path], car: Path | None, car_from: str, calibration: Path | None, tare: str
) -> Setup:
    """Read the car and the calibration of a command, as given or as :func:`given_or_found` finds them."""
    from undertray.calibrate.calibration import Calibration
    from undertray.reduce.car import Car

    car, calibration = given_or_found(places, car=car, calibration=calibration)
    if car is None and car_from == "file":
        raise typer.BadParameter("needs the file: --car CAR.toml", param_hint="--car-from")
    return Setup(
        (car, calibration),
        None if car is None else Car.from_toml(car),
        None if calibration is None else Calibration.from_json(calibration),
        car_from == "file",
        tare,
    )


# The facts of a run.


def _mass(given: str | None) -> str | None:
    return None if given is None else mass_text(given)


Skirt = Annotated[str | None, typer.Option("--skirt", help="Which skirt: kept in the log, as the others.")]
Mounting = Annotated[str | None, typer.Option("--mounting", help="Which time this skirt was put on.")]
Gap = Annotated[str | None, typer.Option("--gap", help="Skirt gap.")]
Springs = Annotated[str | None, typer.Option("--springs", help="Springs.")]
Pack = Annotated[str | None, typer.Option("--pack", help="Battery pack.")]
Surface = Annotated[str | None, typer.Option("--surface", help="What it runs on.")]
Mass = Annotated[
    str | None,
    typer.Option(
        "--mass", metavar="KG", callback=_mass, help="Mass in this run, '3.25 kg', where not the car's."
    ),
]
AirC = Annotated[
    float | None,
    typer.Option(
        "--air-c",
        parser=in_unit("degC", -60, 60),
        help="Temperature of the air, °C, or '70 degF': with --air-hpa, for compare.  [-60 to 60]",
    ),
]
AirHpa = Annotated[
    float | None,
    typer.Option(
        "--air-hpa",
        parser=in_unit("hPa", 300, 1100),
        help="Its pressure where you are, not at sea level, hPa, or '14.5 psi'.  [300 to 1100]",
    ),
]


def air_facts(air_c: float | None, air_hpa: float | None) -> dict[str, str]:
    """The air of a run as facts of it."""
    told = {"air_c": air_c, "air_hpa": air_hpa}
    return {name: f"{value:g}" for name, value in told.items() if value is not None}


def ask_fact(key: str, default: str) -> str:
    """Ask for a fact at the terminal."""
    what = f"{key} (kept in the log; Enter for none)"
    return str(typer.prompt(what, default=default, show_default=False, err=True))


def ask_to_take_over(old: Mapping[str, str], car: str | None, how: str) -> str:
    """Show what last time's facts were, before anything is recorded, and ask what becomes of them."""
    from undertray.errors import escaped

    told = "; ".join(f"{name}: {escaped(value, 200)}" for name, value in old.items())
    what = {"none": "not taken over", "take": "taken over"}.get(how, "last time")
    print(f"undertray: {what} with {escaped(car) if car else 'no car named'}: {told}", file=sys.stderr)
    while how == "ask":
        answer = typer.prompt(
            "Enter takes that over, 'none' leaves it out, 'new' asks again",
            default="",
            show_default=False,
            err=True,
        )
        how = {"": "take", "none": "none", "new": "new"}.get(str(answer).strip().lower(), "ask")
    return how


def mass_text(given: str) -> str:
    """Check the mass of a run that a person gives."""
    from undertray.errors import UndertrayError
    from undertray.reduce.runcar import mass_kg

    try:
        return f"{mass_kg(given):.6g} kg"
    except UndertrayError as error:
        raise typer.BadParameter(str(error), param_hint="mass") from error


def fact_pairs(pairs: Sequence[str], hint: str) -> dict[str, str]:
    """Read facts that a person gives as ``KEY=VALUE``."""
    notes = {}
    for pair in pairs:
        key, equals, value = pair.partition("=")
        if not equals or not key.strip():
            raise typer.BadParameter(f"'{pair}' is not KEY=VALUE", param_hint=hint)
        notes[key.strip()] = value.strip()
    return notes


def this_host(port: str) -> dict[str, str]:
    """Say which program writes a log, where."""
    import platform

    from undertray import __version__

    return {"program": f"undertray {__version__}", "system": platform.system(), "port": port}

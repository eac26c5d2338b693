"""Which car a run is reduced with: the one its log keeps, or the one of a file; and its mass in that run."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from undertray.acquire.runfacts import CAR
from undertray.acquire.runlog import Run
from undertray.errors import NoCar, UndertrayError, escaped, quoted
from undertray.reduce.car import Car, Springs, Tap
from undertray.reduce.givenfiles import Table

if TYPE_CHECKING:
    from undertray.reduce.summary import Reduction

__all__ = ["RunCar", "car_differences", "differing_cars", "mass_kg", "mass_of", "run_car"]

_MOST_TOLD = 8
_UNITS = {
    "_m_s": "m/s",
    "_mm2": "mm2",
    "_mm3": "mm3",
    "_mm": "mm",
    "_kg": "kg",
    "_us": "µs",
    "_deg": "degrees",
}
_HEAVIEST_KG = 200.0


@dataclass(frozen=True, slots=True)
class RunCar:
    """The car of a run."""

    car: Car
    notices: tuple[str, ...]

    def told(self, reduction: Reduction) -> Reduction:
        """Say in a reduction what a reader has to know of the car."""
        return replace(reduction, notices=(*self.notices, *reduction.notices))


def run_car(run: Run, given: Car | None, where: str = "the file", prefer_given: bool = False) -> RunCar:
    """Choose the car to reduce a run with."""
    own, broken = None, ""
    if run.car is not None:
        try:
            own = Car.from_data(run.car, f"{run.where}, {CAR}") if run.car else None
            broken = "" if run.car else f"{run.where}, {CAR}: not a JSON object of a car"
        except UndertrayError as error:
            broken = str(error)
    if given is None and own is None:
        raise NoCar(
            f"the car in the log cannot be used ({broken})" if broken else "the log does not keep its car",
            where=None if broken else run.where,
            do="give its car.toml with --car",
        )
    said = [f"the car in the log cannot be used ({broken}); {where} is taken instead"] if broken else []
    car = given if given is not None and (prefer_given or own is None) else own
    assert car is not None
    if own is not None and given is not None and (found := car_differences(given, own)):
        used = (
            f"{where} is used, and the car in the log differs"
            if prefer_given
            else f"the car in the log is used; {where} differs"
        )
        do = "" if prefer_given else " (--car-from file takes the file)"
        said.append(f"{used}: {_listed(found)}{do}")
    if own is car and run.facts.get("car_from") == "fetch" and all(c.fact != CAR for c in run.corrections):
        said.append("the car in the log was added when the run was fetched, not when it was driven")
    car, mass = mass_of(run, car)
    return RunCar(car, (*said, *mass))


def mass_of(run: Run, car: Car) -> tuple[Car, tuple[str, ...]]:
    """Give a car the mass it had in a run."""
    notes = run.facts.get("notes")
    raw = run.facts.get("mass")
    if raw is None and isinstance(notes, dict):
        raw = notes.get("mass")
    if raw is None:
        return car, ()
    try:
        own_kg = mass_kg(raw)
    except UndertrayError:
        return car, (f"the run's own mass {quoted(raw)} is none: the car's {car.mass_kg:g} kg is used",)
    if own_kg == car.mass_kg:
        return car, ()
    return replace(car, mass_kg=own_kg), (
        f"the mass is {own_kg:g} kg, as noted for this run; the car has {car.mass_kg:g} kg",
    )


def mass_kg(value: object) -> float:
    """Read the mass of a run, by the same rule as that of a car."""
    if isinstance(value, str):
        with contextlib.suppress(ValueError):
            value = float(value)
    return Table({"mass": value}, "the run").number("mass", "kg", 0.0, _HEAVIEST_KG)


def car_differences(one: Car, other: Car) -> tuple[tuple[str, str, str], ...]:
    """Say in what two cars differ."""
    found = [
        text
        for field in dataclasses.fields(Car)
        if field.name not in ("taps", "units")  # how it is shown is nothing of the car
        for text in _difference(field.name, getattr(one, field.name), getattr(other, field.name))
    ]
    ours, theirs = ({tap.name: tap for tap in car.taps} for car in (one, other))
    for name in dict.fromkeys((*ours, *theirs)):
        if name not in ours or name not in theirs:
            found.append((f"tap {name}", "", ""))
            continue
        for field in dataclasses.fields(Tap):
            here, there = getattr(ours[name], field.name), getattr(theirs[name], field.name)
            found += [(f"tap {name} {key}", a, b) for key, a, b in _difference(field.name, here, there)]
    return tuple(found)


def differing_cars(cars: Sequence[tuple[str, Car]]) -> list[str]:
    """Say in what the cars of several runs differ from that of the first."""
    if not cars:
        return []
    first_name, first = cars[0]
    for name, car in cars[1:]:
        if found := car_differences(car, first):
            told = _listed(found, escaped(first_name))
            return [f"these runs are not of one car: in {escaped(name)} {told}"]
    return []


def _difference(field: str, here: Any, there: Any) -> Iterator[tuple[str, str, str]]:
    if here == there:
        return
    suffix = next((suffix for suffix in _UNITS if field.endswith(suffix)), "")
    key = field.removesuffix(suffix).replace("fan_", "fan ")
    if any(isinstance(value, tuple | Springs) for value in (here, there)):
        yield key, "", ""
    else:
        unit = _UNITS.get(suffix, "")
        yield key, _value(here, unit), _value(there, unit)


def _value(value: object, unit: str) -> str:
    if isinstance(value, float):
        return f"{value:.6g} {unit}".strip()
    return "none" if value is None else str(value)


def _listed(found: Sequence[tuple[str, str, str]], other: str = "log") -> str:
    told = [f"{key} {here} ({other} {there})" if here else key for key, here, there in found[:_MOST_TOLD]]
    return ", ".join(told) + (f" and {len(found) - _MOST_TOLD} more" if len(found) > _MOST_TOLD else "")

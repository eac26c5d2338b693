"""The options and questions about the facts of a run, shared by several commands."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from typing import Annotated

import typer

__all__ = [
    "AirC",
    "AirHpa",
    "Gap",
    "Mass",
    "Mounting",
    "Pack",
    "Skirt",
    "Springs",
    "Surface",
    "air_facts",
    "ask_fact",
    "ask_to_take_over",
    "fact_pairs",
    "mass_text",
    "this_host",
]


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
    typer.Option("--air-c", min=-60, max=60, help="Temperature of the air, °C: with --air-hpa, for compare."),
]
AirHpa = Annotated[
    float | None,
    typer.Option("--air-hpa", min=300, max=1100, help="Its pressure where you are, not at sea level, hPa."),
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

"""``undertray fetch``."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from undertray.cli.options import (
    AirC,
    AirHpa,
    Gap,
    Mass,
    Mounting,
    Pack,
    Skirt,
    Springs,
    Surface,
    air_facts,
    described_car,
    fact_pairs,
    given_or_found,
    mass_text,
    this_host,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["register"]

_OF_ONE = re.compile(r"(\d{1,5}):")


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("fetch", short_help="Bring the runs that the board kept on a cableless drive.")(_fetch)


def _fetch(
    port: Annotated[str, typer.Option(help="Serial port, socket://HOST:PORT or rfc2217://HOST:PORT.")],
    numbers: Annotated[
        list[int] | None, typer.Argument(metavar="N...", min=1, max=99_999, help="Which runs.")
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="All runs on the board.")] = False,
    listed: Annotated[bool, typer.Option("--list", help="Only list the runs on the board.")] = False,
    out: Annotated[Path | None, typer.Option(help="Folder for the logs.", file_okay=False)] = None,
    erase: Annotated[
        bool, typer.Option("--erase", help="Erase each run on the board once its log is whole, by digest.")
    ] = False,
    car: Annotated[
        Path | None,
        typer.Option(
            metavar="CAR.toml",
            help="The car, kept in each log as of fetching; else car.toml in the folder or here; or 'none'.",
        ),
    ] = None,
    skirt: Skirt = None,
    mounting: Mounting = None,
    gap: Gap = None,
    springs: Springs = None,
    pack: Pack = None,
    surface: Surface = None,
    mass: Mass = None,
    air_c: AirC = None,
    air_hpa: AirHpa = None,
    fact: Annotated[
        list[str] | None,
        typer.Option(metavar="[N:]KEY=VALUE", help="A fact of run N alone, or any other of all; repeatable."),
    ] = None,
    baud: Annotated[int, typer.Option(min=1, help="Speed of a UART; USB takes any.")] = 115_200,
) -> None:
    """Bring runs that the board kept on a drive without a cable; they are reduced like any other.

    A run counts as brought when its digest is the board's own; what breaks off or comes damaged is asked for
    again, and given up after 30 s and a second for each 2000 bytes. Only a run that was brought is erased.

    The board keeps runs with "store": {"at_boot": true} in its board.json, or after 'store on' on its
    console: any serial terminal at 115200 baud, see wiring/board.md.

    --skirt and so on hold for all runs that are fetched at once, --fact N:skirt=... for run N alone;
    'undertray annotate' puts facts right later.

    Example: undertray fetch --port /dev/ttyACM0 4 5 --out runs/ --skirt foam --fact 5:skirt=brush
    """
    from undertray.acquire.keptruns import Fetcher
    from undertray.acquire.link import Link, open_link
    from undertray.errors import escaped

    if not listed and (out is None or not (every or numbers)):
        raise typer.BadParameter("give the numbers of runs or --all, and --out FOLDER; or --list")
    name, description = ({}, None) if out is None else _car(*given_or_found([out], car=car))
    given = {"skirt": skirt, "mounting": mounting, "gap": gap, "springs": springs, "pack": pack}
    given |= {"surface": surface, "mass": mass}
    known = {key: value for key, value in given.items() if value} | air_facts(air_c, air_hpa)
    for_all, for_one = _facts(fact or [])
    links = [open_link(port, baud)]

    def reopen() -> Link:
        links[-1].close()
        links.append(open_link(port, baud))
        return links[-1]

    try:
        fetcher = Fetcher(links[0], reopen=reopen)
        with fetcher.session():
            there = fetcher.runs() if listed or every else ()
            if (listed or every) and not there:
                print("undertray: there are no runs on the board", file=sys.stderr)
            if listed or out is None:
                for run in there:
                    print(f"{run.number:5}  {run.size:9} bytes")
                return
            wanted = [run.number for run in there] if every else list(dict.fromkeys(numbers or []))
            if strange := for_one.keys() - set(wanted):
                raise typer.BadParameter(f"run {min(strange)} is not fetched", param_hint="--fact")
            for number in wanted:
                facts = known | for_all | for_one.get(number, {})
                told_facts = "".join(f"; {key}: {escaped(value)}" for key, value in facts.items())
                done = fetcher.fetch(number, out, {**name, **facts, "host": this_host(port)}, description)
                there_already = "was there already"
                if told_facts or description:
                    there_already += " and keeps what it says; 'undertray annotate' puts facts right"
                told = f"{done.rows} rows, {done.bad} bad{told_facts}" if done.new else there_already
                print(done.path)
                print(f"undertray: run {number}: {told}", file=sys.stderr)
                if done.missing_rows is not None:
                    cut = f"cut short: the board had no room for {done.missing_rows} more rows"
                    print(f"undertray: run {number}: {cut}", file=sys.stderr)
                if erase:
                    fetcher.erase(done)
    finally:
        links[-1].close()


def _car(car: Path | None) -> tuple[dict[str, str], Mapping[str, Any] | None]:
    """What the logs say of the car, and the car that they keep."""
    if car is None:
        return {}, None
    described, description = described_car(car)
    return {"car": described.name, "car_from": "fetch"}, description


def _facts(given: list[str]) -> tuple[dict[str, str], dict[int, dict[str, str]]]:
    """Facts of all runs, and of single runs by their number."""
    from undertray.acquire.runfacts import is_fact

    for_all: dict[str, str] = {}
    for_one: dict[int, dict[str, str]] = {}
    for text in given:
        match = _OF_ONE.match(text)
        home = for_one.setdefault(int(match[1]), {}) if match else for_all
        for key, value in fact_pairs([text[match.end() :] if match else text], "--fact").items():
            if not is_fact(key, value):
                raise typer.BadParameter(f"'{key}' cannot be set by hand", param_hint="--fact")
            home[key] = mass_text(value) if key == "mass" else value
    return for_all, for_one

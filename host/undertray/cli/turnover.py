"""``undertray turn-over``."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from undertray.cli.options import (
    AsJson,
    CalibrationFile,
    CarFile,
    CarFrom,
    Tare,
    Units,
    asked,
    setup,
    shown_in,
)

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("turn-over", short_help="List what is shown, and what not, before turning it over.")(_list)


def _list(
    runs: Annotated[
        list[Path],
        typer.Argument(metavar="RUN.csv...", help="Runs driven the right way up.", show_default=False),
    ],
    car: CarFile = None,
    car_from: CarFrom = "log",
    calibration: CalibrationFile = None,
    tare: Tare = "none",
    pulls: Annotated[
        Path | None,
        typer.Option("--pulls", metavar="FILE", help="Pull-offs by a balance, as for force-check."),
    ] = None,
    pulled_in: Annotated[
        Path | None, typer.Option("--pulled-in", metavar="RUN.csv", help="The run in which they were made.")
    ] = None,
    pack_empty: Annotated[
        str | None, typer.Option("--pack-empty", help="Voltage at which you stop driving, such as 6.6V.")
    ] = None,
    bumps: Annotated[
        int | None, typer.Option("--bumps", min=0, help="How many bumps you drove over in these runs.")
    ] = None,
    least_bumps: Annotated[int, typer.Option("--least-bumps", min=1, help="How many are asked for.")] = 20,
    minutes: Annotated[
        float, typer.Option("--minutes", min=0.1, help="Driving time with the fans up that is asked for.")
    ] = 2.0,
    deepest: Annotated[
        float | None,
        typer.Option(
            "--deepest",
            min=0,
            max=100,
            help="Deepest dip allowed, % of an axle's load; else by the allowance.",
        ),
    ] = None,
    calibration_days: Annotated[
        float, typer.Option("--calibration-days", min=0, help="Age up to which a calibration counts.")
    ] = 30.0,
    taps_checked: Annotated[
        bool, typer.Option("--taps-checked", help="You sucked at each tap: check-taps confirmed all.")
    ] = False,
    alarm_heard: Annotated[
        bool, typer.Option("--alarm-heard", help="You heard the board's alarm from where you stand.")
    ] = False,
    net_hung: Annotated[
        bool, typer.Option("--net-hung", help="A net or strap hangs, and nobody is under it.")
    ] = False,
    units: Units = None,
    as_json: AsJson = False,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="PAGE.html", help="Write it as a page.")
    ] = None,
) -> None:
    """List what your runs and you have shown before the car is turned over, and what nobody has shown.

    It never says that it is safe: nothing here knows the next bump. Drive the right way up first, with the
    surface_angle in car.toml at what you intend (180 is upside down), so that every margin is of that angle.

    Example: undertray turn-over monday/*.csv --car car.toml --calibration calibration.json --bumps 40
    """
    if pulled_in is not None and pulls is None:
        raise typer.BadParameter("needs --pulls", param_hint="--pulled-in")
    from undertray import read_run
    from undertray.errors import escaped
    from undertray.reduce.forcecheck import force_check
    from undertray.reduce.pulls import read_pulls
    from undertray.reduce.summary import plain
    from undertray.report.page import render_turnover, write_page
    from undertray.report.turnoverlist import Driven, State, Word, turnover_items, turnover_line
    from undertray.report.words import caution_lines, wrapped

    word = Word(
        taps_checked,
        alarm_heard,
        net_hung,
        bumps,
        None if deepest is None else deepest / 100,
        minutes,
        least_bumps,
        calibration_days,
        None if pack_empty is None else 1000 * asked(pack_empty, "V", "--pack-empty", 0.5, 100),
    )
    given = setup(runs, car, car_from, calibration, tare)
    readings = None if pulls is None else read_pulls(pulls)
    driven, cars = [], {}
    for path in runs:
        log = read_run(path)
        cars[path], reduction = given.reduce(log)
        driven.append(Driven(path.name, log, reduction))
    first = cars[runs[0]]
    for path, other in cars.items():
        if (other.name, other.surface_angle_deg) != (first.name, first.surface_angle_deg):
            raise typer.BadParameter(
                f"{escaped(path.name)} is of another car or angle than {escaped(runs[0].name)}: one at a time"
            )
    force = None
    if readings is not None:
        its_car, reduction = given.reduce(read_run(pulled_in or runs[0]))
        force = force_check(reduction, its_car, readings)
    items = turnover_items(driven, first, given.calibration, force, word, shown_in(units, first))
    title = first.name
    if as_json:
        rows = [{"topic": i.topic, "state": i.state.value, "said": i.said, "next": i.next} for i in items]
        print(json.dumps({"format": 1, "car": first.name, "items": plain(rows)}, allow_nan=False))
    else:
        many = "run" if len(runs) == 1 else "runs"
        print(
            f"{escaped(first.name)}, to be turned to {first.surface_angle_deg:g} degrees, "
            f"by {len(runs)} {many}:"
        )
        print(wrapped(turnover_line(items)), end="\n\n")
        sign = {State.SHOWN: "[x]", State.NOT_SHOWN: "[ ]", State.AGAINST: "[!]"}
        for item in items:
            print(wrapped(f"{sign[item.state]} {item.topic}, {item.state.value}: {item.said}", "    "))
            if item.next:
                print(wrapped(f"      to do: {item.next}", "        "))
    print(caution_lines(), file=sys.stderr)
    if out is not None:
        write_page(render_turnover(items, turnover_line(items), title), out)
        print(f"page: {out}", file=sys.stderr)

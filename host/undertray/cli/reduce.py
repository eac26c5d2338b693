"""``undertray reduce``."""

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
    RunFile,
    Tare,
    Units,
    asked,
    setup,
    shown_in,
)

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("reduce", short_help="Reduce a run: downforce, margins of the axles, losses.")(_reduce)


def _reduce(
    run: RunFile,
    car: CarFile = None,
    car_from: CarFrom = "log",
    calibration: CalibrationFile = None,
    tare: Tare = "none",
    reference: Annotated[
        Path | None,
        typer.Option("--reference", metavar="FILE", help="What 'undertray reference' wrote: seal index."),
    ] = None,
    drag: Annotated[
        Path | None,
        typer.Option(
            "--drag", metavar="FILE", help="What 'undertray pull-test' wrote: grip by the tyres' load."
        ),
    ] = None,
    to_speed: Annotated[
        list[str] | None,
        typer.Option(
            "--to-speed",
            metavar="SPEED",
            help="Speed for the time to it: '50 mph', '80 km/h', m/s; may repeat.",
        ),
    ] = None,
    details: Annotated[
        bool,
        typer.Option(
            "--details", help="Each tap, times to a speed, and the whole log too; with --to-speed as well."
        ),
    ] = False,
    as_json: AsJson = False,
    units: Units = None,
    png: Annotated[Path | None, typer.Option("--png", metavar="FILE", help="Draw the run.")] = None,
) -> None:
    """Reduce a run: downforce against what is needed, axle by axle, and the moments the seal let go.

    Example: undertray reduce run.csv --car car.toml --calibration calibration.json --tare zero
    """
    from undertray.acquire.runlog import read_run
    from undertray.predict.drag import read_drag, with_drag
    from undertray.predict.drivable import Windows
    from undertray.reduce.fan import FanReference
    from undertray.reduce.run import reduce_run
    from undertray.reduce.summary import plain
    from undertray.report.table import reduction_table
    from undertray.report.verdict import judge, with_window
    from undertray.report.words import caution_line, note_lines

    given = setup([run], car, car_from, calibration, tare)
    good = FanReference.from_json(reference) if reference else None
    pulled = read_drag(drag) if drag else None
    speeds = [asked(text, "m/s", "--to-speed", 0, 1000, above=True) for text in to_speed or ()]
    log = read_run(run)
    chosen = given.choose(log)
    handed = [log]
    del log  # the reduction gives raw arrays back as soon as it can
    result = chosen.told(reduce_run(handed.pop(), chosen.car, given.calibration, tare, good, speeds))
    shown = shown_in("si" if as_json else units, chosen.car)  # what programs read is always SI
    verdict = judge(result, shown)
    if pulled is not None:
        result = with_drag(result, chosen.car, pulled, speeds)
        verdict = with_window(verdict, result, Windows.of(chosen.car, pulled, result, good), shown)
    if as_json:
        print(json.dumps({**result.as_dict(), "verdict": plain(verdict)}, allow_nan=False))
    else:
        print(reduction_table(result, verdict, shown, details or bool(speeds)))
        if not (details or speeds):
            print("\nmore: --details (each tap, times to a speed, the whole log), or 'undertray report'")
    for notice in map(shown.told, result.notices):
        print(note_lines(notice), file=sys.stderr)
    print(caution_line(), file=sys.stderr)
    if png is not None:
        from undertray.report.timeline import run_picture

        run_picture(result, chosen.car, png, shown)
        print(f"picture: {png}", file=sys.stderr)

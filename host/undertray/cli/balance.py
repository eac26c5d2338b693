"""``undertray force-check`` and ``undertray pull-test``: what a spring balance read."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from undertray.cli.options import (
    AsJson,
    CalibrationFile,
    CarFile,
    CarFrom,
    PicturesFolder,
    RunFile,
    Tare,
    Units,
    asked,
    setup,
    shown_in,
)
from undertray.cli.streams import draw_into, print_answer

__all__ = ["register"]

_MOST_THROTTLES = 8


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("force-check", short_help="Compare computed force with pulls of a spring balance.")(
        _force_check
    )
    app.command("pull-test", short_help="Drag and share of the skirt from pulls of a spring balance.")(
        _pull_test
    )


def _force_check(
    run: RunFile,
    pulls: Annotated[Path, typer.Option("--pulls", help="What was read: at_s,pull_n or throttle_us,pull_n.")],
    car: CarFile = None,
    car_from: CarFrom = "log",
    calibration: CalibrationFile = None,
    tare: Tare = "none",
    hanging: Annotated[
        bool, typer.Option("--hanging", help="It hung and was pulled down; else it stood and was pulled up.")
    ] = False,
    balance_percent: Annotated[
        float, typer.Option(help="Half width of the balance's error, % of its reading.")
    ] = 2.0,
    units: Units = None,
    as_json: AsJson = False,
    pictures: PicturesFolder = None,
) -> None:
    """Compare the computed force with what a spring balance read as the car came off; correct nothing.

    Hook the balance over the centre of the load, which this command tells, or note how far behind the front
    axle in a column hook_mm: off the centre one axle comes off first. Pull square to the surface, slowly,
    at a few throttles, and note the largest reading and the time in the log, up to two seconds late. Keep
    fingers, hair and the balance's hook away from fans and skirts, wear eye protection, and stand so that
    nothing hits you when it lets go.

    Example: undertray force-check run.csv --pulls pulls.csv --car car.toml --calibration calibration.json
    """
    if not 0 <= balance_percent <= 50:
        raise typer.BadParameter("0 to 50", param_hint="--balance-percent")
    from undertray import read_run
    from undertray.reduce.forcecheck import force_check
    from undertray.reduce.pulls import read_pulls
    from undertray.report.pullpicture import force_picture, force_words

    given = setup([run], car, car_from, calibration, tare)
    readings = read_pulls(pulls)
    its_car, reduction = given.reduce(read_run(run))
    shown = shown_in(units, its_car)
    found = force_check(reduction, its_car, readings, hanging, balance_percent)
    print_answer(found, force_words(found, shown), reduction.notices, shown, as_json)
    if pictures is not None:
        draw_into(pictures, force_picture(found, shown))


def _pull_test(
    pulls: Annotated[Path, typer.Option("--pulls", help="What was read: throttle_us,kind,wheels,pull_n.")],
    run: Annotated[
        Path | None,
        typer.Argument(
            metavar="RUN.csv", help="The run log; with --led it may come later.", show_default=False
        ),
    ] = None,
    led: Annotated[
        bool, typer.Option("--led", help="Be asked for each pull; what is answered goes into --pulls.")
    ] = False,
    throttles: Annotated[
        str, typer.Option(help="Throttles to be led through, µs; the fans stand at the first.")
    ] = "1000 1400 1600",
    car: CarFile = None,
    car_from: CarFrom = "log",
    calibration: CalibrationFile = None,
    tare: Tare = "none",
    balance_percent: Annotated[
        float, typer.Option(help="Half width of the balance's error, % of its reading, the same in all.")
    ] = 2.0,
    step: Annotated[
        str, typer.Option(help="What the balance is read to: '0.05 N', '10 g', '0.01 lb'.")
    ] = "0.05 N",
    repeat_percent: Annotated[
        float, typer.Option(help="How well a pull repeats, %: for pulls too few to show it themselves.")
    ] = 4.0,
    units: Units = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Keep it for 'reduce', 'report' and 'window'."),
    ] = None,
    as_json: AsJson = False,
    pictures: PicturesFolder = None,
) -> None:
    """Find drag, friction and what the skirt carries from pulls along level ground with the fans running.

    A line a pull: at_s or throttle_us, kind (breakaway: just moves; moving: keeps it moving), wheels (free,
    locked; none for the skirt alone, with load_n and no throttle) and the reading: pull_n, pull_lbf, pull_kg
    or such. Pull with the fans off, and at two throttles or more, twice each. Pull level, at the height of
    the axles, with a line as long as you are tall; wear eye protection, keep hands and hair off the fans.

    With --led it asks for each of them while 'undertray record' runs beside it.

    Example: undertray pull-test run.csv --pulls pulls.csv --calibration calibration.json --out drag.json
    """
    if led and not _led(pulls, throttles, run):
        return
    if run is None:
        raise typer.BadParameter("the run log of these pulls, or --led", param_hint="RUN.csv")
    for name, value in (("--balance-percent", balance_percent), ("--repeat-percent", repeat_percent)):
        if not 0 <= value <= 50:
            raise typer.BadParameter("0 to 50", param_hint=name)
    from undertray import read_run
    from undertray.predict.drag import pulled_drag, pulled_suctions, write_drag
    from undertray.predict.pullfit import Balance
    from undertray.reduce.pulls import read_pulls
    from undertray.report.pullpicture import drag_picture, drag_words
    from undertray.report.words import room

    given = setup([run], car, car_from, calibration, tare)
    readings = read_pulls(pulls)
    step_n = asked(step, "N", "--step", 1e-4, 100, "0.0001 to 100 N", bare=False)
    balance = Balance(balance_percent, step_n, repeat_percent)
    its_car, reduction = given.reduce(read_run(run))
    shown = shown_in(units, its_car)
    found = pulled_drag(reduction, its_car, readings, balance)
    notices = (*reduction.notices, *found.notices)
    print_answer(found, drag_words(found, shown, room()), notices, shown, as_json)
    if out is not None:
        write_drag(found, out)
        print(f"drag: {out}", file=sys.stderr)
    if pictures is not None:
        draw_into(pictures, drag_picture(found, pulled_suctions(reduction, readings), shown))


def _led(pulls: Path, throttles: str, run: Path | None) -> bool:
    """Ask for the pulls; True where the run is there to go with them."""
    from undertray.cli.calibrate import ask, tell
    from undertray.reduce.pulldialogue import PullDialogue
    from undertray.reduce.steady import REST_US

    try:
        at_us = [float(word) for word in throttles.replace(",", " ").split()]
    except ValueError:
        at_us = []
    if not 3 <= len(set(at_us)) <= _MOST_THROTTLES or not all(800 <= us <= 2500 for us in at_us):
        at_us = []
    if sum(us <= REST_US for us in at_us) != 1:
        raise typer.BadParameter(
            f"3 to {_MOST_THROTTLES} pulses in µs, one of them at {REST_US:.0f} or less: '1000 1400 1600'",
            param_hint="--throttles",
        )
    done = PullDialogue(pulls, at_us, ask, tell).run()
    if done and run is None:
        tell(
            f"All pulls are in {pulls}. Stop the recording, then: undertray pull-test RUN.csv --pulls {pulls}"
        )
    return done and run is not None

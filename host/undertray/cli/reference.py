"""``undertray reference``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from undertray.cli.options import CalibrationFile, CarFile, CarFrom, Tare, Units, setup, shown_in

if TYPE_CHECKING:
    from undertray.acquire.runlog import Run
    from undertray.reduce.fanreference import Sweep
    from undertray.report.display import Display

__all__ = ["register"]

_MOST_DWELLS = 40


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("reference", short_help="Take good runs as the reference for the seal index.")(_reference)


def _reference(
    runs: Annotated[
        list[Path], typer.Argument(metavar="RUN.csv...", help="Good runs on the reference skirt.")
    ],
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="The reference to write; replaced if there.")
    ],
    car: CarFile = None,
    car_from: CarFrom = "log",
    calibration: CalibrationFile = None,
    tare: Tare = "none",
    units: Units = None,
) -> None:
    """Take what the fans give at each throttle from good runs, as the car's reference for the seal index.

    Best is a sweep: hold each of several throttles for 3 s on a good seal.

    Example: undertray reference sweep.csv --car car.toml --out reference.json
    """
    from undertray.acquire.runlog import read_run
    from undertray.reduce.fanreference import take_reference
    from undertray.reduce.run import reduce_run
    from undertray.report.words import caution_lines, note_lines

    given = setup(runs, car, car_from, calibration, tare)
    logs, notices = _once_each(runs, [read_run(path) for path in runs])
    for notice in notices:
        print(note_lines(notice), file=sys.stderr)
    cars = [given.choose(log) for log in logs]
    for notice in dict.fromkeys(notice for chosen in cars for notice in chosen.notices):
        print(note_lines(notice), file=sys.stderr)
    reductions = [
        reduce_run(log, chosen.car, given.calibration, tare) for log, chosen in zip(logs, cars, strict=True)
    ]
    found = take_reference(reductions, cars[0].car)
    _print(found, shown_in(units, cars[0].car))
    for notice in found.notices:
        print(note_lines(notice), file=sys.stderr)
    if given.calibration is None:
        print(note_lines("uncalibrated: use it only for runs reduced in the same way"), file=sys.stderr)
    found.reference.to_json(out)
    print(f"written: {out}", file=sys.stderr)
    print(caution_lines(), file=sys.stderr)


def _once_each(paths: list[Path], logs: list[Run]) -> tuple[list[Run], list[str]]:
    """The runs that count, and what is said of those that were given before."""
    from undertray.acquire.runfolder import counted_once, drive_of, same_run

    stands = counted_once([drive_of(log) for log in logs])
    notices = [
        f"{same_run(paths[i], paths[one])}: it counts once" for i, one in enumerate(stands) if one != i
    ]
    return [log for i, log in enumerate(logs) if stands[i] == i], notices


def _print(found: Sweep, shown: Display) -> None:
    law, wide = found.reference, max(13, len(shown.pressure) + 11)
    print(
        f"{'steady from, s':>15}{'for, s':>8}{'throttle, µs':>14}{f'suction, {shown.pressure}':>{wide}}"
        f"{'off the law':>13}"
        f"{'leak, mm2':>11}"
    )
    for dwell, leak in list(zip(found.dwells, found.leak_mm2, strict=True))[:_MOST_DWELLS]:
        expected = float(law.suction_pa(dwell.throttle_us, dwell.pack_mv))
        off = f"{dwell.suction_pa / expected - 1:+.1%}" if expected > 0 else "-"
        area = "-" if leak is None else f"{leak:.0f}"
        print(
            f"{dwell.start_s:15.1f}{dwell.seconds:8.1f}{dwell.throttle_us:14.0f}"
            f"{shown.pa_text(dwell.suction_pa, f'z{wide}')}{off:>13}{area:>11}"
        )
    if len(found.dwells) > _MOST_DWELLS:
        print(f"... and {len(found.dwells) - _MOST_DWELLS} more")
    pack = "" if law.pack_mv is None else f" x (pack/{law.pack_mv / 1000:.2f} V)^2"
    print(
        f"suction = {shown.pa_text(law.top_pa)} {shown.pressure} x ((throttle - {law.idle_us:.0f})"
        f"/{law.top_us - law.idle_us:.0f} µs)^{law.exponent:.2f}{pack}"
    )
    said = "" if law.levels > 1 else "; one throttle only: the fan laws alone give the rest of the curve"
    print(f"off by {law.misfit:.1%} rms over {law.seconds:.0f} s at {law.levels} throttles{said}")
    if found.leak is not None:
        print(f"leak: Q = {found.leak.coefficient:.3g} m3/s x (dp/Pa)^{found.leak.exponent:.2f}")
    for way, lag_s in (("up", law.lag_up_s), ("down", law.lag_down_s)):
        if lag_s is not None:
            print(f"the fans need {lag_s:.2f} s for 63 % of a step {way}")

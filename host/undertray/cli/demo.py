"""``undertray demo``: the whole job once, on an invented car, with no hardware."""

from __future__ import annotations

import shlex
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from undertray.cli.options import Units, shown_in

if TYPE_CHECKING:
    from undertray.calibrate.calibration import Calibration
    from undertray.reduce.car import Car
    from undertray.report.display import Display

__all__ = ["register"]

_LIVE_STORY = "short-fold"
_LIVE_S = 8.7


def _demo(
    live: Annotated[
        bool, typer.Option("--live", help="Record from the virtual board over a real link first.")
    ] = False,
    out: Annotated[
        Path, typer.Option(help="Folder for the runs, their page and the calibration.", file_okay=False)
    ] = Path("undertray-demo"),
    units: Units = None,
) -> None:
    """Calibrate, reduce and judge the recordings of an invented car. Nothing is asked, nothing needed.

    Example: undertray demo --live
    """
    from undertray.acquire.runlog import read_run
    from undertray.errors import UndertrayError
    from undertray.places import bundled
    from undertray.reduce.car import Car
    from undertray.reduce.run import reduce_run
    from undertray.report.page import render_page, write_page
    from undertray.report.sheet import make_sheet
    from undertray.report.verdict import judge
    from undertray.report.words import caution_lines, run_words
    from undertray.virtual.demo_runs import RUNS

    logs = bundled("demo_logs")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UndertrayError(
            f"cannot make the folder: {error.strerror}", where=str(out), do="choose another with --out"
        ) from error
    print("Car, runs and readings of this demo are invented.\n")
    car = Car.from_toml(logs / "car.toml")
    shown = shown_in(units, car)
    for name in ("car.toml", "column.csv"):
        shutil.copyfile(logs / name, out / name)
    calibration = _calibrated(logs / "column.csv", out / "calibration.json", car, shown)
    runs = [_recorded(out)] if live else [_copied(logs / f"{name}.csv", out) for name in RUNS]
    sheets, verdicts = [], []
    for path in runs:
        run = read_run(path)
        reduction = reduce_run(run, car, calibration)
        print()
        for line in run_words(reduction, shown):
            print(line)
        sheets.append(make_sheet(reduction, car, run, calibration, shown))
        verdicts.append(f"{path.stem}: {judge(reduction).word}")
    page = out / (f"{runs[0].stem}.html" if live else "report.html")
    write_page(render_page(sheets, car.name), page)
    print(f"\n{', '.join(verdicts)}.")
    print(f"Open {page} in a browser. Runs, car, calibration and its readings lie beside it.")
    print(f"Next: undertray reduce {shlex.quote(str(runs[len(runs) // 2 - (len(runs) > 1)]))}")
    print("\n" + caution_lines())


def _copied(log: Path, out: Path) -> Path:
    return Path(shutil.copyfile(log, out / log.name))


def _calibrated(points: Path, certificate: Path, car: Car, shown: Display) -> Calibration:
    """Calibrate from the demo's column readings, as ``undertray calibrate`` does."""
    from undertray.calibrate.evaluate import Setup, calibrate
    from undertray.calibrate.liquid_column import Conditions
    from undertray.calibrate.points import read_points
    from undertray.report.calibrationwords import in_one_line, sensor_table
    from undertray.virtual.demo_runs import LATITUDE_DEG, MADE_UTC, WATER_C
    from undertray.virtual.stories import UID

    setup = Setup(conditions=Conditions(fluid_c=WATER_C, latitude_deg=LATITUDE_DEG), zero_open=True)
    done = calibrate(read_points(points), setup, made_utc=MADE_UTC, uid=UID)
    done.to_json(certificate)
    print(f"Calibration of four sensors on a water column. {in_one_line(done, car, shown)}")
    for line in sensor_table(done, shown):
        print(f"  {line}")
    return done


def _recorded(out: Path) -> Path:
    """Record the live story from the virtual board over TCP, under a name that is still free."""
    import itertools

    from undertray.acquire.link import open_link
    from undertray.acquire.recorder import Recorder
    from undertray.virtual.server import open_board, serve_tcp
    from undertray.virtual.stories import STORIES

    story = STORIES[_LIVE_STORY]
    path = next(p for i in itertools.count(1) if not (p := out / f"live-{i}.csv").exists())
    with open_board(story.spec) as board, serve_tcp(board, "127.0.0.1", 0) as address:
        print(f"\nRecording {_LIVE_S:g} s from the virtual board on {address}: {story.summary}")
        recorder = Recorder(lambda: open_link(address), path, story.facts, seconds=_LIVE_S)
        recording = recorder.run(lambda: False)
    print(f"{recording.rows} rows, {recording.lost} lost, {recording.bad} bad: {path}")
    return path


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("demo", short_help="Calibrate, reduce and judge an invented car.")(_demo)

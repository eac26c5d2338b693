"""``undertray export``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from undertray.cli.caroptions import (
    CalibrationFile,
    CarFile,
    CarFrom,
    Tare,
    car_chooser,
    given_or_found,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from undertray.acquire.runlog import Run
    from undertray.acquire.runtable import Pressures
    from undertray.calibrate.calibration import Calibration
    from undertray.reduce.summary import Reduction

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("export", short_help="Write a log as a plain table, one row a sample.")(_export)


def _export(
    run: Annotated[Path, typer.Argument(metavar="RUN.csv", help="The run log.", show_default=False)],
    out: Annotated[Path, typer.Option(help="What to write: .csv, or .parquet with pyarrow.")],
    pa: Annotated[bool, typer.Option("--pa", help="Suction in Pa instead of raw counts.")] = False,
    loads: Annotated[
        bool, typer.Option("--loads", help="Mean suction, loads and margins as well; implies --pa.")
    ] = False,
    calibration: CalibrationFile = None,
    car: CarFile = None,
    car_from: CarFrom = "log",
    tare: Tare = "none",
) -> None:
    """Write a log as a plain table: time, throttle, flags and raw counts, one row a sample.

    With --pa or --calibration each count becomes p1_pa, its suction (positive below ambient), and
    p1_out_of_range: 0, or 1 outside the calibrated range, 2 beyond the sensor's own. Without a calibration
    p1_pa is by the sensor's own scale, and that is said; a sensor that a given calibration lacks becomes
    p1_uncalibrated_pa. What a board logs besides (second throttle and pack, counts of an accelerometer)
    follows as it is, with Pa also forward_g, right_g and up_g along the car's own axes.

    With --loads or --car there follow pack_mv, mean_suction_pa, downforce_n, front_n, rear_n, and the margins
    front_margin_n and rear_margin_n: load less what the axle needs. --tare is in these only.

    Example: undertray export run.csv --loads --out run-loads.csv
    """
    from undertray.acquire.runlog import read_run
    from undertray.acquire.runtable import export_run
    from undertray.calibrate.calibration import Calibration
    from undertray.reduce.run import reduce_run
    from undertray.report.words import note_lines

    log, pressures = read_run(run), None
    if loads or car is not None or tare != "none":
        car, calibration = given_or_found([run], car=car, calibration=calibration)
        chosen = car_chooser(car, car_from)(log)
        certificate = Calibration.from_json(calibration) if calibration else None
        reduction = reduce_run(log, chosen.car, certificate, tare)
        for notice in chosen.notices:
            print(note_lines(notice), file=sys.stderr)
        pressures = _columns(log, certificate, reduction)
    elif pa or calibration is not None:
        (calibration,) = given_or_found([run], calibration=calibration)
        pressures = _columns(log, Calibration.from_json(calibration) if calibration else None)
    rows = export_run(log, out, pressures)
    print(f"undertray: {rows} rows: {out}", file=sys.stderr)


def _columns(log: Run, calibration: Calibration | None, reduction: Reduction | None = None) -> Pressures:
    """What makes the columns behind those of the log; how far they can be trusted is said here."""
    from undertray.report.pressuretable import ColumnSuction, load_columns

    suction = ColumnSuction(log, calibration)
    if calibration is None:
        print("undertray: uncalibrated: the sensors' own scales are used", file=sys.stderr)
    elif calibration.foreign_to(log.device):
        print("undertray: the calibration was made on another board", file=sys.stderr)
    for name in suction.uncalibrated:
        print(
            f"undertray: {name} has no calibration: by the sensor's own scale, as {name}_uncalibrated_pa",
            file=sys.stderr,
        )
    if reduction is None:
        return suction.rows

    def rows(first: int, last: int) -> Mapping[str, NDArray[Any]]:
        loads = load_columns(reduction, first, last)
        return {**suction.rows(first, last), **{name: values.round(4) for name, values in loads.items()}}

    return rows

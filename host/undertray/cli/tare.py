"""``undertray tare``: the zero of every sensor before and after a run."""

from __future__ import annotations

from typing import Annotated

import typer

from undertray.cli.options import CalibrationFile, RunFile, Units, given_or_found, shown_in

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("tare", short_help="Show what the sensors read before and after a run.")(_tare)


def _tare(
    log: RunFile,
    calibration: CalibrationFile = None,
    rest_us: Annotated[
        float,
        typer.Option(help="Throttle at and below which the fans stand, µs; about 1520 for a middle neutral."),
    ] = 1100.0,
    units: Units = None,
) -> None:
    """Say what the sensors read in the still seconds before and after a run, and how that drifted.

    Example: undertray tare run.csv --calibration calibration.json
    """
    import numpy as np

    from undertray.acquire.clock import board_time
    from undertray.acquire.runlog import read_run
    from undertray.calibrate.calibration import Calibration
    from undertray.calibrate.restzero import find_tare
    from undertray.calibrate.scale import run_spans
    from undertray.errors import CalibrationError

    (calibration,) = given_or_found([log], calibration=calibration)
    run = read_run(log)
    if run.device is None:
        raise CalibrationError(
            "the log has no description of the board", where=str(log), do="record again with its device note"
        )
    names = [column.name for column in run.device.columns]
    suction_pa = np.concatenate(
        [span.scale.nominal(span.counts(run)).suction_pa for span in run_spans(run, names)]
    )
    if calibration is None:
        print("uncalibrated: by the parts' own scale")
    else:
        certificate = Calibration.from_json(calibration)
        if certificate.foreign_to(run.device):
            print("the calibration was made on another board")
        suction_pa = certificate.apply(suction_pa, names)
    found = find_tare(board_time(run).t_s, suction_pa, run.drive_us, rest_us)
    shown = shown_in(units, None)
    for label, still in (("before", found.before), ("after", found.after)):
        if still is not None:
            zeros = ", ".join(
                f"{name} {shown.pa_text(zero_pa, '+', 2)}({shown.pa_text(u_pa, finer=2)})"
                for name, zero_pa, u_pa in zip(names, still.zero_pa, still.u_pa, strict=True)
            )
            print(
                f"zero {label} the run ({still.start_s:.1f} to {still.end_s:.1f} s),"
                f" {shown.pressure}: {zeros}"
            )
    if found.drift_pa is not None:
        drift = ", ".join(
            f"{name} {shown.pa_text(pa, '+', 2)}" for name, pa in zip(names, found.drift_pa, strict=True)
        )
        print(f"zero drift during the run, {shown.pressure}: {drift}")
    for notice in found.notices:
        print(notice)

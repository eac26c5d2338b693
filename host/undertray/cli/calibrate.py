"""``undertray calibrate``: points on a liquid column to ``calibration.json``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from undertray.calibrate.evaluate import Setup

__all__ = ["register"]

# what an input that was not given is taken to lie within
_UNMEASURED_K = 5.0
_UNKNOWN_GRAVITY = 2.7e-3


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program.

    Parameters
    ----------
    app : typer.Typer
        The program.
    """
    app.command("calibrate")(_calibrate)


def _calibrate(
    points: Annotated[Path, typer.Option(help="Steady readings: height_mm,direction,p1_pa,p2_pa,...")],
    out: Annotated[Path, typer.Option(help="The calibration to write (JSON).")],
    water_c: Annotated[
        float | None, typer.Option(help="Temperature of the liquid, degC; 20 with a wide doubt if left out.")
    ] = None,
    latitude: Annotated[
        float | None, typer.Option(help="Latitude, degrees; 45 with a wide doubt if left out.")
    ] = None,
    height_m: Annotated[float, typer.Option(help="Height above the sea, m.")] = 0.0,
    gravity: Annotated[float | None, typer.Option(help="Local gravity, m/s2, where it is known.")] = None,
    density: Annotated[
        float | None, typer.Option(help="Density of a liquid other than water, kg/m3 at 20 degC.")
    ] = None,
    limbs: Annotated[int, typer.Option(help="2: both menisci read. 1: only one, from its zero mark.")] = 2,
    incline: Annotated[float, typer.Option(help="Angle of the tube to the horizontal, degrees.")] = 90.0,
    bore_mm: Annotated[float | None, typer.Option(help="Bore of the tube that is read (one limb).")] = None,
    well_mm: Annotated[float | None, typer.Option(help="Inner diameter of its well (one limb).")] = None,
    reading_mm: Annotated[float, typer.Option(help="Half width of one reading of a meniscus, mm.")] = 0.5,
    zero_mm: Annotated[float, typer.Option(help="Half width of the column's zero mark, mm.")] = 0.5,
    ruler_percent: Annotated[float, typer.Option(help="Half width of the ruler's length, %.")] = 0.05,
    sensor_pa: Annotated[float, typer.Option(help="Standard uncertainty of one sensor reading, Pa.")] = 0.5,
    zero_open: Annotated[
        bool, typer.Option("--zero-open", help="At height 0 both ports were open to the room.")
    ] = False,
    curve: Annotated[str, typer.Option(help="auto, line or parabola.")] = "auto",
    from_scatter: Annotated[
        bool, typer.Option("--from-scatter", help="Take the independent errors from the scatter.")
    ] = False,
    working_pa: Annotated[
        float | None, typer.Option(help="Largest suction the car is run at, Pa: refuse a shorter range.")
    ] = None,
    log: Annotated[Path | None, typer.Option(help="A run log of the same board: names its parts.")] = None,
    uid: Annotated[str, typer.Option(help="Id of the board, where there is no log.")] = "",
) -> None:
    """Calibrate every sensor on one liquid column from steady readings."""
    from undertray.calibrate.budget import Budget
    from undertray.calibrate.column import Conditions, Tube
    from undertray.calibrate.evaluate import Setup, calibrate
    from undertray.calibrate.findings import findings
    from undertray.calibrate.fluid import WATER, Fluid
    from undertray.calibrate.points import read_points

    if curve not in ("auto", "line", "parabola"):
        raise typer.BadParameter("'auto', 'line' or 'parabola'", param_hint="--curve")
    known_place = latitude is not None or gravity is not None
    setup = Setup(
        tube=Tube(limbs, incline, bore_mm, well_mm),
        conditions=Conditions(
            fluid_c=20.0 if water_c is None else water_c,
            latitude_deg=45.0 if latitude is None else latitude,
            height_m=height_m,
            fluid=WATER if density is None else Fluid("liquid", density),
            gravity_m_s2=gravity,
        ),
        budget=Budget(
            reading_mm=reading_mm,
            zero_mm=zero_mm,
            ruler=ruler_percent / 100,
            temperature_k=_UNMEASURED_K if water_c is None else 1.0,
            gravity=1e-4 if known_place else _UNKNOWN_GRAVITY,
            sensor_pa=sensor_pa,
        ),
        zero_open=zero_open,
        curve=curve,
        from_scatter=from_scatter,
        working_pa=working_pa,
    )
    parts: dict[str, str] = {}
    if log is not None:
        uid, parts = _board(log)
    done = calibrate(read_points(points), setup, made_utc=_now_utc(), uid=uid, parts=parts)
    done.to_json(out)
    for line in (*_doubts(setup, water_c is None, not known_place), *findings(done)):
        typer.echo(line)
    typer.echo(f"written: {out}", err=True)


def _doubts(setup: Setup, no_temperature: bool, no_place: bool) -> list[str]:
    lines = []
    if no_temperature:
        lines.append(f"temperature of the liquid not given: 20 degC within {_UNMEASURED_K:g} K (--water-c)")
    if no_place:
        lines.append(
            "latitude not given: gravity of 45 degrees, within what it varies over the Earth (--latitude)"
        )
    if not setup.zero_open:
        lines.append("height 0 taken as read on the column; if both ports were open, say so (--zero-open)")
    return lines


def _board(log: Path) -> tuple[str, dict[str, str]]:
    from undertray.acquire.runlog import read_run
    from undertray.errors import CalibrationError

    device = read_run(log).device
    if device is None:
        raise CalibrationError(
            "the log has no description of the board",
            where=str(log),
            do="take another log, or leave out --log",
        )
    return device.uid, {column.name: column.part for column in device.columns}


def _now_utc() -> str:
    """Time of the calibration: SOURCE_DATE_EPOCH where it is set, so that builds repeat, else now."""
    import os
    from datetime import UTC, datetime

    fixed = os.environ.get("SOURCE_DATE_EPOCH", "")
    if fixed.isascii() and fixed.isdigit() and len(fixed) <= 11:
        return datetime.fromtimestamp(int(fixed), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")

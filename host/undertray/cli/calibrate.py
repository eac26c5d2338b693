"""``undertray calibrate``: points on a liquid column to ``calibration.json``."""

from __future__ import annotations

import shutil
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from undertray.cli.column import (
    USUAL_EXPANSION,
    Bench,
    BoreMm,
    Density,
    DensityPercent,
    Expansion,
    Gravity,
    HeightM,
    Incline,
    Latitude,
    Leaning,
    Limbs,
    ReadingMm,
    RulerPercent,
    WaterC,
    WellMm,
    ZeroMm,
)
from undertray.cli.options import Units, given_or_found, in_unit, shown_in

if TYPE_CHECKING:
    from collections.abc import Sequence

    from undertray.acquire.device import Device
    from undertray.calibrate.calibration import Calibration
    from undertray.calibrate.session import Session
    from undertray.calibrate.settling import SteadyLimits
    from undertray.report.display import Display

__all__ = ["CAUTION", "ask", "guided", "register", "tell"]


# The guided calibration at the terminal: opens the board, finds the journal, asks the person.

CAUTION = (
    "Caution. Calibrate with the fans unplugged. Never blow or suck by mouth on a tube with dye or any liquid"
    " but water; more than the part's proof pressure breaks it; keep water out of the sensors."
)


def guided(
    port: str,
    journal: Path,
    heights_mm: Sequence[float],
    limits: SteadyLimits,
    pa_per_mm: float,
    shown: Display,
) -> tuple[Session, Device, bool]:
    """Lead a person through a calibration, new or begun before."""
    from undertray.acquire.link import open_link
    from undertray.calibrate.accuracy import nominal_accuracies_pa
    from undertray.calibrate.boardreadings import BoardReadings
    from undertray.calibrate.dialogue import Dialogue, Plausible
    from undertray.calibrate.session import Session, plan
    from undertray.files import is_present

    def in_units(line: str) -> str:
        """In the person's unit of pressure; heights stay in that which is typed without one."""
        return shown.told(line, 2, kept="mm")

    def say(line: str) -> None:
        tell(in_units(line))

    steps = plan(heights_mm)
    link = open_link(port)
    try:
        board = BoardReadings(link)
        if is_present(journal):
            session = Session.resume(journal)
            _check_board(session, board.device)
            tell(f"going on with {journal}: {len(session.taken)} points so far")
            if session.journal.repaired:
                tell(session.journal.repaired)
        else:
            parts = {column.name: column.part for column in board.device.columns}
            session = Session.start(journal, board.device.uid, parts, steps)
        tell(CAUTION)
        known = nominal_accuracies_pa(board.device.columns)
        names = tuple(session.parts)
        plausible = Plausible(names, pa_per_mm, tuple(known.get(name, 0.0) for name in names))
        show = (lambda line: _redrawn(in_units(line))) if sys.stderr.isatty() else None
        unit = shown.pressure, shown.pressure_pa
        done = Dialogue(session, board.fresh, ask, say, plausible, limits, show, unit).run()
        return session, board.device, done
    finally:
        link.close()


def _check_board(session: Session, device: Device) -> None:
    from undertray.errors import CalibrationError

    parts = {column.name: column.part for column in device.columns}
    if (session.uid, session.parts) != (device.uid, parts):
        raise CalibrationError(
            "the journal belongs to another board",
            where=str(session.journal.path),
            seen=f"board {device.uid} with {', '.join(parts)}",
            expected=f"board {session.uid} with {', '.join(session.parts)}",
            do="name another journal with --journal",
        )


def ask(question: str) -> str:
    """Ask the person at the terminal."""
    print(question, end="", file=sys.stderr, flush=True)
    answer = sys.stdin.readline(1000)
    if not answer:
        raise EOFError
    return answer


def tell(line: str) -> None:
    """Tell the person at the terminal something."""
    if sys.stderr.isatty():  # whole words on a screen; a pipe gets the sentence on one line
        line = textwrap.fill(line, shutil.get_terminal_size().columns - 1, subsequent_indent="  ")
    print(line, file=sys.stderr, flush=True)


_FILE = "Points from a file"
_LED = "Or led step by step, with the board connected"
_JUDGED = "The curve, and how it is judged"


def _redrawn(line: str) -> None:
    """Write a line of the terminal anew in place; an empty one takes it away."""
    from undertray.cli.streams import StyledStream
    from undertray.errors import escaped

    width = shutil.get_terminal_size().columns - 1
    StyledStream(sys.stderr).write(f"\r\x1b[2K{escaped(line, 1000)[:width]}")
    sys.stderr.flush()


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("calibrate", short_help="Calibrate every sensor on one liquid column.")(_calibrate)


def _calibrate(
    out: Annotated[Path, typer.Option(help="The calibration to write (JSON); replaced if it is there.")],
    points: Annotated[
        Path | None,
        typer.Option(help="Steady readings: height_mm,direction,p1_pa,p2_pa,...", rich_help_panel=_FILE),
    ] = None,
    log: Annotated[
        Path | None,
        typer.Option(help="A run log of the same board; tells its id and parts.", rich_help_panel=_FILE),
    ] = None,
    uid: Annotated[
        str, typer.Option(help="Id of the board, where there is no log.", rich_help_panel=_FILE)
    ] = "",
    port: Annotated[
        str | None,
        typer.Option(help="The board: be led through the heights at the terminal.", rich_help_panel=_LED),
    ] = None,
    heights: Annotated[
        str, typer.Option(help="Heights to be led through, mm.", rich_help_panel=_LED)
    ] = "0 20 40 60 80 100 120",
    journal: Annotated[
        Path | None,
        typer.Option(help="Where points are kept; OUT.session if left out.", rich_help_panel=_LED),
    ] = None,
    steady_s: Annotated[
        float, typer.Option(help="How long a reading must be steady, s.", rich_help_panel=_LED)
    ] = 3.0,
    steady_pa: Annotated[
        float,
        typer.Option(
            parser=in_unit("Pa"),
            help="Largest drift in that time, Pa; spread up to three times it.",
            rich_help_panel=_LED,
        ),
    ] = 1.0,
    water_c: WaterC = None,
    latitude: Latitude = None,
    height_m: HeightM = 0.0,
    gravity: Gravity = None,
    density: Density = None,
    density_percent: DensityPercent = None,
    expansion: Expansion = USUAL_EXPANSION,
    limbs: Limbs = 2,
    incline: Incline = 90.0,
    leaning: Leaning = "",
    bore_mm: BoreMm = None,
    well_mm: WellMm = None,
    reading_mm: ReadingMm = 0.5,
    zero_mm: ZeroMm = 0.5,
    ruler_percent: RulerPercent = 0.05,
    sensor_pa: Annotated[
        float,
        typer.Option(
            parser=in_unit("Pa"),
            help="Standard uncertainty of one sensor reading, Pa.",
            rich_help_panel=_JUDGED,
        ),
    ] = 0.5,
    zero_open: Annotated[
        bool,
        typer.Option(
            "--zero-open", help="At height 0 both ports were open to the room.", rich_help_panel=_JUDGED
        ),
    ] = False,
    curve: Annotated[str, typer.Option(help="auto, line or parabola.", rich_help_panel=_JUDGED)] = "auto",
    from_scatter: Annotated[
        bool,
        typer.Option(
            "--from-scatter", help="Take the independent errors from the scatter.", rich_help_panel=_JUDGED
        ),
    ] = False,
    working_pa: Annotated[
        float | None,
        typer.Option(
            parser=in_unit("Pa"),
            help="Largest suction the car is run at, Pa: refuse a shorter range.",
            rich_help_panel=_JUDGED,
        ),
    ] = None,
    certificate: Annotated[
        Path | None, typer.Option(help="Also draw the certificate: a name ending in .pdf or .png.")
    ] = None,
    previous: Annotated[
        Path | None,
        typer.Option(help="The last calibration: report what moved since.", rich_help_panel=_JUDGED),
    ] = None,
    anyway: Annotated[
        bool,
        typer.Option(
            "--anyway",
            help="Write it even if it is worse than the parts' own scales.",
            rich_help_panel=_JUDGED,
        ),
    ] = False,
    car: Annotated[
        Path | None,
        typer.Option(
            metavar="CAR.toml",
            help="The car, to say it in force too; else car.toml beside --out or here; 'none' for none.",
        ),
    ] = None,
    units: Units = None,
) -> None:
    """Calibrate every sensor on one liquid column, from a file of readings or led step by step.

    Example: undertray calibrate --points points.csv --out calibration.json --water-c 21 --latitude 47
    """
    from undertray.calibrate.calibration import Calibration
    from undertray.calibrate.evaluate import Setup, calibrate
    from undertray.calibrate.findings import shift_findings
    from undertray.calibrate.points import read_points
    from undertray.calibrate.settling import SteadyLimits
    from undertray.reduce.car import Car
    from undertray.report.calibrationwords import details, in_one_line, sensor_table, told_fine
    from undertray.report.certificate import kind_of_certificate, write_certificate
    from undertray.report.words import wrapped

    if certificate is not None:
        kind_of_certificate(certificate)  # before the work, not after it
    if (points is None) == (port is None):
        raise typer.BadParameter(
            "give readings (--points FILE) or be led at the board (--port PORT), one of them",
            param_hint="--points",
        )
    if curve not in ("auto", "line", "parabola"):
        raise typer.BadParameter("'auto', 'line' or 'parabola'", param_hint="--curve")
    if port is not None and water_c is None and sys.stdin.isatty():
        water_c = _asked_water_c()
    bench = Bench(
        water_c=water_c,
        latitude=latitude,
        height_m=height_m,
        gravity=gravity,
        density=density,
        density_percent=density_percent,
        expansion=expansion,
        limbs=limbs,
        incline=incline,
        leaning=leaning,
        bore_mm=bore_mm,
        well_mm=well_mm,
        reading_mm=reading_mm,
        zero_mm=zero_mm,
        ruler_percent=ruler_percent,
    )
    (car,) = given_or_found([out], car=car)
    the_car = None if car is None else Car.from_toml(car)
    setup = Setup(
        tube=bench.tube,
        conditions=bench.conditions,
        budget=bench.budget(sensor_pa),
        zero_open=zero_open or port is not None,
        curve=curve,
        from_scatter=from_scatter,
        working_pa=working_pa,
    )
    shown = shown_in(units, the_car)
    before = None if previous is None else Calibration.from_json(previous)
    device = None
    if points is not None:
        device = None if log is None else _board(log)
        taken = read_points(points)
    else:
        session, device, finished = guided(
            str(port),
            journal or out.with_suffix(".session"),
            _heights(heights),
            SteadyLimits(steady_s, steady_pa, 3 * steady_pa),
            bench.tube.gain * bench.conditions.pa_per_mm,
            shown,
        )
        if not finished:
            raise typer.Exit
        taken = session.points()
    done = calibrate(taken, setup, made_utc=now_utc(), **_known(device, uid))
    notes = [*bench.doubts, *([] if setup.zero_open else [_ZERO_READ])]
    lines = [
        in_one_line(done, the_car, shown),
        "",
        *sensor_table(done, shown),
        "",
        *notes,
        *([] if done.uid else [_NO_BOARD]),
    ]
    lines += details(done, shown)
    if before is not None:
        lines += ["", *(told_fine(line, shown) for line in shift_findings(done, before))]
    for line in lines:
        print(wrapped(line, "  "))
    _refuse_worse(done, anyway)
    _warn_departing(done)
    done.to_json(out)
    print(f"written: {out}", file=sys.stderr)
    if certificate is not None:
        for path in write_certificate(done, certificate, car=the_car, shown=shown, notes=notes):
            print(f"written: {path}", file=sys.stderr)


_TEMPERATURE_QUESTION = "Temperature of the liquid (21, or 70 F; Enter: not measured, 20 degC within 5 K) > "


def _asked_water_c() -> float | None:
    """Ask before the work what would be missed after it; None where the person does not know."""
    while True:
        try:
            answer = ask(_TEMPERATURE_QUESTION).strip()
        except EOFError:
            return None
        if not answer:
            return None
        try:
            water_c = in_unit("degC")(answer)
        except typer.BadParameter as error:
            tell(error.message)
            continue
        if 0 <= water_c <= 40:
            return water_c
        tell(f"no temperature of a liquid that is calibrated with, got '{water_c:g} degC', expected 0 to 40")


_ZERO_READ = "height 0 taken as read on the column; if both ports were open, say so (--zero-open)"
_NO_BOARD = (
    "the board is not known: nobody would notice if it were used for another; name it with --log RUN.csv, a"
    " recording of it, or --uid"
)


def _heights(text: str) -> list[float]:
    """Heights in mm, or all in the unit that stands behind the last."""
    from undertray.units import UnitError, quantity

    words = text.replace(",", " ").split()
    unit = words.pop() if words and not words[-1][-1].isdigit() else "mm"
    try:
        return [quantity(f"{float(word)!r} {unit}", "mm", "--heights") for word in words]
    except (ValueError, UnitError):
        raise typer.BadParameter(
            "heights in mm, or with their unit at the end: '0 20 40 60', '0 1 2 3 4 in'",
            param_hint="--heights",
        ) from None


def _board(log: Path) -> Device:
    from undertray.acquire.runlog import read_run
    from undertray.errors import CalibrationError

    device = read_run(log).device
    if device is None:
        raise CalibrationError(
            "the log has no description of the board",
            where=str(log),
            do="take another log, or leave out --log",
        )
    return device


def _known(device: Device | None, uid: str) -> dict[str, Any]:
    """What is known of the board that the points are of."""
    from undertray.calibrate.accuracy import nominal_accuracies_pa

    if device is None:
        return {"uid": uid}
    return {
        "uid": device.uid,
        "parts": {column.name: column.part for column in device.columns},
        "accuracy_pa": nominal_accuracies_pa(device.columns),
    }


def _refuse_worse(done: Calibration, anyway: bool) -> None:
    """Stop before a calibration is written that is surely worse than none; warn where it may be."""
    from undertray.calibrate.accuracy import made_worse, worse_heading
    from undertray.errors import CalibrationRefused

    for name, column in done.columns.items():
        worse = made_worse(column)
        if worse and column.facts["nominal_accuracy_known"] and not anyway:
            raise CalibrationRefused(
                f"calibrating made it worse: {worse}",
                where=name,
                do="nothing is written; look at the points named above, or write it all the same (--anyway)",
            )
        if worse:
            print(f"warning: {name}: {worse_heading(column)}: {worse}", file=sys.stderr)


def _warn_departing(done: Calibration) -> None:
    """Warn where the column and the parts' own scales are further apart than the parts can be off."""
    from undertray.calibrate.accuracy import depart_together, departs

    together = depart_together(done.columns)
    each = [f"{name}: {departs(column)}" for name, column in done.columns.items() if departs(column)]
    for warning in [together] if together else each:
        print(f"warning: {warning}", file=sys.stderr)


def now_utc() -> str:
    """Time of a calibration: SOURCE_DATE_EPOCH where it is set, so that a result repeats, else now."""
    import os
    from datetime import UTC, datetime

    fixed = os.environ.get("SOURCE_DATE_EPOCH", "")
    if fixed.isascii() and fixed.isdigit() and len(fixed) <= 11:
        return datetime.fromtimestamp(int(fixed), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")

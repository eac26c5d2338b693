"""``undertray reduce``."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from undertray.reduce.losses import Loss
    from undertray.reduce.run import Reduction

__all__ = ["register", "table"]

_CAUTION = (
    "Caution: a computed margin is no guarantee. It holds for the surface, the seal and the pack of this "
    "run only. Nobody under an inverted car; catch net or strap on; eyes and ears protected near spinning "
    "fans. Local rules and licensed practice come first."
)
_MOST_EVENTS = 40


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program.

    Parameters
    ----------
    app : typer.Typer
        The program.
    """
    app.command("reduce")(_reduce)


def _reduce(
    run: Annotated[Path, typer.Argument(metavar="RUN.csv", help="The run log.", show_default=False)],
    car: Annotated[Path, typer.Option("--car", metavar="CAR.toml", help="The car.", show_default=False)],
    calibration: Annotated[
        Path | None, typer.Option("--calibration", metavar="FILE", help="The board's calibration.json.")
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the summary as one JSON object and nothing else.")
    ] = False,
    png: Annotated[Path | None, typer.Option("--png", metavar="FILE", help="Draw the run.")] = None,
) -> None:
    """Reduce a run: downforce against what is needed, axle by axle, and the moments the seal let go."""
    from undertray.acquire.runlog import read_run
    from undertray.calibrate.certificate import Calibration
    from undertray.reduce.car import Car
    from undertray.reduce.run import reduce_run

    the_car = Car.from_toml(car)
    certificate = Calibration.from_json(calibration) if calibration else None
    result = reduce_run(read_run(run), the_car, certificate)
    if as_json:
        print(json.dumps(result.as_dict(), allow_nan=False))
    else:
        print(table(result))
    for notice in result.notices:
        print(f"note: {notice}", file=sys.stderr)
    print(_CAUTION, file=sys.stderr)
    if png is not None:
        from undertray.report.figures import run_picture

        run_picture(result, the_car, png)
        print(f"picture: {png}", file=sys.stderr)


def table(result: Reduction) -> str:
    """The reduction as a table for people.

    Parameters
    ----------
    result : Reduction
        A reduced run.

    Returns
    -------
    str
        Lines of plain text.
    """
    hold, force, suction = result.hold, result.downforce_n, result.suction_pa
    state = "calibrated" if result.calibrated else "UNCALIBRATED"
    lines = [
        f"{_safe(result.run)}: {result.duration_s:.1f} s, {result.rows} rows, "
        f"{result.rate_hz:.1f} Hz, {state}",
        "",
        f"held at {hold.surface_angle:g} degrees: downforce {force.median:.1f} N (median), "
        f"{hold.required_n:.1f} N needed, {result.hold.margin_n.median:+.1f} N margin",
        f"below the hold limit for {hold.below_s:.2f} s; the {hold.limiting_axle} axle lets go first",
        "",
        f"{'':16}{'mean':>9}{'5 %':>9}{'median':>9}{'95 %':>9}{'max':>9}{'u95':>9}",
    ]
    for name, spread in (("suction, Pa", suction), ("downforce, N", force)):
        values = (spread.mean, spread.p05, spread.median, spread.p95, spread.max)
        digits = 0 if "Pa" in name else 1
        off = f"{spread.u95:9.{digits + 1}f}" if spread.u95 is not None else f"{'-':>9}"
        lines.append(f"{name:16}" + "".join(f"{v:9.{digits}f}" for v in values) + off)
    x, y = result.centre_mm.x, result.centre_mm.y
    if x is not None and y is not None:
        side = "right" if y >= 0 else "left"
        lines.append(f"centre of the force: {x:.0f} mm behind the front axle, {abs(y):.0f} mm to the {side}")
    lines += ["", f"{'axle':16}{'load, N':>9}{'needed':>9}{'margin':>9}{'least':>9}{'below, s':>10}"]
    for name, axle in result.axles.items():
        margin = axle.margin_n
        lines.append(
            f"{name:16}{axle.downforce_n:9.1f}{axle.required_n:9.1f}{margin.median:+9.1f}{margin.min:+9.1f}"
            f"{axle.below_s:10.2f}"
        )
    lines += ["", f"{'tap':16}{'mean, Pa':>9}{'median':>9}{'max':>9}{'saturated, s':>14}{'missing, s':>12}"]
    for name, tap in result.taps.items():
        values3 = "".join(f"{'-':>9}" if v is None else f"{v:9.0f}" for v in (tap.mean, tap.median, tap.max))
        lines.append(f"{_safe(name):16}{values3}{tap.saturated_s:14.2f}{tap.missing_s:12.2f}")
    return "\n".join([*lines, "", *_events(result.events)])


def _events(events: tuple[Loss, ...]) -> list[str]:
    if not events:
        return ["no event found"]
    head = f"{'event':14}{'onset, s':>10}  {'first tap':14}{'drop':>6}{'fall, ms':>10}"
    lines = [head + f"{'end, s':>10}{'warning, s':>12}"]
    # what matters most comes first where not everything fits
    shown = sorted(events, key=lambda e: e.kind == "throttle-cut")[:_MOST_EVENTS]
    for event in sorted(shown, key=lambda e: e.onset_s):
        drop = "-" if event.drop is None else f"{event.drop:.0%}"
        fall = "-" if event.fall_s is None else f"{event.fall_s * 1e3:.0f}"
        end = "-" if event.end_s is None else f"{event.end_s:.2f}"
        loss = event.kind in ("seal-loss", "slow-leak")
        warning = f"{event.warning_s:.2f}" if event.warning_s is not None else "none" if loss else "-"
        lines.append(
            f"{event.kind:14}{event.onset_s:10.3f}  {_safe(event.first_tap or '-'):14}{drop:>6}{fall:>10}"
            f"{end:>10}{warning:>12}"
        )
    if len(events) > len(shown):
        lines.append(f"... and {len(events) - len(shown)} more (--json lists all)")
    return lines


def _safe(text: str) -> str:
    """A foreign name on one line of a terminal."""
    return "".join(c if c.isprintable() else "?" for c in text)[:40]

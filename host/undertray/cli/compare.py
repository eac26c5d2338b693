"""``undertray compare``."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from undertray.cli.taring import Tare

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program.

    Parameters
    ----------
    app : typer.Typer
        The program.
    """
    app.command("compare", short_help="Compare skirts, gaps or packs at the same throttle.")(_compare)


def _compare(
    runs: Annotated[list[Path], typer.Argument(metavar="RUN...", help="Run logs, two or more.")],
    car: Annotated[Path, typer.Option("--car", metavar="CAR.toml", help="The car.", show_default=False)],
    by: Annotated[str, typer.Option("--by", help="The fact to group by: skirt, gap, pack, ...")] = "skirt",
    against: Annotated[
        str | None,
        typer.Option("--against", help="The group to compare with; that of the first run if left out."),
    ] = None,
    calibration: Annotated[
        Path | None, typer.Option("--calibration", metavar="FILE", help="The board's calibration.json.")
    ] = None,
    tare: Tare = "none",
    units: Annotated[str, typer.Option("--units", help="si or us.")] = "si",
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")] = False,
    pictures: Annotated[
        Path | None,
        typer.Option("--pictures", metavar="FOLDER", help="Draw it as SVG, with its numbers as CSV."),
    ] = None,
) -> None:
    """Compare skirts, gaps or packs at the same throttle, and say whether the difference is more than noise.

    A log that cannot be read or judged, or does not say the fact, is left out, and that is said.

    Example: undertray compare brush1.csv brush2.csv foam1.csv foam2.csv --car car.toml --by skirt
    """
    if units not in ("si", "us"):
        raise typer.BadParameter("si or us", param_hint="--units")
    from dataclasses import replace

    from undertray import Calibration, Car, read_run, reduce_run
    from undertray.errors import UndertrayError
    from undertray.report.compare import compare
    from undertray.report.comparepicture import comparison_picture
    from undertray.report.comparewords import comparison_words
    from undertray.report.digest import digest
    from undertray.report.display import display
    from undertray.report.picture import write_pictures
    from undertray.report.words import caution_line, few_names, note_lines

    the_car = Car.from_toml(car)
    certificate = Calibration.from_json(calibration) if calibration is not None else None
    digests, left_out, foreign = [], [], []
    with typer.progressbar(
        runs, label="reducing", file=sys.stderr, hidden=len(runs) < 8 or not sys.stderr.isatty()
    ) as shown:
        for path in shown:
            try:
                run = read_run(path)
                digests.append(digest(reduce_run(run, the_car, certificate, tare), run.facts, by))
                if certificate and certificate.foreign_to(run.device):
                    foreign.append(path.name)
            except UndertrayError as error:
                left_out.append((path, error))
    for _, why in left_out:
        print(note_lines(f"left out: {why}"), file=sys.stderr)
    notices = [f"left out: {few_names([path.name for path, _ in left_out])}"] if left_out else []
    if foreign:
        notices.append(f"the calibration was made on another board than {few_names(foreign)}")
        print(note_lines(notices[-1]), file=sys.stderr)
    if left_out and not digests:
        raise left_out[0][1]
    digests.sort(key=lambda one: one.started)
    found = compare(digests, by, against)
    found = replace(found, notices=(*found.notices, *notices))
    if as_json:
        print(json.dumps(found.as_dict(), allow_nan=False))
    else:
        for line in comparison_words(found, display(units)):
            print(line)
    print(caution_line(), file=sys.stderr)
    if pictures is not None:
        write_pictures([comparison_picture(found, display(units))], pictures)
        print(f"pictures: {pictures}", file=sys.stderr)

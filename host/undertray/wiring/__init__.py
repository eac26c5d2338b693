"""Drawings of the wiring: pin table, schematic and harness, all made from ``board.json``."""

from __future__ import annotations

from pathlib import Path

from undertray.errors import BoardError
from undertray.files import write_whole
from undertray.wiring.drawing import draw_harness, draw_schematic
from undertray.wiring.pins import BoardPlan, pin_table, read_plan

__all__ = [
    "BoardPlan",
    "draw_harness",
    "draw_schematic",
    "drawings",
    "pin_table",
    "read_plan",
    "write_drawings",
]


def drawings(plan: BoardPlan) -> dict[str, str]:
    """Make every drawing of a board."""
    return {
        "pins.md": pin_table(plan),
        "schematic.svg": draw_schematic(plan),
        "harness.svg": draw_harness(plan),
    }


def write_drawings(board_json: str | Path, folder: str | Path) -> list[Path]:
    """Draw a board description into a folder; files of the same name are replaced."""
    plan = read_plan(board_json)
    paths = []
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
        for name, content in drawings(plan).items():
            path = Path(folder) / name
            write_whole(path, content.encode())
            paths.append(path)
    except OSError as error:
        raise BoardError(f"cannot write the drawings: {error.strerror}", where=str(folder)) from error
    return paths

"""Rehearses a board.json with the board's own firmware, under CPython, and prints the result as JSON.

Run as a program (``python -I rehearse.py BOARD_JSON FIRMWARE``) in a process of its own: there,
``undertray`` is the firmware's package. :mod:`undertray.board.rules` is the side that asks.
"""

from __future__ import annotations

import importlib
import importlib.util
import json
import sys
from pathlib import Path

__all__ = ["main"]


def main(arguments: list[str]) -> None:
    """Rehearse, and print."""
    board, firmware = arguments
    here = Path(__file__).resolve().parent
    spec = importlib.util.spec_from_file_location("twin", here / "twin.py")
    if spec is None or spec.loader is None:
        raise ImportError(f"no twin.py in {here}")
    twin = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(twin)
    twin.put_in_place(here / "standin", here, Path(firmware))
    sys.stdout.write(json.dumps(importlib.import_module("rehearsal").rehearse(board)))


if __name__ == "__main__":
    main(sys.argv[1:])

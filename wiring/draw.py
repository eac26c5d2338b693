"""Draw pin table, schematic and harness from a board description.

python wiring/draw.py                      firmware/board.json into wiring/
python wiring/draw.py my-board.json out    another description into another folder
"""

from __future__ import annotations

import sys
from pathlib import Path

from undertray.errors import UndertrayError
from undertray.wiring import write_drawings

HERE = Path(__file__).resolve().parent


def main(arguments: list[str]) -> int:
    """Draw; gives the exit status."""
    if len(arguments) > 2:
        sys.stderr.write(f"{__doc__}\n")
        return 2
    board = arguments[0] if arguments else HERE.parent / "firmware" / "board.json"
    folder = arguments[1] if len(arguments) > 1 else HERE
    try:
        for path in write_drawings(board, folder):
            sys.stdout.write(f"{path}\n")
    except UndertrayError as error:
        sys.stderr.write(f"draw: {error}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

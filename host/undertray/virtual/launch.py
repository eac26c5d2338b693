"""How the virtual board is started: the command line, the environment, the folder.

Contract of the process: bytes for the board on standard input, the board's bytes on standard
output (raw, LF ends a line), nothing else on either; standard error is for people. It ends when
its input does. The working directory is a private folder with a copy of ``board.json``; runs are
stored there too.

MicroPython finds the stand-ins ahead of its own modules through ``MICROPYPATH``::

    MICROPYPATH=virtual/standin:virtual:firmware:.frozen micropython virtual/standin/boot_board.py SCENARIO

The twin is ``python -I -B virtual/twin.py SCENARIO FIRMWARE``. The scenario is a JSON file; its keys
are listed in ``virtual/standin/stage.py``.
"""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

from undertray.errors import BoardError
from undertray.places import bundled

__all__ = ["ENGINES", "HEAP", "command", "micropython"]

ENGINES = ("auto", "micropython", "twin")
# A Pico leaves MicroPython about 190 kB. The same object takes about twice that with 64-bit words, and the
# stand-ins and the car live in it too.
HEAP = "2M"
_HERE = Path(__file__).resolve().parent


def micropython() -> str | None:
    """Find the MicroPython interpreter of this environment, or of the system.

    Returns
    -------
    str or None
        Its path.
    """
    beside = Path(sys.executable).parent / "micropython"
    if beside.is_file() and os.access(beside, os.X_OK):
        return str(beside)
    return shutil.which("micropython")


def command(
    engine: str, scenario_path: Path | str, board_path: Path | str, folder: Path | str
) -> tuple[list[str], dict[str, str]]:
    """Prepare a folder, and give what starts a virtual board in it.

    Parameters
    ----------
    engine : str
        "auto" (MicroPython where it is there), "micropython" or "twin".
    scenario_path : path
        The scenario, JSON.
    board_path : path
        The board description; it is copied to ``folder`` as ``board.json``.
    folder : path
        A private, existing folder: the working directory to start the process in.

    Returns
    -------
    argv : list of str
    env : dict
        The whole environment of the process.

    Raises
    ------
    BoardError
        When the engine is unknown, MicroPython is asked for and missing, or the board description
        cannot be read.
    """
    if engine not in ENGINES:
        raise BoardError("unknown engine", seen=engine, expected=" or ".join(ENGINES))
    firmware = bundled("firmware")
    try:
        shutil.copyfile(board_path, Path(folder) / "board.json")
    except OSError as error:
        raise BoardError(
            "cannot be copied for the virtual board", where=str(board_path), seen=error.strerror
        ) from error
    scenario = str(Path(scenario_path).resolve())
    env = dict(os.environ)
    interpreter = None if engine == "twin" else micropython()
    if interpreter is None:
        if engine == "micropython":
            raise BoardError(
                "MicroPython is not installed here", do="use the twin, or install undertray[test]"
            )
        return [sys.executable, "-I", "-B", str(_HERE / "twin.py"), scenario, str(firmware)], env
    env["MICROPYPATH"] = ":".join([str(_HERE / "standin"), str(_HERE), str(firmware), ".frozen"])
    return [interpreter, "-X", f"heapsize={HEAP}", str(_HERE / "standin" / "boot_board.py"), scenario], env

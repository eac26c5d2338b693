"""The board's own firmware under CPython, where there is no MicroPython.

Run as a program (``python -I twin.py SCENARIO``) with ``board.json`` in the working directory: it starts
the same files of ``firmware/`` on the same stand-in modules; only what CPython lacks is put in their
way. A contract test holds its bytes equal to those of MicroPython on the same readings. It is never
imported by the host program: there, ``undertray`` is another package.

See :mod:`undertray.virtual.launch` for how it is started.
"""

from __future__ import annotations

import builtins
import gc
import importlib.util
import os
import select
import sys
import time
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

__all__ = ["TwinPort", "main", "put_in_place"]

_FREE_BYTES = 180_000


def _same(function: Any) -> Any:
    return function


def _by_halves(buffer: Any) -> memoryview:
    """View a buffer as 16-bit words, as viper's ``ptr16`` does."""
    return memoryview(buffer).cast("B").cast("H")


def put_in_place(standin: Path, physics: Path, firmware: Path) -> None:
    """Make the interpreter look like a board to the firmware's files.

    Parameters
    ----------
    standin : pathlib.Path
        Folder of the stand-in modules.
    physics : pathlib.Path
        Folder of ``physics.py``.
    firmware : pathlib.Path
        Folder of the firmware.

    Raises
    ------
    ImportError
        When the stand-in has no ``time.py``.
    """
    micropython = types.ModuleType("micropython")
    for name in ("const", "native", "viper"):
        setattr(micropython, name, _same)
    sys.modules["micropython"] = micropython
    sys.modules["utime"] = time
    # What MicroPython has built in, and its emitter's words.
    builtins.ptr8 = builtins.ptr32 = _same  # type: ignore[attr-defined]
    builtins.ptr16 = _by_halves  # type: ignore[attr-defined]
    gc.mem_free = lambda: _FREE_BYTES  # type: ignore[attr-defined]
    sys.print_exception = _print_exception  # type: ignore[attr-defined]
    for folder in (firmware, physics, standin):
        sys.path.insert(0, str(folder))
    # ``time`` is loaded already, so the stand-in's must take its name.
    spec = importlib.util.spec_from_file_location("time", standin / "time.py")
    if spec is None or spec.loader is None:
        raise ImportError(f"no time.py in {standin}")
    module = importlib.util.module_from_spec(spec)
    sys.modules["time"] = module
    spec.loader.exec_module(module)


def _print_exception(error: BaseException, file: Any = sys.stderr) -> None:
    print(f"{type(error).__name__}: {error}", file=file)


class TwinPort:
    """Standard input and output as the firmware's port: bytes, and never a wait."""

    def __init__(self) -> None:
        self._poller = select.poll()
        self._poller.register(0, select.POLLIN)
        self._poller.register(1, select.POLLOUT)

    def ready(self) -> int:
        """Say what can be done without waiting.

        Returns
        -------
        int
            1 to read, 4 to write, 5 both, 0 neither.

        Raises
        ------
        SystemExit
            When nobody reads what the board sends any more.
        """
        found = 0
        for _, event in self._poller.poll(0):
            found |= event
        if found & select.POLLERR:
            raise SystemExit(0)
        return found & 5 | (1 if found & select.POLLHUP else 0)

    def read(self) -> int:
        """Read one byte; the program ends with its input.

        Returns
        -------
        int
            The byte.

        Raises
        ------
        SystemExit
            When the host has gone.
        """
        data = os.read(0, 1)
        if not data:
            raise SystemExit(0)
        return data[0]

    def write(self, buffer: Any, start: int, count: int) -> int:
        """Write some bytes of a buffer.

        Parameters
        ----------
        buffer : bytearray
            Where they are.
        start, count : int
            The first, and how many.

        Returns
        -------
        int
            How many went.
        """
        return os.write(1, memoryview(buffer)[start : start + count])


def main(arguments: list[str]) -> None:
    """Run the firmware.

    Parameters
    ----------
    arguments : list of str
        Path of the scenario, folder of the firmware.
    """
    scenario, firmware = arguments
    here = Path(__file__).resolve().parent
    put_in_place(here / "standin", here, Path(firmware))
    boot: Callable[..., None] = importlib.import_module("boot_board").boot
    boot(scenario, TwinPort() if hasattr(select, "poll") else None)


if __name__ == "__main__":
    main(sys.argv[1:])

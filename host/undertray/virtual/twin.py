"""The board's own firmware under CPython, where there is no MicroPython.

Run as a program (``python -I -B twin.py SCENARIO FIRMWARE``) with ``board.json`` in the working
directory: it starts the same files of ``firmware/`` on the same stand-in modules; only what
CPython lacks is put in their way. With ``--rehearse BOARD_JSON FIRMWARE`` it prints as JSON what the
firmware makes of a description (:mod:`undertray.board.rehearsal` asks).

A contract test holds its bytes equal to those of MicroPython on the same readings, but for the free
memory, which has no meaning here. It is never imported by the host program: there, ``undertray`` is
another package. ``-B`` keeps compiled files out of the firmware's folder, which is copied to boards.

See :mod:`undertray.virtual.server` for how it is started.
"""

from __future__ import annotations

import builtins
import contextlib
import gc
import importlib.util
import json
import os
import sys
import threading
import time
import types
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

__all__ = ["TwinPort", "main", "put_in_place"]

_FREE_BYTES = 180_000
_QUEUE = 4096


def _same(function: Any) -> Any:
    return function


def _by_bytes(buffer: Any) -> Any:
    """View a buffer as bytes, as viper's ``ptr8`` does."""
    plain = isinstance(buffer, bytes | bytearray | memoryview)
    return buffer if plain else memoryview(buffer).cast("B")


def _by_halves(buffer: Any) -> memoryview:
    """View a buffer as 16-bit words, as viper's ``ptr16`` does."""
    return memoryview(buffer).cast("B").cast("H")


def put_in_place(standin: Path, physics: Path, firmware: Path) -> None:
    """Make the interpreter look like a board to the firmware's files."""
    micropython = types.ModuleType("micropython")
    for name in ("const", "native", "viper"):
        setattr(micropython, name, _same)
    sys.modules["micropython"] = micropython
    sys.modules["utime"] = time
    # What MicroPython has built in, and its emitter's words.
    builtins.ptr8 = _by_bytes  # type: ignore[attr-defined]
    builtins.ptr32 = _same  # type: ignore[attr-defined]
    builtins.ptr16 = _by_halves  # type: ignore[attr-defined]
    gc.mem_free = lambda: _FREE_BYTES  # type: ignore[attr-defined]
    os.ilistdir = lambda path: [(item.name, 0, 0) for item in Path(path).iterdir()]  # type: ignore[attr-defined]
    for folder in (firmware, physics, standin):
        sys.path.insert(0, str(folder))
    # ``time`` is loaded already, so the stand-in's must take its name.
    spec = importlib.util.spec_from_file_location("time", standin / "time.py")
    if spec is None or spec.loader is None:
        raise ImportError(f"no time.py in {standin}")
    module = importlib.util.module_from_spec(spec)
    sys.modules["time"] = module
    spec.loader.exec_module(module)


class TwinPort:
    """Standard input and output as the firmware's port: bytes, and never a wait."""

    def __init__(self) -> None:
        self._inbox: deque[int] = deque()
        self._outbox = bytearray()
        self._filled = threading.Condition()
        self._closed = False
        for carry in (self._carry_in, self._carry_out):
            threading.Thread(target=carry, daemon=True).start()

    def _carry_in(self) -> None:
        with contextlib.suppress(OSError):
            while data := os.read(0, _QUEUE):
                self._inbox.extend(data)
        self._closed = True

    def _carry_out(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                with self._filled:
                    self._filled.wait_for(lambda: len(self._outbox) > 0)
                    piece = bytes(self._outbox)
                os.write(1, piece)
                with self._filled:
                    del self._outbox[: len(piece)]
        self._closed = True

    def ready(self) -> int:
        """Say what can be done without waiting."""
        if self._closed and not self._inbox:
            raise SystemExit(0)
        return (1 if self._inbox else 0) | (4 if len(self._outbox) < _QUEUE else 0)

    def read(self) -> int:
        """Take one byte; only after ``ready`` said so."""
        return self._inbox.popleft()

    def write(self, buffer: Any, start: int, count: int) -> int:
        """Hand over some bytes of a buffer."""
        with self._filled:
            self._outbox += memoryview(buffer)[start : start + count]
            self._filled.notify()
        return count


def main(arguments: list[str]) -> None:
    """Run the firmware, or rehearse a description with it."""
    *rehearsed, given, firmware = arguments
    here = Path(__file__).resolve().parent
    put_in_place(here / "standin", here, Path(firmware))
    if rehearsed:
        sys.stdout.write(json.dumps(importlib.import_module("rehearse_board").rehearse(given)))
        return
    boot: Callable[..., None] = importlib.import_module("boot_board").boot
    boot(given, TwinPort)


if __name__ == "__main__":
    main(sys.argv[1:])

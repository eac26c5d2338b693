"""A running virtual board: the firmware in a process of its own, and the host it talks to.

The firmware (see :mod:`undertray.virtual.launch`) talks over standard input and output, as the
real one does over USB. Without a host its output is thrown away, as a USB port does that nobody
opened. A host that stops reading fills the pipe, and the firmware then counts the rows it has to
drop.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Protocol

from undertray.errors import BoardError

__all__ = ["Board", "Host", "open_board"]

_PIECE = 4096
_F_SETPIPE_SZ = 1031  # Linux fcntl: a small pipe makes a stalled host felt within a few dozen rows


class Host(Protocol):
    """The side that reads: a socket or a pseudo-terminal. Every method may raise OSError."""

    def receive(self) -> bytes:
        """Wait for bytes to the board.

        Returns
        -------
        bytes
            None at all: the host is gone.
        """
        ...

    def send(self, piece: bytes) -> None:
        """Hand bytes from the board over, waiting until the host takes them.

        Parameters
        ----------
        piece : bytes
            Any length.
        """
        ...

    def close(self) -> None:
        """Hang up."""
        ...


@dataclass(slots=True)
class Board:
    """A running firmware process and the host it is connected to.

    Attributes
    ----------
    process : subprocess.Popen of bytes
        The interpreter that runs the firmware.
    engine : str
        Which interpreter that is, in words.
    """

    process: subprocess.Popen[bytes]
    engine: str
    _host: Host | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def pump(self) -> None:
        """Carry the firmware's output to the host until the firmware ends; then close it.

        Whoever reads a pipe closes it: by another thread it could be closed between two reads.
        """
        with _pipe(self.process.stdout) as output:
            while piece := os.read(output.fileno(), _PIECE):
                host = self._host
                if host is None:
                    continue
                try:
                    host.send(piece)
                except OSError:
                    self._drop(host)

    def attend(self, host: Host) -> None:
        """Connect a host and carry its bytes to the firmware until it goes away.

        Parameters
        ----------
        host : object
            The connected side.
        """
        with self._lock:
            self._host = host
        commands = _pipe(self.process.stdin)
        # either end may vanish at any moment, or be closed: all mean that this connection is over
        with contextlib.suppress(OSError, ValueError):
            while piece := host.receive():
                commands.write(piece)
                commands.flush()
        self._drop(host)

    def check(self) -> None:
        """Notice a firmware that has ended.

        Raises
        ------
        BoardError
            When it has.
        """
        status = self.process.poll()
        if status is not None:
            raise BoardError(
                "the firmware ended", seen=status, expected="a running board", do="read its message above"
            )

    def stop(self) -> None:
        """End the firmware process; :meth:`pump` then comes to its end."""
        self.process.terminate()
        try:
            self.process.wait(5)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        with contextlib.suppress(OSError):
            _pipe(self.process.stdin).close()

    def _drop(self, host: Host) -> None:
        with self._lock:
            if self._host is host:
                self._host = None
        with contextlib.suppress(OSError):
            host.close()


def _pipe(pipe: IO[bytes] | None) -> IO[bytes]:
    if pipe is None:  # a Popen without pipes: a mistake in this file
        raise BoardError("the virtual board has no pipe to its firmware")
    return pipe


@contextlib.contextmanager
def open_board(
    scenario: Mapping[str, Any], engine: str = "auto", board: Path | None = None
) -> Iterator[Board]:
    """Start the firmware on a virtual car.

    Parameters
    ----------
    scenario : mapping
        What happens, in the form that ``virtual/standin/stage.py`` describes.
    engine : str
        ``micropython``, ``twin``, or ``auto`` for the first where it is installed.
    board : Path or None
        A ``board.json`` other than the firmware's own.

    Yields
    ------
    Board
        Running; its firmware is stopped when the block is left.

    Raises
    ------
    BoardError
        When there is no interpreter to run it.
    """
    from undertray.places import bundled
    from undertray.virtual.launch import command

    with tempfile.TemporaryDirectory(prefix="undertray-board-", ignore_cleanup_errors=True) as folder:
        scenario_path = Path(folder) / "scenario.json"
        scenario_path.write_text(json.dumps(scenario), encoding="utf-8")
        argv, env = command(engine, scenario_path, board or bundled("firmware") / "board.json", folder)
        process = subprocess.Popen(
            argv,
            env=env,
            cwd=folder,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
            start_new_session=True,  # Ctrl-C of the terminal is for this program, which then stops it
        )
        _shrink(_pipe(process.stdout))
        running = Board(process, "the twin" if "-I" in argv else "MicroPython")
        pump = threading.Thread(target=running.pump, name="board output", daemon=True)
        pump.start()
        try:
            yield running
        finally:
            running.stop()
            pump.join(5)


def _shrink(pipe: IO[bytes]) -> None:
    if sys.platform == "linux":
        import fcntl

        with contextlib.suppress(OSError):
            fcntl.fcntl(pipe.fileno(), _F_SETPIPE_SZ, _PIECE)

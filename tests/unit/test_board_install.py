"""``undertray board install``: the plan, the commands, and what runs on the board.

No board was here. The transfer program is a fake, or the real one against real MicroPython on a
pseudo-terminal.
"""

from __future__ import annotations

import hashlib
import importlib.util
import json
import os
import re
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from fakes.program import CliRunner
from firmware.runs import FIRMWARE, needs_micropython
from undertray.board import onboard
from undertray.board.install import Outcome, compiled, file_plan, install, run_mpremote
from undertray.cli import app
from undertray.errors import BoardError
from undertray.virtual import server


@pytest.fixture
def firmware(tmp_path: Path) -> Path:
    """A small one: an install of the whole takes a quarter of a minute."""
    folder = tmp_path / "firmware"
    (folder / "undertray" / "sensors").mkdir(parents=True)
    (folder / "undertray" / "__pycache__").mkdir()
    (folder / "undertray" / "__pycache__" / "app.cpython-311.pyc").write_bytes(b"no")
    (folder / "undertray" / "__init__.py").write_bytes(b"")
    (folder / "undertray" / "app.py").write_bytes("# µ\nprint(1)\n".encode() * 200)
    (folder / "undertray" / "sensors" / "hsc.py").write_bytes(b"print(2)\n")
    (folder / "main.py").write_bytes(b"import undertray\n")
    (folder / "board.json").write_bytes(b"{}\n")
    return folder


class FakeBoard:
    """The transfer program and the board behind it, by what the commands mean."""

    def __init__(self, files: dict[str, bytes] | None = None, **told: Any) -> None:
        self.files = files or {}
        self.told = {"platform": "rp2", "version": [1, 28, 0], "free_bytes": 800_000, **told}
        self.commands: list[list[str]] = []
        self.damaged = ""

    def __call__(self, arguments: Sequence[str]) -> Outcome:
        self.commands.append(list(arguments))
        assert arguments[0] == "connect"
        rest = list(arguments[2:])
        if rest[0] == "fs":
            for start in range(0, len(rest), 5):
                assert rest[start : start + 2] == ["fs", "cp"]
                data = Path(rest[start + 2]).read_bytes()
                name = rest[start + 3].removeprefix(":")
                self.files[name] = data[:-1] if name == self.damaged else data
            return Outcome(0, "cp ...\n", "")
        if rest == ["reset"]:
            return Outcome(0, "", "")
        call = rest[1].strip().splitlines()[-1]
        return Outcome(0, "undertray:" + json.dumps(getattr(self, "_" + call.split("(")[0])(call)) + "\n", "")

    def _inventory(self, _: str) -> dict[str, Any]:
        hashes = {name: hashlib.sha256(data).hexdigest() for name, data in self.files.items()}
        return {**self.told, "files": hashes}

    def _make_folders(self, _: str) -> dict[str, Any]:
        return {"folders": []}

    def _swap(self, call: str) -> dict[str, Any]:
        wanted, stale = eval(call.removeprefix("swap"))
        bad = [p for p, h in wanted if hashlib.sha256(self.files[p + ".new"]).hexdigest() != h]
        if not bad:
            for path, _ in wanted:
                self.files[path] = self.files.pop(path + ".new")
            for path in stale:
                self.files.pop(path, None)
        return {"bad": bad, "files": {p: h for p, h in wanted}, "removed": stale}


def test_the_plan_is_the_firmware_and_nothing_else() -> None:
    plan = file_plan(FIRMWARE)
    assert plan[-1].path == "main.py"
    assert {"board.json", "undertray/app.py", "undertray/sensors/abp2.py"} <= {item.path for item in plan}
    assert not [item for item in plan if "__pycache__" in item.path or "\\" in item.path]
    for item in plan:
        assert item.sha256 == hashlib.sha256((FIRMWARE / item.path).read_bytes()).hexdigest()
    # what the flash of a Pico leaves to files is 1.4 MB (2 MB less 640 kB of MicroPython), from memory
    assert sum(item.size for item in plan) < 400_000


def test_commands_of_a_first_install(firmware: Path) -> None:
    board = FakeBoard()
    done = install(file_plan(firmware), "/dev/ttyACM0", run=board)
    assert [command[:3] for command in board.commands] == [
        ["connect", "/dev/ttyACM0", "exec"],
        ["connect", "/dev/ttyACM0", "exec"],
        ["connect", "/dev/ttyACM0", "fs"],
        ["connect", "/dev/ttyACM0", "exec"],
        ["connect", "/dev/ttyACM0", "reset"],
    ]
    copies = board.commands[2][2:]
    assert copies[3::5][-1] == ":main.py.new"
    assert all(name.endswith(".new") for name in copies[3::5])
    assert set(board.files) == {item.path for item in file_plan(firmware)}
    assert done.written[-1] == "main.py"
    assert (done.unchanged, done.kept_board, done.version) == (0, False, (1, 28, 0))


def test_what_is_there_already_is_not_copied_and_what_is_old_goes(firmware: Path) -> None:
    board = FakeBoard()
    install(file_plan(firmware), run=board)
    board.files["undertray/board.mpy"] = b"a module by its old name"
    board.files["board.json"] = b"mine"
    (firmware / "undertray" / "app.py").write_bytes(b"print(3)\n")
    done = install(file_plan(firmware), run=board)
    assert done.written == ("undertray/app.py",)
    assert done.removed == ("undertray/board.mpy",)
    assert done.kept_board
    assert board.files["board.json"] == b"mine"
    given = firmware / "given.json"
    given.write_bytes(b"given")
    done = install(file_plan(firmware, given), keep_board=False, run=board)
    assert done.written == ("board.json",)
    assert board.files["board.json"] == b"given"


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"platform": "esp32"}, "another board"),
        ({"version": [1, 23, 0]}, "too old, got '1.23.0', expected 1.24 or newer"),
        ({"free_bytes": 1000}, "too little room"),
    ],
)
def test_boards_it_does_not_fit(firmware: Path, told: dict[str, Any], words: str) -> None:
    board = FakeBoard(**told)
    with pytest.raises(BoardError, match=words):
        install(file_plan(firmware), run=board)
    assert board.files == {}


def test_a_damaged_file_leaves_the_old_ones(firmware: Path) -> None:
    board = FakeBoard({"main.py": b"old"})
    board.damaged = "undertray/app.py.new"
    with pytest.raises(BoardError, match="arrived damaged"):
        install(file_plan(firmware), run=board)
    assert board.files["main.py"] == b"old"


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        (Outcome(1, "", "mpremote: no device found\n"), "got 'mpremote: no device found'"),
        (Outcome(1, "", ""), "exit status 1"),
        (Outcome(0, "nonsense", ""), "not understood"),
        (Outcome(0, "undertray:{", ""), "not understood"),
        (Outcome(0, "undertray:[]", ""), "not understood"),
    ],
)
def test_failures_of_the_transfer(firmware: Path, outcome: Outcome, words: str) -> None:
    with pytest.raises(BoardError, match=words):
        install(file_plan(firmware), run=lambda _: outcome)


def test_a_missing_transfer_program_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda _: None)
    with pytest.raises(BoardError, match=r"mpremote is not installed.*undertray\[install\]"):
        run_mpremote([])


def _on_board(flash: Path, call: str) -> dict[str, Any]:
    """Run what runs on the board, under MicroPython, in a folder as its flash."""
    interpreter = server.micropython()
    assert interpreter is not None
    program = Path(onboard.__file__).read_text(encoding="utf-8")
    env = {**os.environ, "MICROPYPATH": ".frozen"}
    done = subprocess.run(
        [interpreter, "-c", f"{program}\n{call}\n"], cwd=flash, env=env, capture_output=True, check=False
    )
    assert done.returncode == 0, done.stderr.decode()
    return dict(json.loads(done.stdout.decode().removeprefix("undertray:")))


@needs_micropython
def test_the_boards_side_under_micropython(tmp_path: Path) -> None:
    content = {"main.py": b"one", "undertray/a.py": b"two" * 700, "undertray/sensors/b.py": b""}
    digest = {path: hashlib.sha256(data).hexdigest() for path, data in content.items()}
    _on_board(tmp_path, "make_folders(['undertray', 'undertray/sensors'])")
    _on_board(tmp_path, "make_folders(['undertray', 'undertray/sensors'])")
    for path, data in content.items():
        (tmp_path / path).write_bytes(b"old")
        (tmp_path / (path + ".new")).write_bytes(data)
    (tmp_path / "undertray" / "stale.py").write_bytes(b"x")
    wanted = [[path, sha] for path, sha in digest.items()]
    # one damaged: nothing is put in place, and the new files are gone
    wrong = [*wanted[:-1], [wanted[-1][0], "0" * 64]]
    assert _on_board(tmp_path, f"swap({wrong!r}, ['undertray/stale.py'])")["bad"] == [wanted[-1][0]]
    assert {path: (tmp_path / path).read_bytes() for path in content} == dict.fromkeys(content, b"old")
    assert not list(tmp_path.rglob("*.new"))
    for path, data in content.items():
        (tmp_path / (path + ".new")).write_bytes(data)
    told = _on_board(tmp_path, f"swap({wanted!r}, ['undertray/stale.py', 'undertray/gone.py'])")
    assert told["bad"] == []
    assert told["files"] == digest
    assert {path: (tmp_path / path).read_bytes() for path in content} == content
    assert not (tmp_path / "undertray" / "stale.py").exists()
    told = _on_board(tmp_path, "inventory(['main.py', 'board.json'])")
    assert told["files"] == digest
    assert told["version"][0] == 1


RP2040, RP2350 = 6 | 3 << 8 | 4 << 10, 6 | 3 << 8 | 7 << 10  # what MicroPython 1.24 to 1.28 says on them


def test_a_board_gets_files_compiled_for_it_in_the_place_of_its_old_ones(firmware: Path) -> None:
    board = FakeBoard({"undertray/app.py": b"old", "undertray/pacer.py": b"old"}, mpy=RP2040)
    done = install(file_plan(firmware), run=board)
    assert done.source_why is None
    assert done.written[-2:] == ("board.json", "main.py")
    assert done.removed == ("undertray/app.py", "undertray/pacer.py")
    assert set(board.files) == {
        *("undertray/__init__.mpy", "undertray/app.mpy", "undertray/sensors/hsc.mpy"),
        *("board.json", "main.py"),
    }
    again = install(file_plan(firmware), run=board)
    assert (again.written, again.removed, again.unchanged) == ((), (), 4)  # and its own board.json
    # without the compiler later on: source files again, and the compiled ones go
    board.told["mpy"] = None
    back = install(file_plan(firmware), run=board)
    assert back.source_why is not None
    assert not [name for name in board.files if name.endswith(".mpy")]


@pytest.mark.parametrize(("mpy", "code"), [(RP2040, 4), pytest.param(RP2350, 7, marks=pytest.mark.slow)])
def test_compiled_files_are_for_the_boards_processor(tmp_path: Path, mpy: int, code: int) -> None:
    plan, why = compiled(file_plan(FIRMWARE), mpy, tmp_path)
    assert why is None
    heads = {item.path: item.source.read_bytes()[:3] for item in plan if item.path.endswith(".mpy")}
    assert len(heads) == len(plan) - 2
    assert {head[:2] for head in heads.values()} == {b"M\x06"}
    # native code of this processor where there is any; burst.py has
    assert heads["undertray/burst.mpy"][2] >> 2 == code
    assert {head[2] >> 2 for head in heads.values()} == {0, code}


@pytest.mark.parametrize(
    ("mpy", "words"),
    [
        (None, "takes no compiled files"),
        (6 | 3 << 8 | 10 << 10, "no compiler is known"),
        (5 | 4 << 10, r"writes compiled files of version 6\.\d, the board's MicroPython reads 5\.0"),
    ],
)
def test_source_files_where_the_board_takes_no_compiled_ones(
    firmware: Path, mpy: int | None, words: str
) -> None:
    board = FakeBoard(mpy=mpy)
    done = install(file_plan(firmware), run=board)
    assert done.source_why is not None
    assert re.search(words, done.source_why)
    assert set(board.files) == {item.path for item in file_plan(firmware)}


def test_source_files_without_the_compiler(firmware: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda _: None)
    done = install(file_plan(firmware), run=FakeBoard(mpy=RP2040))
    assert done.source_why is not None
    assert "undertray[install]" in done.source_why


@needs_micropython
@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals on this system")
@pytest.mark.skipif(importlib.util.find_spec("mpremote") is None, reason="mpremote is not installed here")
def test_the_real_transfer_program_and_micropython(tmp_path: Path, firmware: Path) -> None:
    from fakes.rawboard import raw_board

    flash = tmp_path / "flash"
    flash.mkdir()
    with raw_board(flash, tmp_path) as port:
        plan = file_plan(firmware)
        done = install(plan, port)
        assert done.source_why is None  # compiled for the interpreter that was asked: this computer's own
        names = {item.path: item.path.replace(".py", ".mpy") for item in plan[:-1]} | {"main.py": "main.py"}
        assert done.written == tuple(names.values())
        again = install(plan, port)
    assert (again.written, again.kept_board) == ((), True)
    there = {path.relative_to(flash).as_posix() for path in flash.rglob("*") if path.is_file()}
    assert there == {*names.values(), "was_reset"}
    for path in ("board.json", "main.py"):
        assert (flash / path).read_bytes() == (firmware / path).read_bytes()
    interpreter = server.micropython()
    assert interpreter is not None
    started = subprocess.run(
        [interpreter, "-c", "import undertray.app"], cwd=flash, capture_output=True, text=True, check=True
    )
    assert started.stdout.splitlines() == ["1"] * 200


def test_the_command_lists_and_refuses(tmp_path: Path) -> None:
    listed = CliRunner().invoke(app, ["board", "install", "--dry-run"])
    assert listed.exit_code == 0
    assert listed.stdout.splitlines()[-1].endswith("  main.py")
    bad = tmp_path / "board.json"
    bad.write_text("{}", encoding="utf-8")
    refused = CliRunner().invoke(app, ["board", "install", "--board", str(bad)])
    assert isinstance(refused.exception, BoardError)
    assert "cannot work" in str(refused.exception)
    with pytest.raises(BoardError, match="cannot be read"):
        file_plan(tmp_path)

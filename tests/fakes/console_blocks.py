"""The ``console`` blocks of a page: commands after ``$ ``, and what they print.

``PYTHONPATH=tests python -m fakes.console_blocks README.md demo_logs/README.md`` runs every command in a copy
of ``demo_logs`` and writes what it printed into the pages; the test only compares. A line ``...`` stands for
any number of lines and is kept.
"""

from __future__ import annotations

import re
import shlex
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

from fakes.program import undertray

__all__ = ["Step", "calibrated_folder", "make_folder", "matches", "read_steps", "run_step"]

_BLOCK = re.compile(r"^```console\n(.*?)^```$", re.S | re.M)


@dataclass(frozen=True)
class Step:
    """A command, and what the page says that it prints."""

    command: str
    output: str


def make_folder(folder: Path) -> None:
    """What the page's commands work on: the demo recordings, and two files where the project has them."""
    root = Path(__file__).parents[2]
    shutil.copytree(root / "demo_logs", folder)
    for name in ("firmware/board.json", "demo_logs/car.toml"):
        (folder / name).parent.mkdir()
        shutil.copyfile(root / name, folder / name)


def calibrated_folder(folder: Path) -> Path:
    """The same, as the first command of the demo's own page leaves it: with a calibration."""
    make_folder(folder)
    page = Path(__file__).parents[2] / "demo_logs" / "README.md"
    steps = read_steps(page.read_text(encoding="utf-8"))
    run_step(next(step.command for step in steps if " calibrate " in step.command), folder)
    return folder


def read_steps(page: str) -> list[Step]:
    """Every command of a page in order."""
    steps = []
    for block in _BLOCK.findall(page):
        for part in re.split(r"^\$ ", block, flags=re.M)[1:]:
            command, _, output = part.partition("\n")
            steps.append(Step(command, output))
    return steps


def run_step(command: str, folder: Path) -> str:
    """Run one command in a folder; gives standard output and error as a terminal would show them."""
    words = shlex.split(command)
    assert words[0] == "undertray", f"only undertray is run from a page, not {words[0]!r}"
    environment = {"SOURCE_DATE_EPOCH": "1777658400", "COLUMNS": "100", "NO_COLOR": "1"}
    environment["XDG_CACHE_HOME"] = str(folder / ".cache")
    done = undertray(*words[1:], env=environment, folder=folder, together=True)
    return done.stdout.replace(str(folder.resolve()), "~/runs")


def matches(expected: str, printed: str) -> bool:
    """Whether a page's output fits what was printed, ``...`` standing for any lines."""
    pattern = "".join(
        r"(?:.*\n)*?" if line == "..." else re.escape(line) + r"\n" for line in expected.splitlines()
    )
    return re.fullmatch(pattern, printed) is not None


def _renewed(expected: str, printed: str) -> str:
    """What goes into the page: all of it, or as many lines as stood before each ``...``."""
    if matches(expected, printed) or "..." not in expected.splitlines():
        return expected if matches(expected, printed) else printed
    head = expected.splitlines().index("...")
    tail = len(expected.splitlines()) - head - 1
    lines = printed.splitlines()
    return "\n".join([*lines[:head], "...", *(lines[-tail:] if tail else [])]) + "\n"


def _main(page: Path) -> None:
    import tempfile

    text = page.read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "runs"
        make_folder(folder)
        for step in read_steps(text):
            old = f"$ {step.command}\n{step.output}"
            text = text.replace(
                old, f"$ {step.command}\n{_renewed(step.output, run_step(step.command, folder))}", 1
            )
    page.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    for name in sys.argv[1:]:
        _main(Path(name))

"""ruff and mypy, so that one command checks everything; and that what CI names is there."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    "arguments", [["ruff", "check"], ["ruff", "format", "--check"], ["mypy"]], ids=["ruff", "format", "mypy"]
)
def test_static_checks_are_clean(arguments: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", *arguments], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


WORKFLOWS = "\n".join(
    path.read_text(encoding="utf-8") for path in (ROOT / ".github" / "workflows").glob("*.yml")
)


def test_actions_are_pinned_to_a_commit() -> None:
    used = re.findall(r"uses: (\S+)", WORKFLOWS)
    assert used
    assert [action for action in used if not re.fullmatch(r"[\w/-]+@[0-9a-f]{40}", action)] == []


def test_what_the_default_run_leaves_out_is_run_by_a_workflow() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["pytest"][
        "ini_options"
    ]
    left_out = set(re.findall(r"not (\w+)", settings["addopts"]))
    named = set(re.findall(r"pytest -m (\w+)", WORKFLOWS))
    listed = re.findall(r"tier: \[(.*)\]", WORKFLOWS)
    assert left_out == named | {tier for line in listed for tier in line.split(", ")}
    assert left_out == {marker.partition(":")[0] for marker in settings["markers"]}


def test_the_tests_of_the_lowest_versions_are_there() -> None:
    found = re.search(r'TESTS = """(.*?)"""', (ROOT / ".ci" / "floors").read_text(encoding="utf-8"), re.S)
    assert found
    names = found[1].split()
    assert names
    assert [name for name in names if not (ROOT / "tests" / name).exists()] == []

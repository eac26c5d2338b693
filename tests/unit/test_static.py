"""ruff and mypy, so that one command checks everything."""

from __future__ import annotations

import subprocess
import sys
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

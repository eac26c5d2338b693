"""Every example of a docstring gives what it says, in the demo's folder as its page leaves it."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

import undertray
from fakes.console_blocks import calibrated_folder

HOST = Path(__file__).parents[2] / "host"
MODULES = sorted(
    ".".join(path.relative_to(HOST).with_suffix("").parts)
    for path in HOST.rglob("*.py")
    if ">>> " in path.read_text(encoding="utf-8")
)
RUN = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return calibrated_folder(tmp_path_factory.mktemp("demo") / "runs")


@pytest.mark.parametrize("module", MODULES)
def test_an_example_gives_what_it_says(folder: Path, monkeypatch: pytest.MonkeyPatch, module: str) -> None:
    monkeypatch.chdir(folder)
    runner, said = doctest.DocTestRunner(optionflags=RUN), list[str]()
    for test in doctest.DocTestFinder(recurse=True).find(importlib.import_module(module)):
        runner.run(test, out=said.append)
    assert runner.tries
    assert not runner.failures, "".join(said)


def test_every_function_that_is_exported_has_an_example() -> None:
    calls = [undertray.Calibration.from_json, undertray.Car.from_toml]
    calls += [getattr(undertray, name) for name in undertray.__all__ if name[0].islower()]
    assert [call.__name__ for call in calls if ">>> " not in (call.__doc__ or "")] == []

"""Every command that the pages show prints what they say."""

from __future__ import annotations

import doctest
import re
from pathlib import Path

import pytest

from fakes.console_blocks import calibrated_folder, make_folder, matches, read_steps, run_step
from fakes.program import undertray

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(("page", "least"), [("README.md", 4), ("demo_logs/README.md", 8)])
def test_the_commands_of_a_page_print_what_it_says(tmp_path: Path, page: str, least: int) -> None:
    folder = tmp_path / "runs"
    make_folder(folder)
    steps = read_steps((ROOT / page).read_text(encoding="utf-8"))
    assert len(steps) >= least
    for step in steps:
        printed = run_step(step.command, folder)
        assert matches(step.output, printed), f"$ {step.command}\n{printed}"


def test_the_python_of_a_page_gives_what_it_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the folder as the page's own first command leaves it: with a calibration."""
    page = (ROOT / "demo_logs" / "README.md").read_text(encoding="utf-8")
    monkeypatch.chdir(calibrated_folder(tmp_path / "runs"))
    text = "".join(re.findall(r"^```python\n(.*?)^```$", page, re.S | re.M))
    runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE)
    said: list[str] = []
    done = runner.run(doctest.DocTestParser().get_doctest(text, {}, "page", None, None), out=said.append)
    assert (done.failed, done.attempted >= 12) == (0, True), "".join(said)


def test_what_the_demo_leaves_is_all_that_the_commands_of_the_first_page_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # the page itself is looked at by test_live_chain.py; here nobody waits for its pictures
    monkeypatch.setattr("undertray.report.page.render_page", lambda sheets, title: title)
    assert undertray("demo", folder=tmp_path).returncode == 0
    left = {path.name for path in (tmp_path / "undertray-demo").iterdir()}
    commands = [step.command for step in read_steps((ROOT / "README.md").read_text(encoding="utf-8"))]
    read = {
        word for command in commands for word in command.split() if word.endswith((".csv", ".toml", ".json"))
    }
    assert len(read) >= 7
    assert read <= left


def test_the_first_page_is_short() -> None:
    """Published nowhere: 200 lines are what a reader is asked for before the first command."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert len(text.splitlines()) < 200

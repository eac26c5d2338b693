"""Every command that README.md shows prints what README.md says."""

from __future__ import annotations

from pathlib import Path

from fakes.console_blocks import make_folder, matches, read_steps, run_step

ROOT = Path(__file__).parents[2]


def test_the_commands_of_the_readme_print_what_it_says(tmp_path: Path) -> None:
    folder = tmp_path / "runs"
    make_folder(folder)
    steps = read_steps((ROOT / "README.md").read_text(encoding="utf-8"))
    assert len(steps) >= 8
    for step in steps:
        printed = run_step(step.command, folder)
        assert matches(step.output, printed), f"$ {step.command}\n{printed}"

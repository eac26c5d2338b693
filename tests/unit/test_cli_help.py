"""What --help looks like: one style of placeholders in every command, groups where options are many."""

from __future__ import annotations

import re
from collections.abc import Iterator

from typer.main import get_command

from fakes.program import undertray
from undertray.cli import app

PLACEHOLDER = re.compile(r"(\[[A-Z:]+\])?[A-Z]+([.:=][A-Za-z]+)?|[a-z]+(\|[a-z]+)+|/|\|")


def commands() -> Iterator[str]:
    """All there are, those of a group as ``board check``."""
    for name, command in get_command(app).commands.items():  # type: ignore[attr-defined]
        yield from (f"{name} {below}" for below in getattr(command, "commands", ()))
        if not hasattr(command, "commands"):
            yield name


def test_placeholders_are_of_one_style_and_nothing_is_wider_than_80_columns() -> None:
    seen = list(commands())
    assert {"reduce", "board check", "board draw", "car draw"} <= set(seen)
    for command in seen:
        page = undertray(*command.split(), "--help", env={"COLUMNS": "80"}).stdout
        assert page.startswith(f"Usage: undertray {command} "), command
        assert not re.search(r"<\w+[^>]*>|\{\w+|x>=|\[\[", page), command
        assert max(map(len, page.splitlines())) <= 80, command
        # an option that takes a value says what: capitals, a file name, or the words to choose from
        lists = page[re.search(r"^\S[^:\n]*:$", page, re.M).start() :]  # type: ignore[union-attr]
        given = re.findall(r"^  --[a-z-]+ (\S+)(?:  |$)", lists, re.M)
        assert [word for word in given if not PLACEHOLDER.fullmatch(word)] == [], command


def test_the_commands_come_in_groups_a_line_each() -> None:
    page = undertray("--help", env={"COLUMNS": "80"}).stdout
    heads = re.findall(r"^(\S.*):$", page, re.M)
    assert heads[:3] == ["Options", "Try it without hardware", "Plan and build"]
    assert "Commands" not in heads  # none was forgotten
    assert len(re.findall(r"^  [a-z]\S+ +\S.*\.$", page, re.M)) == len(get_command(app).commands) >= 29  # type: ignore[attr-defined]


def test_the_options_of_calibrate_come_in_groups() -> None:
    page = undertray("calibrate", "--help").stdout
    heads = re.findall(r"^(\S.*):$", page, re.M)
    assert len(heads) == 6
    assert heads[-1] == "Options"
    places = [
        page.index(word) for word in ("--points FILE", "Liquid and place:", "--water-c DEGC", "--out FILE")
    ]
    assert places == sorted(places)

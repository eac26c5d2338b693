"""What --help looks like: one style of placeholders in every command, groups where options are many."""

from __future__ import annotations

import re

import pytest

from fakes.program import undertray

COMMANDS = [
    line.split()[0]
    for line in undertray("--help").stdout.partition("Commands:\n")[2].splitlines()
    if re.match(r"  \w", line)
]


@pytest.mark.parametrize("command", [*COMMANDS, "board check", "board install"])
def test_placeholders_are_of_one_style_and_nothing_is_wider_than_80_columns(command: str) -> None:
    page = undertray(*command.split(), "--help", env={"COLUMNS": "80"}).stdout
    assert page.startswith("Usage: undertray")
    assert not re.search(r"<\w+[^>]*>|\{\w+|x>=|\[\[", page)
    assert max(map(len, page.splitlines())) <= 80
    # an option that takes a value says what: capitals, a file name, or the words to choose from
    lists = page[re.search(r"^\S[^:\n]*:$", page, re.M).start() :]  # type: ignore[union-attr]
    for option in re.findall(r"^  (--[a-z-]+ \S+)(?:  |$)", lists, re.M):
        name, placeholder = option.split()
        assert placeholder in ("/", "|") or re.fullmatch(
            r"(\[[A-Z:]+\])?[A-Z]+([.:=][A-Za-z]+)?|[a-z]+(\|[a-z]+)+", placeholder
        ), option
        assert name.startswith("--")


def test_the_options_of_calibrate_come_in_groups() -> None:
    page = undertray("calibrate", "--help").stdout
    heads = re.findall(r"^(\S.*):$", page, re.M)
    assert len(heads) == 6
    assert heads[-1] == "Options"
    places = [
        page.index(word) for word in ("--points FILE", "Liquid and place:", "--water-c DEGC", "--out FILE")
    ]
    assert places == sorted(places)

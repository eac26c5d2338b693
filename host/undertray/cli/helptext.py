"""The help of every command: options in their groups, and one style of placeholders."""

from __future__ import annotations

import re
from typing import Any

from typer.core import TyperCommand, TyperGroup

from undertray.cli.options import forget_found, report_found

__all__ = ["Command", "Program"]

_KINDS = {
    "path": "FILE",
    "file": "FILE",
    "dir": "FOLDER",
    "str": "TEXT",
    "int": "N",
    "float": "N",
    "quantity": "N",
}
_UNITS = {
    "mm": "MM",
    "pa": "PA",
    "hpa": "HPA",
    "s": "S",
    "c": "DEGC",
    "m": "M",
    "us": "US",
    "percent": "PERCENT",
}
_KIND = re.compile(r" ?<(?:list\[)?(\w+)[^>]*>")
_RANGE = re.compile(r"(?:(-?[\d.]+)<=)?x(?:>=(-?[\d.]+)|<=(-?[\d.]+))")


class Command(TyperCommand):
    """A command whose help says FILE, FOLDER, N or a unit, and groups its options where they are many."""

    def invoke(self, ctx: Any) -> Any:
        """Run it; what it found by itself is named when it has not failed."""
        forget_found()
        done = super().invoke(ctx)
        report_found()
        return done

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write arguments and options, group by group."""
        groups: dict[str, list[tuple[str, str]]] = {}
        for param in self.get_params(ctx):
            record = param.get_help_record(ctx)
            if record is None:
                continue
            argument = param.param_type_name == "argument"
            group = getattr(param, "rich_help_panel", None) or ("Arguments" if argument else "Options")
            placed = _argument(record[0]) if argument else _option(record[0])
            groups.setdefault(group, []).append((placed, _RANGE.sub(_in_words, record[1])))
        for title in sorted(groups, key=lambda title: title == "Options"):
            with formatter.section(title):
                formatter.write_dl(groups[title])

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Name the arguments as their list does."""
        names = (
            (p, _argument(p.metavar or p.name))
            for p in self.get_params(ctx)
            if p.param_type_name == "argument"
        )
        return ["[OPTIONS]", *(name if param.required else f"[{name}]" for param, name in names)]


class Program(TyperGroup):
    """The whole program, whose help lists the commands by what they are for."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the commands, group by group, in one column of names."""
        commands = [(name, self.commands[name]) for name in self.list_commands(ctx)]
        wide = max(len(name) for name, _ in commands)
        groups: dict[str, list[tuple[str, str]]] = {}
        for name, command in commands:
            title = getattr(command, "rich_help_panel", None) or "Commands"
            groups.setdefault(title, []).append((f"{name:{wide}}", command.get_short_help_str(200)))
        for title, listed in groups.items():
            with formatter.section(title):
                formatter.write_dl(listed)


def _option(name: str) -> str:
    match = _KIND.search(name)
    if match is None:
        return name
    unit = (
        _UNITS.get(name[: match.start()].rpartition("-")[2])
        if match[1] in ("int", "float", "quantity")
        else None
    )
    return f"{name[: match.start()]} {unit or _KINDS.get(match[1], 'TEXT')}{name[match.end() :]}"


def _argument(name: str) -> str:
    bare = _KIND.sub("", name)
    return bare if bare != bare.lower() else bare.upper()


def _in_words(match: re.Match[str]) -> str:
    low, least, high = match.groups()
    if low is not None:
        return f"{low} to {high}"
    return f"at least {least}" if least is not None else f"up to {high}"

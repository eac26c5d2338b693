"""The house: which part may use which, as DEVELOPERS.md draws it; and no circle among the files."""

from __future__ import annotations

import ast
import re
from collections import Counter, defaultdict
from collections.abc import Iterator
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

ROOT = Path(__file__).parents[2]
HOST = ROOT / "host" / "undertray"
FILES = [path for path in sorted(HOST.rglob("*.py")) if "standin" not in path.parts]
PARTS = sorted(path.name for path in HOST.iterdir() if (path / "__init__.py").exists())


def _name(path: Path) -> str:
    dotted = ".".join(path.relative_to(HOST).with_suffix("").parts)
    return dotted.removesuffix("__init__").removesuffix(".")


NAMES = {_name(path) for path in FILES}


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def _used(nodes: Iterator[ast.AST]) -> Iterator[str]:
    """Files of the project that some statements import, by their names below ``undertray``."""
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from (
                item.name.removeprefix("undertray.") for item in node.names if "undertray." in item.name
            )
        elif isinstance(node, ast.ImportFrom) and (node.module or "").partition(".")[0] == "undertray":
            base = (node.module or "").removeprefix("undertray").removeprefix(".")
            for item in node.names:
                inner = f"{base}.{item.name}".removeprefix(".")
                yield inner if inner in NAMES else base


def _part(name: str) -> str:
    first, _, _ = name.partition(".")
    return first if first in PARTS else ""


def _drawn() -> dict[str, set[str]]:
    """The table of DEVELOPERS.md: a part, and the parts that it uses."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = re.search(r"^\| part \| uses \|\n\|[-|]+\|\n((?:\|.*\n)+)", text, re.M)
    assert table, "DEVELOPERS.md has no table '| part | uses |'"
    rows = re.findall(r"^\| `(\w+)` \| (.*) \|$", table[1], re.M)
    return {part: set(re.findall(r"`(\w+)`", uses)) for part, uses in rows}


def test_each_part_uses_what_is_drawn_and_nothing_else() -> None:
    """Also what is imported inside a function counts: the flow is one of data, not of loading."""
    found: dict[str, set[str]] = {part: set() for part in PARTS}
    for path in FILES:
        part = _part(_name(path))
        if part:
            used = {_part(name) for name in _used(ast.walk(_tree(path)))}
            found[part] |= used - {part, ""}
    assert found == _drawn()


def test_the_parts_have_an_order() -> None:
    order = list(TopologicalSorter(_drawn()).static_order())  # raises CycleError
    assert order[-1] == "cli"


def test_no_files_import_each_other_in_a_circle() -> None:
    uses = defaultdict(set)
    for path in FILES:
        uses[_name(path)] |= set(_used(iter(_tree(path).body))) - {_name(path), ""}
    assert len(list(TopologicalSorter(uses).static_order())) >= len(FILES)  # raises CycleError


def test_a_base_name_is_used_once_but_for_commands() -> None:
    """A command's file is called as the command; beside those no two files have one name."""
    bases = Counter(path.stem for path in FILES if path.parent != HOST / "cli" and path.stem != "__init__")
    assert [name for name, count in bases.items() if count > 1] == []

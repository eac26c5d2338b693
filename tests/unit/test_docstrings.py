"""Every public name says what it takes, in which unit, what it returns and what it raises."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

HOST = Path(__file__).parents[2] / "host" / "undertray"
FILES = sorted(p for p in HOST.rglob("*.py") if "standin" not in p.parts)


def _public(tree: ast.Module) -> list[str]:
    for node in tree.body:
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "__all__":
            return [ast.literal_eval(item) for item in node.value.elts]  # type: ignore[attr-defined]
    return []


def _functions(tree: ast.Module) -> Iterator[tuple[str, ast.FunctionDef]]:
    """Public functions, and public methods of public classes."""
    public = _public(tree)
    for node in tree.body:
        if isinstance(node, ast.FunctionDef) and node.name in public:
            yield node.name, node
        elif isinstance(node, ast.ClassDef) and node.name in public:
            for item in node.body:
                if isinstance(item, ast.FunctionDef) and not item.name.startswith("_"):
                    yield f"{node.name}.{item.name}", item


def _section(docstring: str, title: str) -> str | None:
    match = re.search(rf"^{title}\n-+\n(.*?)(?=\n\n?[A-Z][A-Za-z ]+\n-+\n|\Z)", docstring, re.S | re.M)
    return match[1] if match else None


def _raised(function: ast.FunctionDef) -> set[str]:
    return {
        node.exc.func.id
        for node in ast.walk(function)
        if isinstance(node, ast.Raise)
        and isinstance(node.exc, ast.Call)
        and isinstance(node.exc.func, ast.Name)
    }


def _complaints(name: str, function: ast.FunctionDef) -> Iterator[str]:
    docstring = ast.get_docstring(function)
    if docstring is None:
        yield f"{name}: no docstring"
        return
    arguments = [a.arg for a in (*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs)]
    wanted = [a for a in arguments if a not in ("self", "cls")]
    parameters = _section(docstring, "Parameters") or ""
    for argument in wanted:
        if not re.search(rf"^(\w+, )*{argument}(, \w+)* : ", parameters, re.M):
            yield f"{name}: parameter '{argument}' is not described"
    is_property = any(
        getattr(d, "id", "") in ("property", "cached_property") for d in function.decorator_list
    )
    returns = function.returns is not None and ast.unparse(function.returns) not in ("None", "NoReturn")
    if (
        returns
        and not is_property
        and _section(docstring, "Returns") is None
        and _section(docstring, "Yields") is None
    ):
        yield f"{name}: no Returns or Yields"
    for error in sorted(_raised(function)):
        if error not in (_section(docstring, "Raises") or ""):
            yield f"{name}: raises {error}, not described"


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(HOST)))
def test_public_names_are_described(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert ast.get_docstring(tree), "no module docstring"
    if (path.name != "__main__.py" and path.parent != HOST) or path.name in ("errors.py", "units.py"):
        public = _public(tree)
        assert public or path.name == "__init__.py", "no __all__"
        for node in tree.body:
            if isinstance(node, ast.ClassDef) and node.name in public:
                assert ast.get_docstring(node), f"{node.name}: no docstring"
    assert [c for name, function in _functions(tree) for c in _complaints(name, function)] == []

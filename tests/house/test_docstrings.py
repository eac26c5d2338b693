"""What users import says what it takes, in which unit, and what it returns; the inside says one line."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

HOST = Path(__file__).parents[2] / "host" / "undertray"
FILES = sorted(p for p in HOST.rglob("*.py") if "standin" not in p.parts)
FEW = 5
SECTIONS = "Parameters", "Returns", "Yields", "Raises", "Attributes"

Definition = ast.ClassDef | ast.FunctionDef


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def _origins(path: Path) -> dict[str, tuple[str, Path]]:
    """Names that a file takes from the project: what each is called where it is defined, and that file."""
    return {
        item.asname or item.name: (item.name, HOST.parent / (node.module.replace(".", "/") + ".py"))
        for node in ast.walk(_tree(path))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("undertray.")
        for item in node.names
        if node.module
    }


def _definition(name: str, path: Path) -> Definition | None:
    for node in _tree(path).body:
        if isinstance(node, Definition) and node.name == name:
            return node
    return None


def _methods(node: ast.ClassDef) -> Iterator[ast.FunctionDef]:
    """What a user may call of a class."""
    for item in node.body:
        if isinstance(item, ast.FunctionDef) and not item.name.startswith("_"):
            yield item


def _given(node: Definition) -> Iterator[ast.expr]:
    """Types that a user gets from a definition: what it returns, its attributes, its base classes."""
    if isinstance(node, ast.FunctionDef):
        found = [node.returns]
    else:
        found = [*node.bases, *(item.annotation for item in node.body if isinstance(item, ast.AnnAssign))]
        found += [method.returns for method in _methods(node)]
    yield from (annotation for annotation in found if annotation is not None)


def _public() -> Iterator[tuple[Definition, Path]]:
    """What the package exports, and every class that a user gets from it, however far in."""
    start = HOST / "__init__.py"
    todo, seen = list(_origins(start).values()), set()
    while todo:
        name, path = todo.pop()
        if (name, path) in seen or not path.exists():
            continue
        seen.add((name, path))
        node = _definition(name, path)
        if node is None:
            continue
        yield node, path
        words = {word for part in _given(node) for word in re.findall(r"\w+", ast.unparse(part))}
        todo += [_origins(path).get(word, (word, path)) for word in sorted(words)]


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


def _complaints(function: ast.FunctionDef) -> Iterator[str]:
    """What the full form of a docstring lacks."""
    name, docstring = function.name, ast.get_docstring(function)
    if docstring is None:
        yield f"{name}: no docstring"
        return
    arguments = [a.arg for a in (*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs)]
    parameters = _section(docstring, "Parameters") or ""
    for argument in arguments:
        if argument not in ("self", "cls") and not re.search(
            rf"^(\w+, )*{argument}(, \w+)* : ", parameters, re.M
        ):
            yield f"{name}: parameter '{argument}' is not described"
    is_property = any(
        getattr(d, "id", "") in ("property", "cached_property") for d in function.decorator_list
    )
    returns = function.returns is not None and ast.unparse(function.returns) not in ("None", "NoReturn")
    if returns and not is_property and not {"Returns", "Yields"} & set(re.findall(r"^\w+$", docstring, re.M)):
        yield f"{name}: no Returns or Yields"
    for error in sorted(_raised(function)):
        if error not in (_section(docstring, "Raises") or ""):
            yield f"{name}: raises {error}, not described"


PUBLIC = sorted(_public(), key=lambda one: (str(one[1]), one[0].name))


def test_the_public_names_are_found() -> None:
    """The walk from ``undertray.__all__`` reaches what a reduction is made of."""
    assert {"Reduction", "Series", "Loss", "Run", "Calibration", "Holding"} <= {one.name for one, _ in PUBLIC}


@pytest.mark.parametrize("definition", [one for one, _ in PUBLIC], ids=lambda one: one.name)
def test_what_users_import_is_described_in_full(definition: Definition) -> None:
    assert ast.get_docstring(definition)
    if isinstance(definition, ast.FunctionDef):
        assert list(_complaints(definition)) == []
    else:
        assert [c for method in _methods(definition) for c in _complaints(method)] == []
        fields = [
            item.target.id
            for item in definition.body
            if isinstance(item, ast.AnnAssign) and isinstance(item.target, ast.Name)
        ]
        attributes = _section(ast.get_docstring(definition) or "", "Attributes") or ""
        if len(fields) <= FEW:
            return  # a line has room for their units
        missing = [
            name
            for name in fields
            if not name.startswith("_") and not re.search(rf"\b{name}\b", attributes.replace("\n    ", ""))
        ]
        assert missing == []


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(HOST)))
def test_the_inside_says_a_line(path: Path) -> None:
    tree = _tree(path)
    assert ast.get_docstring(tree), "no module docstring"
    exported = {
        ast.literal_eval(item)
        for node in tree.body
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "__all__"
        for item in getattr(node.value, "elts", ())
    }
    for node in tree.body:
        if isinstance(node, Definition) and node.name in exported:
            docstring = ast.get_docstring(node)
            assert docstring, f"{node.name}: no docstring"
            if isinstance(node, ast.FunctionDef) and any(_section(docstring, title) for title in SECTIONS):
                assert list(_complaints(node)) == []

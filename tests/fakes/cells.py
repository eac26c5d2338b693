"""Cells of a table of cases: enough of them on every run, all of them with ``-m slow``."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import product
from typing import Any

import pytest

__all__ = ["few", "some", "thinned"]


def few(*axes: Iterable[Any]) -> list[Any]:
    """All combinations; by default as many as the longest axis has values, with each value of each axis."""
    columns = [list(axis) for axis in axes]
    sizes = [len(column) for column in columns]
    kept = {tuple(k % size for size in sizes) for k in range(max(sizes))}
    return [
        pytest.param(*(column[i] for column, i in zip(columns, at, strict=True)), marks=_tier(at in kept))
        for at in product(*map(range, sizes))
    ]


def some(kept: Iterable[Any], others: Iterable[Any]) -> list[Any]:
    """Values of one axis: some by default, the others with ``-m slow``."""
    return [*kept, *(pytest.param(value, marks=pytest.mark.slow) for value in others)]


def thinned(every: int, values: Iterable[Any]) -> list[Any]:
    """Like cases, each a process or a reduction: one of so many by default, the others with ``-m slow``."""
    cases = [value if isinstance(value, tuple) else (value,) for value in values]
    return [pytest.param(*case, marks=_tier(i % every == 0)) for i, case in enumerate(cases)]


def _tier(kept: bool) -> list[pytest.MarkDecorator]:
    return [] if kept else [pytest.mark.slow]

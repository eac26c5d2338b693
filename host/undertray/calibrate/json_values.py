"""Decoded JSON from strangers: one check for each kind of value."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.errors import CalibrationError

__all__ = ["covariance", "mapping", "number", "numbers", "plain", "rounded", "text", "vector"]

_MOST_TEXT = 200
_MOST_MEMBERS = 64


def rounded(value: Any) -> Any:
    """The same JSON value with every float to 12 significant digits."""
    if isinstance(value, float):
        return float(f"{value:.12g}")
    if isinstance(value, dict):
        return {key: rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(item) for item in value]
    return value


def mapping(data: Mapping[str, Any], key: str, where: str) -> Mapping[str, Any]:
    """A value that must be an object."""
    value = data.get(key)
    if not isinstance(value, dict):
        raise CalibrationError(f"bad '{key}'", where=where, seen=value, expected="an object")
    return value


def text(data: Mapping[str, Any], key: str, where: str) -> str:
    """A value that must be a short text."""
    value = data.get(key)
    if not isinstance(value, str) or len(value) > _MOST_TEXT:
        raise CalibrationError(
            f"bad '{key}'", where=where, seen=value, expected=f"a text of at most {_MOST_TEXT} characters"
        )
    return value


def number(data: Mapping[str, Any], key: str, where: str, low: float, high: float) -> float:
    """A value that must be a number in a range."""
    value = data.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise CalibrationError(
            f"bad '{key}'", where=where, seen=value, expected=f"a number from {low:g} to {high:g}"
        )
    return float(value)


def numbers(
    data: Mapping[str, Any], key: str, where: str, size: int, most: float, low: float | None = None
) -> tuple[float, ...]:
    """A value that must be a list of numbers from ``low``, or minus ``most``, to ``most``."""
    value, low = data.get(key), -most if low is None else low
    good = isinstance(value, list) and len(value) == size
    if not good or not all(
        isinstance(v, int | float) and not isinstance(v, bool) and low <= v <= most for v in value or ()
    ):
        wanted = f"a list of {size} numbers from {low:g} to {most:g}"
        raise CalibrationError(f"bad '{key}'", where=where, seen=value, expected=wanted)
    return tuple(float(v) for v in value or ())


def plain(value: object, key: str, where: str) -> Any:
    """A value of no fixed meaning: a scalar, or a flat object or list of scalars."""
    members = (
        list(value.values()) if isinstance(value, dict) else value if isinstance(value, list) else [value]
    )
    if len(members) > _MOST_MEMBERS or not all(_is_scalar(member) for member in members):
        raise CalibrationError(
            f"bad '{key}'", where=where, seen=value, expected="a short text, a number, or a flat list of them"
        )
    return value


def _is_scalar(value: object) -> bool:
    if isinstance(value, str):
        return len(value) <= _MOST_TEXT
    return value is None or (isinstance(value, int | float) and abs(value) < 1e300)


def vector(value: object, key: str, where: str, size: int | None = None) -> NDArray[np.float64]:
    """A value that must be a short list of numbers."""
    if (
        not isinstance(value, list)
        or len(value) > (size or 3)
        or (size is not None and len(value) != size)
        or not all(
            isinstance(v, int | float) and not isinstance(v, bool) and abs(v) < 1e12 and math.isfinite(v)
            for v in value
        )
    ):
        raise CalibrationError(
            f"bad '{key}'", where=where, seen=value, expected=f"a list of {size or '2 or 3'} numbers"
        )
    return np.array(value, float)


def covariance(value: object, size: int, where: str) -> NDArray[np.float64]:
    """A value that must be a covariance matrix."""
    if not isinstance(value, list) or len(value) != size:
        raise CalibrationError(
            "bad 'covariance'", where=where, seen=value, expected=f"{size} rows of {size} numbers"
        )
    matrix = np.array([vector(row, "covariance", where, size) for row in value])
    spread = np.sqrt(np.abs(np.diag(matrix)))
    unit = np.where(spread > 0, spread, 1.0)
    relative = matrix / np.outer(unit, unit)
    if not np.allclose(relative, relative.T, atol=1e-6) or np.linalg.eigvalsh(relative).min() < -1e-6:
        raise CalibrationError(
            "'covariance' is not a covariance",
            where=where,
            seen=value,
            expected="a symmetric matrix without negative eigenvalues",
        )
    return matrix

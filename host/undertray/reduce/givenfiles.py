"""Small files from outside: TOML, CSV and JSON, read within bounds, refused in one line."""

from __future__ import annotations

import csv
import json
import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from undertray.errors import CarError, ReductionError, UndertrayError, parser_words, quoted
from undertray.files import meant_file, write_whole
from undertray.units import decimal_comma, quantity

__all__ = [
    "Table",
    "json_object",
    "load_toml",
    "noted_fields",
    "noted_lines",
    "pair",
    "refuse_newer",
    "refuse_unknown",
    "table",
    "write_object",
]


_MOST_BYTES = 100_000


def noted_lines(path: str | Path, what: str, most: int) -> list[tuple[int, str]]:
    """Read the lines of a CSV file noted by hand, numbered, header first; without empty ones and comments."""
    where = Path(path).name
    try:
        with Path(path).open("rb") as file:
            raw = file.read(_MOST_BYTES + 1)
        text = raw.decode("utf-8-sig")
    except OSError as error:
        raise ReductionError(f"the {what} cannot be read: {error.strerror}", where=str(path)) from None
    except UnicodeDecodeError:
        raise ReductionError(
            f"the {what} are not text", where=where, expected="a CSV file in UTF-8"
        ) from None
    lines = [
        (i, one) for i, one in enumerate(text.splitlines(), 1) if one.strip() and not one.startswith("#")
    ]
    if len(raw) > _MOST_BYTES or not 2 <= len(lines) <= most + 1:
        raise ReductionError(
            f"no file of {what}",
            where=where,
            seen=f"{len(lines)} lines",
            expected=f"a header and 1 to {most}",
        )
    return lines


def noted_fields(line: str, where: str) -> list[str]:
    """Split one line of such a file."""
    try:
        return [field.strip() for field in next(csv.reader([line]))]
    except csv.Error:
        raise ReductionError("not a line of a CSV file", where=where, seen=quoted(line)) from None


def write_object(data: Mapping[str, Any], path: str | Path, what: str) -> None:
    """Write a JSON object that :func:`json_object` reads; the same data give the same bytes."""
    text = json.dumps(data, indent=1, allow_nan=False, ensure_ascii=False) + "\n"
    try:
        write_whole(path, text.encode())
    except OSError as error:
        raise ReductionError(
            f"the {what} cannot be written: {error.strerror}", where=str(path), do="check the folder"
        ) from error


def refuse_newer(
    version: object, newest: int, what: str, where: str, kind: type[UndertrayError] = ReductionError
) -> None:
    """Refuse a file of a format that a later version of this program wrote."""
    if isinstance(version, int) and not isinstance(version, bool) and version > newest:
        raise kind(
            f"a newer {what} format",
            where=where,
            seen=version,
            expected=f"format {newest}",
            do="update undertray on this computer",
        )


def json_object(
    path: Path, where: str, what: str, command: str, most_bytes: int, do: str | None = None
) -> Mapping[str, Any]:
    """Read the JSON object that a command of ours wrote; ``do`` is what to do where it is another thing."""
    try:
        with path.open("rb") as file:
            raw = file.read(most_bytes + 1)
    except OSError as error:
        raise ReductionError(
            f"cannot be read ({error.strerror})", where=where, do=f"give what 'undertray {command}' wrote"
        ) from error
    try:
        data = json.loads(raw if len(raw) <= most_bytes else b"")
    except (ValueError, RecursionError) as error:
        raise ReductionError("not JSON, or too long", where=where, expected=what) from error
    if not isinstance(data, dict):
        raise ReductionError(f"not {what}", where=where, expected="a JSON object", do=do)
    return data


# A TOML file table by table, with one clear line for each mistake.

_MAX_BYTES = 200_000
_MAX_TEXT = 64


def load_toml(path: Path) -> Mapping[str, Any]:
    """Read a TOML file of bounded size."""
    try:
        with path.open("rb") as file:
            raw = file.read(_MAX_BYTES + 1)
    except OSError as error:
        raise CarError(
            f"cannot be read ({error.strerror})",
            where=str(path),
            do=meant_file(path, "give the path of a car.toml"),
        ) from error
    if len(raw) > _MAX_BYTES:
        raise CarError("too long for a car", where=path.name, expected=f"at most {_MAX_BYTES} bytes")
    try:
        text = raw.decode("utf-8-sig")  # some editors put a mark in front
        return tomllib.loads(text)
    except UnicodeDecodeError as error:
        raise CarError("not UTF-8 text", where=f"{path.name}, byte {error.start}") from error
    except RecursionError as error:
        raise CarError("nested too deeply", where=path.name, expected="a plain TOML file") from error
    except ValueError as error:  # TOMLDecodeError names line and column
        raise CarError(
            f"not valid TOML: {parser_words(error)}",
            where=path.name,
            do=decimal_comma(text) or "correct that line",
        ) from error


class Table:
    """Checked values of one table."""

    def __init__(self, data: Mapping[str, Any], where: str, bare: bool = True) -> None:
        self._data = data
        self._where = where
        self._bare = bare

    def text(self, key: str) -> str:
        """A short printable text."""
        value = self._data.get(key)
        if not isinstance(value, str) or not 0 < len(value) <= _MAX_TEXT or not value.isprintable():
            raise CarError(
                f"bad or missing '{key}'",
                where=self._where,
                seen=value,
                expected=f"a text of 1 to {_MAX_TEXT} printable characters",
            )
        return value

    def choice(self, key: str, choices: tuple[str, ...]) -> str:
        """One of a few words."""
        value = self._data.get(key, choices[0])
        if value not in choices:
            raise CarError(f"bad '{key}'", where=self._where, seen=value, expected=" or ".join(choices))
        return str(value)

    def number(
        self,
        key: str,
        unit: str,
        low: float = -math.inf,
        high: float = math.inf,
        ends: bool = False,
        default: float | None = None,
    ) -> float:
        """A quantity within bounds."""
        if key not in self._data:
            if default is None:
                raise CarError(
                    f"'{key}' is missing", where=self._where, expected=f"{key} = a number in {unit}"
                )
            return default
        raw = self._data[key]
        value = quantity(raw, unit, f"{self._where}, {key}", self._bare)
        if not (low <= value <= high if ends else low < value < high):
            below = "" if high == math.inf else f" and below {high:g}"
            span = f"{low:g} to {high:g} {unit}" if ends else f"above {low:g}{below} {unit}"
            span = span.removesuffix(" 1")  # the unit of a share
            percent = unit == "1" and isinstance(raw, int | float) and low < value / 100 < high < value
            raise CarError(
                f"'{key}' is out of range",
                where=self._where,
                seen=raw,
                expected=span,
                do=f"write {value / 100:g} if {value:g} % is meant" if percent else None,
            )
        return value

    def optional(self, key: str, unit: str, low: float, high: float = math.inf) -> float | None:
        """A quantity that may be left out."""
        return self.number(key, unit, low, high) if key in self._data else None


def refuse_unknown(data: Mapping[str, Any], known: frozenset[str], where: str) -> None:
    """Refuse a key that no part of the program reads: a typing mistake must not be silent."""
    unknown = sorted(set(data) - known)
    if unknown:
        raise CarError(
            "unknown key", where=where, seen=unknown[0], expected="one of " + ", ".join(sorted(known))
        )


def table(value: object, where: str) -> Mapping[str, Any]:
    """Take a value as a table."""
    if not isinstance(value, dict):
        raise CarError("not a table", where=where, seen=value, expected="a [table]")
    return value


def pair(
    value: object,
    units: tuple[str, str],
    where: str,
    bare: bool = True,
    *,
    most: tuple[float, float],
) -> tuple[float, float]:
    """Take a value as a pair of quantities."""
    if not isinstance(value, list) or len(value) != 2:
        raise CarError("not a pair", where=where, seen=value, expected=f"[{units[0]}, {units[1]}]")
    first, second = (quantity(v, unit, where, bare) for v, unit in zip(value, units, strict=True))
    if abs(first) > most[0] or abs(second) > most[1]:
        sizes = " and ".join(f"{m:g} {unit}" for m, unit in zip(most, units, strict=True))
        raise CarError("out of range", where=where, seen=value, expected=f"at most {sizes}")
    return first, second

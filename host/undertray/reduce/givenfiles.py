"""Small files that a person noted or a command of ours wrote: read within bounds, refused in one line."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from undertray.errors import ReductionError, quoted

__all__ = ["json_object", "noted_fields", "noted_lines"]

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

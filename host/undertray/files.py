"""Files of the user: looked for under any name, and written whole or not at all."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from errno import EACCES, EEXIST
from itertools import islice
from pathlib import Path
from typing import BinaryIO

from undertray.errors import nearest, quoted

__all__ = ["is_folder", "is_present", "meant_file", "whole_file", "write_whole"]

_TRIES, _MOST_BESIDE = 1000, 2000


def is_present(path: Path) -> bool:
    """Look whether a file or folder is there."""
    try:
        return path.exists()
    except OSError:
        return False


def is_folder(path: Path) -> bool:
    """Look whether a folder is there."""
    try:
        return path.is_dir()
    except OSError:
        return False


def meant_file(path: Path, do: str = "check the path") -> str:
    """What to do about a file that is not there: say whether one beside it has nearly its name."""
    if is_present(path):
        return do
    try:
        beside = [
            one.name for one in islice(path.parent.iterdir(), _MOST_BESIDE) if one.suffix == path.suffix
        ]
    except OSError:
        return do
    name = nearest(path.name, sorted(beside))
    return do if name is None else f"did you mean {quoted(name)}?"


@contextmanager
def whole_file(path: str | Path, replace: bool = True) -> Iterator[BinaryIO]:
    """Write a file beside its place, and put it there once it is whole and on the disk."""
    named = Path(path)
    if named.exists():
        if not replace:
            raise FileExistsError(EEXIST, os.strerror(EEXIST), str(path))
        if not os.access(named, os.W_OK):
            raise PermissionError(EACCES, os.strerror(EACCES), str(path))
        if not named.is_file():
            with named.open("wb") as stream:
                yield stream
            return
    place = Path(os.path.realpath(named))
    part, file = _beside(place)
    try:
        with file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        if place.exists():
            shutil.copymode(place, part)
        part.replace(place)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def write_whole(path: str | Path, content: bytes) -> None:
    """Write a file as :func:`whole_file` does."""
    with whole_file(path) as file:
        file.write(content)


def _beside(place: Path) -> tuple[Path, BinaryIO]:
    """A new file in the same folder, of a short name of its own."""
    for number in range(_TRIES):
        part = place.with_name(f".undertray-{os.getpid()}-{number}.part")
        try:
            return part, part.open("xb")
        except FileExistsError:
            continue
    raise FileExistsError(EEXIST, "no free name beside it", str(place))

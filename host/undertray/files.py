"""Files of the user: looked for under any name, and written whole or not at all."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from errno import EACCES, EEXIST
from pathlib import Path
from typing import BinaryIO

__all__ = ["is_folder", "is_present", "whole_file", "write_whole"]

_TRIES = 1000


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

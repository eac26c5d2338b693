"""The log as a file: made new, claimed, looked for, put back."""

from __future__ import annotations

import errno
import os
import shutil
import sys
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

__all__ = ["claim", "is_there", "open_new", "put_back"]

_LOCK_AT = 1 << 40
_NAMES = 10


def open_new(path: Path) -> BinaryIO:
    """Make the file of a log, and claim it.

    Parameters
    ----------
    path : Path
        Must not exist.

    Returns
    -------
    binary file
        Unbuffered, to write and to read.
    """
    file = path.open("x+b", buffering=0)
    claim(file)
    return file


def claim(file: BinaryIO) -> bool:
    """Be the only one to write to a log, for as long as it is open; the system lets go if the program dies.

    Parameters
    ----------
    file : binary file
        Open for writing.

    Returns
    -------
    bool
        False when another program of ours has it. True as well where the file system knows no locks.
    """
    try:
        if sys.platform == "win32":
            import msvcrt

            here = file.tell()
            file.seek(_LOCK_AT)  # there a lock keeps nobody from reading
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
            file.seek(here)
        else:
            import fcntl

            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno not in (errno.EWOULDBLOCK, errno.EACCES, errno.EDEADLK)
    return True


def is_there(file: BinaryIO, path: Path) -> bool:
    """Tell whether a name still leads to an open file.

    Parameters
    ----------
    file : binary file
        Open.
    path : Path
        By which it was opened.

    Returns
    -------
    bool
        False where the file was removed, moved or replaced, or its disk taken away.
    """
    try:
        return os.path.samestat(path.stat(), os.fstat(file.fileno()))
    except OSError:
        return False


def put_back(file: BinaryIO, path: Path) -> Path:
    """Write a removed file again: while it is open, the system keeps what is in it.

    Parameters
    ----------
    file : binary file
        Open to read.
    path : Path
        Where it was; its folder is made again too.

    Returns
    -------
    Path
        The same, or the first such name with a number that is free.

    Raises
    ------
    FileExistsError
        When none is free. Any other OSError: when it cannot be written.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    for name in (path, *(path.with_stem(f"{path.stem}_{number}") for number in range(2, _NAMES))):
        with suppress(FileExistsError), name.open("xb") as again:
            file.seek(0)
            shutil.copyfileobj(file, again)
            return name
    raise FileExistsError(errno.EEXIST, "all names are taken")

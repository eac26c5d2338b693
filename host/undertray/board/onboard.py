# ruff: noqa: PTH102, PTH104, PTH107, PTH116, PTH123, PTH208, T201
"""The part of an installation that runs on the board: what is there, and new files put in the place of old.

Sent to the board as text (see :mod:`undertray.board.install`), so it uses only what MicroPython and CPython
have in common.
"""

import binascii
import hashlib
import json
import os
import sys

__all__ = ["inventory", "make_folders", "swap"]

NEW = ".new"
_PACKAGE = "undertray"


def _hash(path: str) -> str:
    digest = hashlib.sha256()
    buf = bytearray(512)
    with open(path, "rb") as file:
        while True:
            n = file.readinto(buf)
            if not n:
                break
            digest.update(bytes(buf[:n]))
    return binascii.hexlify(digest.digest()).decode()


def _is_folder(path: str) -> bool:
    return bool(os.stat(path)[0] & 0x4000)


def _files(folder: str) -> "list[str]":
    """Files of the package's folder, with their paths."""
    found: list[str] = []
    try:
        names = sorted(os.listdir(folder))
    except OSError:
        return found
    for name in names:
        path = folder + "/" + name
        if _is_folder(path):
            found += _files(path)
        else:
            found.append(path)
    return found


def _tell(data: object) -> None:
    print("undertray:" + json.dumps(data))


def inventory(names: "list[str]") -> None:
    """Tell the hashes of these files and of all in the package, the interpreter, and what is free."""
    there = [name for name in names if name in os.listdir()] + _files(_PACKAGE)
    free = None
    if hasattr(os, "statvfs"):
        told = os.statvfs(".")
        free = told[0] * told[3]
    _tell(
        {
            "files": {path: _hash(path) for path in there},
            "platform": sys.platform,
            "version": list(sys.implementation.version)[:3],
            "mpy": getattr(sys.implementation, "_mpy", None),
            "free_bytes": free,
        }
    )


def make_folders(folders: "list[str]") -> None:
    """Make the folders that are missing."""
    for folder in folders:
        try:
            os.mkdir(folder)
        except OSError:
            if not _is_folder(folder):
                raise
    _tell({"folders": folders})


def swap(wanted: "list[list[str]]", stale: "list[str]") -> None:
    """Check every new file, and only when all are whole put them in their places, in this order."""
    bad = []
    for path, expected in wanted:
        try:
            if _hash(path + NEW) != expected:
                bad.append(path)
        except OSError:
            bad.append(path)
    if bad:
        for path, _ in wanted:
            try:
                os.remove(path + NEW)
            except OSError:
                continue
        _tell({"bad": bad})
        return
    for path, _ in wanted:
        try:
            os.rename(path + NEW, path)
        except OSError:  # a FAT flash does not rename onto a file
            os.remove(path)
            os.rename(path + NEW, path)
    for path in stale:
        try:
            os.remove(path)
        except OSError:  # a leftover under a temporary name, which has just been renamed
            continue
    _tell({"bad": [], "files": {path: _hash(path) for path, _ in wanted}, "removed": stale})

"""Where the folders are that come with the program: in the installed package or in a checkout."""

from __future__ import annotations

from pathlib import Path

from undertray.errors import UndertrayError

__all__ = ["bundled"]


def bundled(name: str) -> Path:
    """Find a folder that comes with the program."""
    package = Path(__file__).resolve().parent
    for folder in (package / "bundled" / name, package.parent.parent / name):
        if folder.is_dir():
            return folder
    raise UndertrayError(f"the folder '{name}' is missing", where=str(package), do="install undertray again")

"""``undertray demo``."""

from __future__ import annotations

import typer

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add this file's commands to the program.

    Parameters
    ----------
    app : typer.Typer
        The program.
    """

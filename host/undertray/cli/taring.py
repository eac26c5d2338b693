"""The option ``--tare``, which several commands share."""

from __future__ import annotations

from typing import Annotated

import typer

__all__ = ["Tare"]

_CHOICES = ("none", "zero", "linear")


def _known(tare: str) -> str:
    if tare not in _CHOICES:
        raise typer.BadParameter(" or ".join(_CHOICES))
    return tare


Tare = Annotated[
    str,
    typer.Option(
        "--tare",
        metavar="none|zero|linear",
        callback=_known,
        help="Take off the zero at rest before the run, or one that moves to that after it.",
    ),
]

"""What a check of a board comes up with."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Finding", "Weight"]


class Weight(StrEnum):
    """How much a finding matters."""

    FAULT = "fault"
    """It cannot work."""
    WARNING = "warning"
    """It works, and is probably not what was meant."""
    NOTE = "note"
    """A figure to know."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found.

    Attributes
    ----------
    weight : Weight
        Whether it matters.
    where : str
        The entry of the description.
    what : str
        What was found, with its figures.
    remedy : str
        What to do; empty for a note.
    """

    weight: Weight
    where: str
    what: str
    remedy: str = ""

"""All that can be said of a board description before anything is wired."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from undertray.board.finding import Finding, Weight
from undertray.board.keeping import keeping_findings
from undertray.board.places import place_findings
from undertray.board.rehearsal import rehearse
from undertray.board.spans import span_findings
from undertray.board.timing import timing_findings
from undertray.errors import parser_words
from undertray.units import decimal_comma

if TYPE_CHECKING:
    from undertray.reduce.car import Car

__all__ = ["check_board"]

_MOST = 1 << 16  # bytes looked at: the board takes far fewer


def check_board(path: str | Path, car: Car | None = None, baud: int | None = None) -> list[Finding]:
    """Check a board description.

    Parameters
    ----------
    path : str or Path
        The ``board.json``.
    car : Car or None
        The car it is for.
    baud : int or None
        Speed of the UART the rows go through; the board's own USB port if None.

    Returns
    -------
    list of Finding
        Faults first. No fault among them means that nothing is known to keep it from
        working; it is no promise.

    Raises
    ------
    BoardError
        When the file cannot be read.

    Notes
    -----
    What the board itself refuses is asked of its own firmware; only what a board cannot know
    (its car, its link, what it is soldered to) is judged here.
    """
    rehearsal = rehearse(path)
    remedy = _remedy(path) if rehearsal.faults else ""
    findings = [Finding(Weight.FAULT, "board.json", sentence, remedy) for sentence in rehearsal.faults]
    if rehearsal.slots:
        findings += place_findings(rehearsal)
        findings += timing_findings(rehearsal, baud)
        findings += keeping_findings(rehearsal)
        findings += span_findings(rehearsal, car)
    order = list(Weight)
    return sorted(findings, key=lambda finding: order.index(finding.weight))


def _remedy(path: str | Path) -> str:
    """What to do about a description that the board refuses."""
    with Path(path).open("rb") as file:
        text = file.read(_MOST).decode("utf-8", "replace")
    try:
        json.loads(text)
    except json.JSONDecodeError as error:
        line, column = error.lineno, error.colno
        return decimal_comma(text) or (
            f"look at line {line}, column {column}, and at the end of the line before it"
        )
    except ValueError as error:
        return f"{parser_words(error)}: write fewer"
    except RecursionError:
        pass
    return "the board refuses it: correct this entry; wiring/board.md lists every key"

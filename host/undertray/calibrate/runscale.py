"""What turns each row of a run into nominal suction: the description of the board that holds for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.descriptions import described
from undertray.acquire.rowtable import Counts
from undertray.acquire.runlog import Run
from undertray.calibrate.scale import Scale
from undertray.errors import RunLogError

__all__ = ["Span", "run_spans"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Span:
    """Rows of a run that one description of the board holds for.

    Attributes
    ----------
    first, last : int
        First row, and the row after the last.
    wanted : tuple of int
        Where the columns asked for are in a row.
    scale : Scale
        What turns their counts into nominal suction; its rows are counted from ``first``.
    """

    first: int
    last: int
    wanted: tuple[int, ...]
    scale: Scale

    def counts(self, run: Run) -> Counts | Array:
        """Counts of the columns asked for, in these rows.

        Parameters
        ----------
        run : Run
            The run.

        Returns
        -------
        Counts or ndarray, shape (last - first, columns asked for)
            Not copied where the log was read from a file.
        """
        if isinstance(run.counts, Counts):
            return run.counts.part(self.first, self.last, self.wanted)
        rows = run.counts[self.first : self.last]
        return rows if self.wanted == tuple(range(rows.shape[1])) else rows.T[list(self.wanted)].T


def run_spans(run: Run, names: Sequence[str]) -> list[Span]:
    """Tell by what each row of a run is turned into nominal suction.

    Parameters
    ----------
    run : Run
        The run.
    names : sequence of str
        The pressure columns that are asked for.

    Returns
    -------
    list of Span
        In order of the rows; empty where the log does not describe its board.

    Raises
    ------
    RunLogError
        When a description lacks one of the columns or has a ``scale`` that does not hold, or the rows
        are of two boards.
    """
    spans = []
    for first, last, device in described(run):
        at = {column.name: i for i, column in enumerate(device.columns)}
        without = [name for name in names if name not in at]
        if without:
            since = f" from row {first + 1} on" if first else ""
            raise RunLogError(
                f"the log has no pressure column {without[0]}{since}",
                where=run.where,
                seen=without[0],
                expected="one of " + ", ".join(at),
                do="cut a copy of the log before that row" if first else "ask for another column",
            )
        wanted = tuple(at[name] for name in names)
        whole = (first, last) == (0, len(run.counts))
        status = [
            replace(n, row=n.row - first, data={**n.data, "second": _picked(n.data["second"], wanted)})
            for n in run.notes
            if "second" in n.data and (whole or first <= n.row <= last)
        ]
        spans.append(Span(first, last, wanted, Scale([device.columns[i] for i in wanted], status)))
    return spans


def _picked(second: object, wanted: Sequence[int]) -> object:
    if not isinstance(second, list):
        return second
    return [second[i] if i < len(second) else None for i in wanted]

"""From when on a run should have held, and how far it did: what the verdict is told from."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.steady import REST_US, work_rows
from undertray.report.margins import Margins, Moment, run_margins

if TYPE_CHECKING:
    from undertray.reduce.run import Reduction

__all__ = ["SETTLED_S", "Holding", "Reached", "holding"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SETTLED_S = 0.2
"""How long a car has to have what it needs before it counts as holding, s."""
_LEAST_STRETCH_S = 0.5
_SPUN_UP_S = 1.0


class Reached(Enum):
    """How far a run came: what it had for :data:`SETTLED_S` at least once."""

    NEED = "what it needs"
    STAY = "what it takes to stay on"
    NOTHING = "neither"


@dataclass(frozen=True, slots=True, eq=False)
class Holding:
    """How a run held. n rows.

    Attributes
    ----------
    reached : Reached
        How far it came.
    allowance : bool
        Whether what it needs is more than what it takes to stay on.
    throttle : bool
        Whether a throttle says when the car should hold.
    below, short : ndarray of bool, shape (n,)
        Rows that count, with less than it needs, and with less than it takes to stay on.
    counted_s, below_s, short_s : float
        Time that counts, and how much of it was so, s.
    first_below, first_short : Moment or None
        Where that began.
    least, least_stay : Moment
        Least margin beyond what it needs, and beyond what it takes to stay on.
    best, best_stay : Moment
        When the least of the margins was greatest, likewise.
    stretches, missed : int
        How often the throttle was up, and how often of these it never reached it.
    step_s : ndarray of float64, shape (n,)
        Time each row stands for, s.
    """

    reached: Reached
    allowance: bool
    throttle: bool
    below: Mask
    short: Mask
    counted_s: float
    below_s: float
    short_s: float
    first_below: Moment | None
    first_short: Moment | None
    least: Moment
    least_stay: Moment
    best: Moment
    best_stay: Moment
    stretches: int
    missed: int
    step_s: Array


def holding(reduction: Reduction) -> Holding | str:
    """Find out how a run held.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.

    Returns
    -------
    Holding or str
        Why it cannot be told, where it cannot.

    Notes
    -----
    It counts from the moment both axles have had what they need for 0.2 s without a break, until the
    throttle goes below half way between its least and its greatest. If that never was, from the
    moment both had what it takes to stay on; if that never was either, from a second after the
    throttle went up. The least margins are taken from a second after that moment on, and wherever it fell
    back below what it had reached: a margin that rises while the fans spin up says nothing.
    """
    margins, throttle_us = run_margins(reduction), reduction.series.throttle_us
    known, t_s = margins.known, margins.t_s
    if len(known) < 2 or not known.any():
        return "no row has both axles measured"
    if np.isfinite(throttle_us).any() and np.nanmax(throttle_us) <= REST_US:
        return "the throttle was never up"
    work = work_rows(throttle_us)
    asked = np.ones(len(t_s), bool) if work is None else work
    stretches = [(a, b) for a, b in _stretches(asked) if t_s[b - 1] - t_s[a] >= _LEAST_STRETCH_S]
    if not stretches:
        return "the throttle was never up for half a second"
    levels = {
        Reached.NEED: ~known | (margins.need_n.min(axis=1) >= 0),
        Reached.STAY: ~known | (margins.stay_n.min(axis=1) >= 0),
        Reached.NOTHING: np.ones(len(t_s), bool),
    }
    reached = next(r for r, had in levels.items() if _counted(had, stretches, t_s)[0].any())
    counted, spun_up, missed = _counted(levels[reached], stretches, t_s)
    counted = known & (spun_up if reached is Reached.NOTHING else counted)
    if not counted.any():
        return "no row has both axles measured while the throttle was up"
    told = counted & (spun_up | ~levels[reached])
    looked = told if told.any() else counted
    below, short = counted & ~levels[Reached.NEED], counted & ~levels[Reached.STAY]
    step_s = _steps(t_s)
    return Holding(
        reached=reached,
        allowance=margins.allowance,
        throttle=work is not None,
        below=below,
        short=short,
        counted_s=float(step_s[counted].sum()),
        below_s=float(step_s[below].sum()),
        short_s=float(step_s[short].sum()),
        first_below=_first(margins, margins.need_n, below),
        first_short=_first(margins, margins.stay_n, short),
        least=margins.least(margins.need_n, looked),
        least_stay=margins.least(margins.stay_n, looked),
        best=margins.least(margins.need_n, asked, best=True),
        best_stay=margins.least(margins.stay_n, asked, best=True),
        stretches=len(stretches),
        missed=missed,
        step_s=step_s,
    )


def _counted(had: Mask, stretches: Sequence[tuple[int, int]], t_s: Array) -> tuple[Mask, Mask, int]:
    """Rows since it first had something, those of them a second later, and stretches that it never had it."""
    counted, spun_up, missed = np.zeros(len(t_s), bool), np.zeros(len(t_s), bool), 0
    for start, stop in stretches:
        first = _first_held(had[start:stop], t_s[start:stop])
        if first is None:
            missed += bool(t_s[stop - 1] - t_s[start] > _SPUN_UP_S)
            continue
        counted[start + first : stop] = True
        from_s = t_s[start + first]
        wait_s = min(_SPUN_UP_S, (t_s[stop - 1] - from_s) / 2)
        spun_up[start + first : stop] = t_s[start + first : stop] >= from_s + wait_s
    return counted, spun_up, missed


def _first(margins: Margins, beyond_n: Array, rows: Mask) -> Moment | None:
    if not rows.any():
        return None
    only = np.zeros(len(rows), bool)
    only[int(rows.argmax())] = True
    return margins.least(beyond_n, only)


def _steps(t_s: Array) -> Array:
    """Time each row stands for; a gap counts as one usual step."""
    steps = np.diff(t_s, append=t_s[-1])
    usual = float(np.median(steps[:-1]))
    steps[-1] = usual
    return np.where(steps > 5 * usual, usual, steps)


def _stretches(mask: Mask) -> Iterator[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _first_held(held: Mask, t_s: Array) -> int | None:
    for start, stop in _stretches(held):
        if t_s[stop - 1] - t_s[start] >= SETTLED_S:
            return start
    return None

"""Does it hold: the answer in words, and what it rests on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.steady import REST_US
from undertray.report.display import SI, Display

if TYPE_CHECKING:
    from undertray.reduce.run import Reduction

__all__ = ["Verdict", "judge", "work_rows"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_SETTLED_S = 0.2
_LEAST_STRETCH_S = 0.5
_SPUN_UP_S = 1.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a run says about holding on.

    Attributes
    ----------
    word : str
        ``held``, ``held, but not surely``, ``let go``, ``never held`` or ``cannot be told``.
    good : bool
        Only ``held`` is.
    headline : str
        The answer in one sentence.
    reasons : tuple of str
        What it rests on, a sentence each.
    least_margin_n : float or None
        Least margin of an axle while the car should have held, N.
    axle : str or None
        Which axle had it: ``front axle``, ``rear axle``, or ``whole car`` where sliding decides.
    at_s : float or None
        When.
    held_s, below_s : float
        Time at work since it first held, s, and how much of it was below the need.
    """

    word: str
    good: bool
    headline: str
    reasons: tuple[str, ...]
    least_margin_n: float | None
    axle: str | None
    at_s: float | None
    held_s: float
    below_s: float


def work_rows(throttle_us: Array) -> Mask | None:
    """Find the rows in which the fans were asked to hold.

    Parameters
    ----------
    throttle_us : ndarray of float64, shape (n,)
        Throttle pulse, µs, NaN where there was none.

    Returns
    -------
    ndarray of bool, shape (n,), or None
        Throttle above half way between its least and its greatest in the run; None where it
        was not logged or moved by less than 50 µs.
    """
    if not np.isfinite(throttle_us).any():
        return None
    low, high = float(np.nanmin(throttle_us)), float(np.nanmax(throttle_us))
    if high - low < 50:
        return None
    return np.asarray(np.nan_to_num(throttle_us, nan=low) > (low + high) / 2)


def judge(reduction: Reduction, units: Display = SI) -> Verdict:
    """Judge a run.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    units : Display
        Units of the sentences.

    Returns
    -------
    Verdict

    Notes
    -----
    The car should hold from the moment both axles have had what they need for 0.2 s without a
    break, until the throttle goes below half way between its least and its greatest; spinning
    up and running down do not count against it. Without a throttle, until the end of the log.
    The least margin is taken from a second later on, when the fans have spun up: a margin that
    rises through zero says nothing.
    The margin is that of the worse axle at each instant: downforce on the axle less what it
    needs (weight share with allowance, by the surface angle of the car file).
    """
    t_s = reduction.series.t_s
    names, margins = _margins(reduction)
    known: Mask = np.asarray(np.isfinite(margins).all(axis=1))
    why = _no_answer(reduction.series.throttle_us, known)
    if why:
        return _untold(why)
    worst = np.where(known, margins.min(axis=1), np.inf)
    steps_s = _steps(t_s)
    work = work_rows(reduction.series.throttle_us)
    asked = np.ones(len(t_s), bool) if work is None else work
    counted, spun_up = np.zeros(len(t_s), bool), np.zeros(len(t_s), bool)
    stretches = 0
    for start, stop in _stretches(asked):
        if t_s[stop - 1] - t_s[start] >= _LEAST_STRETCH_S:
            stretches += 1
            first = _first_held(worst[start:stop] >= 0, t_s[start:stop])
            if first is not None:
                counted[start + first : stop] = True
                wait_s = min(_SPUN_UP_S, (t_s[stop - 1] - t_s[start + first]) / 2)
                spun_up[start + first : stop] = t_s[start + first : stop] >= t_s[start + first] + wait_s
    if stretches == 0:
        return _untold("the throttle was never up for half a second")
    base = _rests_on(work is not None)
    if not counted.any():
        best = int(np.where(asked & known, margins.min(axis=1), -np.inf).argmax())
        axle = names[int(margins[best].argmin())]
        margin_n = float(margins[best].min())
        headline = (
            f"It never held: at its best, at {t_s[best]:.2f} s, "
            f"the {axle} was still {units.n(-margin_n)} short."
        )
        return Verdict("never held", False, headline, base, margin_n, axle, float(t_s[best]), 0.0, 0.0)
    counted &= known
    below = counted & (worst < 0)
    at = int(np.where(counted & (spun_up | below), worst, np.inf).argmin())
    least_n, axle = float(worst[at]), names[int(margins[at].argmin())]
    held_s, below_s = float(steps_s[counted].sum()), float(steps_s[below].sum())
    u95_n = _u95_n(reduction, axle)
    facts = (axle, float(t_s[at]), held_s, below_s)
    spread = "of unknown uncertainty" if u95_n is None else f"uncertain by ±{units.n(u95_n)}"
    if below.any():
        first_s = float(t_s[int(below.argmax())])
        first_axle = names[int(margins[int(below.argmax())].argmin())]
        headline = (
            f"It let go: from {first_s:.2f} s on the {first_axle} had less than it needs, "
            f"{below_s:.2f} s in all. At worst, at {t_s[at]:.2f} s, "
            f"the {axle} was {units.n(-least_n)} short."
        )
        reasons = (*base, *_blame(reduction, below, steps_s))
        return Verdict("let go", False, headline, reasons, least_n, *facts)
    least = f"The least margin was {units.n(least_n, signed=True)}, {axle}, at {t_s[at]:.2f} s, {spread}."
    doubts = list(reduction.caveats)
    if u95_n is None or least_n < u95_n:
        doubts.append("the margin is not more than the measurement is uncertain")
    if doubts:
        headline = f"It held, but {', and '.join(doubts)}. {least}"
        return Verdict("held, but not surely", False, headline, base, least_n, *facts)
    return Verdict("held", True, f"It held. {least}", base, least_n, *facts)


def _no_answer(throttle_us: Array, known: Mask) -> str:
    """Why a run says nothing about holding; empty where it may."""
    if len(known) < 2 or not known.any():
        return "no row has both axles measured"
    if np.isfinite(throttle_us).any() and np.nanmax(throttle_us) <= REST_US:
        return "the throttle was never up"
    return ""


def _margins(reduction: Reduction) -> tuple[tuple[str, ...], Array]:
    """Margin of each axle over time, and of the whole car where friction asks for more than the axles."""
    series, axles, whole_n = reduction.series, reduction.axles, reduction.hold.required_n
    names = ["front axle", "rear axle"]
    margins = [series.front_n - axles["front"].required_n, series.rear_n - axles["rear"].required_n]
    if whole_n > 1.000001 * (axles["front"].required_n + axles["rear"].required_n):
        names.append("whole car")
        margins.append(series.downforce_n - whole_n)
    return tuple(names), np.column_stack(margins)


def _u95_n(reduction: Reduction, who: str) -> float | None:
    """Uncertainty of the load that the margin is of.

    The larger of that of the whole run, which knows of taps that failed, and that while the fans worked,
    which knows of how much more there was to be uncertain of.
    """
    axles, steady = reduction.axles, reduction.steady
    whole_n = {
        "front axle": axles["front"].u95_n,
        "rear axle": axles["rear"].u95_n,
        "whole car": reduction.downforce_n.u95,
    }[who]
    if whole_n is None or steady is None:
        return whole_n
    working = {"front axle": steady.front_n, "rear axle": steady.rear_n, "whole car": steady.downforce_n}[who]
    return whole_n if working.u95 is None else max(whole_n, working.u95)


def _untold(why: str) -> Verdict:
    return Verdict(
        "cannot be told", False, f"Whether it holds cannot be told: {why}.", (), None, None, None, 0.0, 0.0
    )


def _rests_on(throttle: bool) -> tuple[str, ...]:
    until = (
        "until the throttle went below half way between its least and its greatest"
        if throttle
        else "until the end of the log, because no throttle was logged: running down counts as letting go"
    )
    return (
        f"Counted from the moment both axles first had what they need for {_SETTLED_S:g} s, {until}.",
        "Each axle must hold on its own: the worse one decides.",
    )


def _blame(reduction: Reduction, below: Mask, steps_s: Array) -> tuple[str, ...]:
    """Say how much of the time below belongs to which kind of event."""
    t_s = reduction.series.t_s
    sentences, open_rows = [], below.copy()
    for kind in ("seal-loss", "slow-leak", "throttle-cut", "data-gap"):
        inside = np.zeros(len(t_s), bool)
        for event in reduction.events:
            if event.kind == kind:
                end_s = np.inf if event.end_s is None else event.end_s
                inside |= (t_s >= event.onset_s) & (t_s <= end_s)
        rows = open_rows & inside
        if rows.any():
            sentences.append(f"{steps_s[rows].sum():.2f} s of it within events named {kind}.")
        open_rows &= ~inside
    if open_rows.any():
        sentences.append(f"{steps_s[open_rows].sum():.2f} s of it outside every named event.")
    return tuple(sentences)


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
        if t_s[stop - 1] - t_s[start] >= _SETTLED_S:
            return start
    return None

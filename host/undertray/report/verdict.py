"""Does it hold: the answer in words, and what it rests on."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.distributions import student_quantile
from undertray.reduce.margins import SETTLED_S, Holding, Reached
from undertray.report.display import SI, Display

if TYPE_CHECKING:
    from undertray.reduce.margins import Holding, Moment
    from undertray.reduce.run import Reduction

__all__ = ["NOT_HELD", "SPENT", "Verdict", "judge", "least_u95_n"]


# How far off the least margin of a run may be: it is no mean.

_SURE = 0.975  # on this side
_NEAR_S = 1.0
_STEP_TO_SD = 1.048358  # median step of white noise to its standard deviation


def least_u95_n(reduction: Reduction, found: Holding, least: Moment) -> float | None:
    """Uncertainty of a least margin.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    found : Holding
        How it held.
    least : Moment
        The least margin.

    Returns
    -------
    float or None
        Half width of its 95 % interval, N; None without a calibration.

    Notes
    -----
    That of the load it is of, and that it is the least of many readings: of n that scatter by s about one
    value the least is below it by up to ``s q``, q the 97.5 % point of the largest of n normal values,
    ``Phi(q) = 0.975^(1/n)`` (derived). The true least is so rather above than below what is told.
    """
    load_n = _load_u95_n(reduction, least.who)
    if load_n is None:
        return None
    readings = max(1.0, found.counted_s * reduction.rate_hz)
    q = student_quantile(math.inf, 2 * _SURE ** (1 / readings) - 1)
    return math.hypot(load_n, q * _scatter_n(reduction, least))


def _scatter_n(reduction: Reduction, least: Moment) -> float:
    """What a single reading of the load scatters by, from row to row near a moment."""
    series = reduction.series
    a, b = np.searchsorted(series.t_s, [least.at_s - _NEAR_S, least.at_s + _NEAR_S]).tolist()
    front_n, rear_n = series.front_n[a:b], series.rear_n[a:b]
    load_n = {"front axle": front_n, "rear axle": rear_n}.get(least.who, front_n + rear_n)
    steps = np.abs(np.diff(load_n))
    steps = steps[np.isfinite(steps)]
    return _STEP_TO_SD * float(np.median(steps)) if len(steps) else 0.0


def _load_u95_n(reduction: Reduction, who: str) -> float | None:
    """Uncertainty of the load that the margin is of."""
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


Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

NOT_HELD = ("let go", "never held")
"""Words of a run that had less than it takes to stay on."""
SPENT = ("used its allowance", "never had its allowance")
"""Words of a run that had what it takes to stay on, but not all of the allowance of its car file."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a run says about holding on."""

    word: str
    good: bool
    headline: str
    reasons: tuple[str, ...]
    least_margin_n: float | None
    axle: str | None
    at_s: float | None
    least_stay_n: float | None
    held_s: float
    below_s: float
    short_s: float
    since: str
    until_s: float | None


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
    What an axle needs is its weight share by the surface angle of the car file, with the allowance; what
    it takes to stay on is the same without. A run that had less than the first but never less than the second
    has used up its allowance; one that had less than the second has let go. From when on that counts:
    :func:`~undertray.reduce.margins.holding`. The margin is that of the worse axle at each instant.
    """
    found = reduction.holding
    if isinstance(found, str):
        said = f"Whether it holds cannot be told: {found}."
        return Verdict("cannot be told", False, said, (), None, None, None, None, 0.0, 0.0, 0.0, "", None)
    word, headline = _answer(reduction, found, units)
    return Verdict(
        word,
        word == "held",
        headline,
        (*_rests_on(found), *_blame(reduction, found)),
        found.least.margin_n,
        found.least.who,
        found.least.at_s,
        found.least_stay.margin_n,
        found.counted_s,
        found.below_s,
        found.short_s,
        _SINCE[found.reached],
        found.until_s,
    )


_SINCE = {
    Reached.NEED: "since it first held",
    Reached.STAY: "since it first had what it takes to stay on",
    Reached.NOTHING: "with the fans up",
}


def _answer(reduction: Reduction, found: Holding, units: Display) -> tuple[str, str]:
    if found.reached is Reached.NOTHING:
        return "never held", _never_held(found, units)
    if found.first_short is not None:
        return "let go", _let_go(reduction, found, units)
    doubts = [*reduction.caveats, *found.doubts]
    if found.first_below is not None:
        word = SPENT[found.reached is Reached.STAY]
        return word, f"{_spent(found, units)} {_stayed(reduction, found, units, doubts)}"
    least, u95_n = found.least, least_u95_n(reduction, found, found.least)
    if u95_n is None or least.margin_n < u95_n:
        doubts.append("the margin is not more than the measurement is uncertain")
    said = (
        f"The least margin was {units.n(least.margin_n, signed=True)}, {least.who}, at {least.at_s:.2f} s, "
        f"{_uncertain(u95_n, units)}."
    )
    if doubts:
        return "held, but not surely", f"It held, but {', and '.join(doubts)}. {said}"
    if not reduction.hold.required_n and not any(axle.required_n for axle in reduction.axles.values()):
        return "held", f"It held, and nothing was asked of the suction: the weight itself holds. {said}"
    return "held", f"It held. {said}"


def _never_held(found: Holding, units: Display) -> str:
    best, worst = found.best_stay, found.least_stay
    said = (
        f"It never held: at its best, at {best.at_s:.2f} s, the {best.who} was still "
        f"{units.n(-best.margin_n)} short of what it takes to stay on; at worst, at "
        f"{worst.at_s:.2f} s, the {worst.who} was {units.n(-worst.margin_n)} short."
    )
    if found.allowance:
        said += f" With the allowance it was at best {units.n(-found.best.margin_n)} short."
    return said


def _let_go(reduction: Reduction, found: Holding, units: Display) -> str:
    first, worst = found.first_short, found.least_stay
    assert first is not None
    said = (
        f"It let go: from {first.at_s:.2f} s on the {first.who} had less than it takes to stay on, "
        f"{found.short_s:.2f} s in all. At worst, at {worst.at_s:.2f} s, the {worst.who} was "
        f"{units.n(-worst.margin_n)} short."
    )
    if not np.isfinite(reduction.series.throttle_us).any():
        said += " There is no throttle in the log: fans that were shut off look the same."
    if found.reached is Reached.STAY:
        said += f" {_never_spare(found, units)}"
    elif found.allowance and found.first_below is not None:
        said += (
            f" With the allowance it had less than it needs for {found.below_s:.2f} s, from "
            f"{found.first_below.at_s:.2f} s on, at worst {units.n(-found.least.margin_n)} short."
        )
    return said


def _spent(found: Holding, units: Display) -> str:
    if found.reached is Reached.STAY:
        return _never_spare(found, units)
    first, worst = found.first_below, found.least
    assert first is not None
    return (
        f"It used up its allowance: from {first.at_s:.2f} s on the {first.who} had less than it needs, "
        f"{found.below_s:.2f} s in all. At worst, at {worst.at_s:.2f} s, the {worst.who} was "
        f"{units.n(-worst.margin_n)} short of that."
    )


def _never_spare(found: Holding, units: Display) -> str:
    best, worst = found.best, found.least
    return (
        f"It never had its allowance: at its best, at {best.at_s:.2f} s, the {best.who} was "
        f"{units.n(-best.margin_n)} short of what it needs with it; at worst, at {worst.at_s:.2f} s, "
        f"{units.n(-worst.margin_n)}."
    )


def _stayed(reduction: Reduction, found: Holding, units: Display, doubts: list[str]) -> str:
    least = found.least_stay
    u95_n = least_u95_n(reduction, found, least)
    if u95_n is None or least.margin_n < u95_n:
        doubts.append("what was left is not more than the measurement is uncertain")
    kept = "It kept what it takes to stay on" + (f", but {', and '.join(doubts)}" if doubts else "")
    return (
        f"{kept}: {units.n(least.margin_n, signed=True)} at least, {least.who}, at {least.at_s:.2f} s, "
        f"{_uncertain(u95_n, units)}."
    )


def _uncertain(u95_n: float | None, units: Display) -> str:
    return "of unknown uncertainty" if u95_n is None else f"uncertain by ±{units.n(u95_n)}"


def _rests_on(found: Holding) -> tuple[str, ...]:
    until = (
        f"until the throttle began to go down for good, at {found.until_s:.2f} s"
        if found.throttle
        else "until the end of the log, for no throttle was logged that moved: running down is letting go"
    )
    up = "the throttle went up" if found.throttle else "the log began"
    since = (
        f"from a second after {up}"
        if found.reached is Reached.NOTHING
        else f"from the moment each axle first had {found.reached.value} for {SETTLED_S:g} s"
    )
    mark = (
        ("What it takes to stay on is what it needs without the allowance of the car file.",)
        if found.allowance and found.below_s
        else ()
    )
    return (f"Counted {since}, {until}.", "Each axle must hold on its own: the worse one decides.", *mark)


def _blame(reduction: Reduction, found: Holding) -> tuple[str, ...]:
    """Say how much of the time below its need belongs to which kind of event."""
    t_s = reduction.series.t_s
    sentences, open_rows = [], found.below.copy()
    for kind in ("seal-loss", "slow-leak", "throttle-cut", "data-gap"):
        inside = np.zeros(len(t_s), bool)
        for event in reduction.events:
            if event.kind == kind:
                end_s = np.inf if event.end_s is None else event.end_s
                inside |= (t_s >= event.onset_s) & (t_s <= end_s)
        rows = open_rows & inside
        if rows.any():
            sentences.append(f"{_time(found, rows)} below its need within events named {kind}.")
        open_rows &= ~inside
    if open_rows.any():
        sentences.append(f"{_time(found, open_rows)} below its need outside every named event.")
    return tuple(sentences)


def _time(found: Holding, rows: Mask) -> str:
    return f"{found.row_s[rows].sum():.2f} s"

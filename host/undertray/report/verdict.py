"""Does it hold: the answer in words, and what it rests on."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.clock import lost_share
from undertray.calibrate.distributions import student_quantile
from undertray.quantiles import middle
from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.margins import SETTLED_S, Holding, Reached
from undertray.reduce.warning import sign_before, warning_words
from undertray.report.display import SI, Display, moment_text

if TYPE_CHECKING:
    from undertray.predict.drag import Drag
    from undertray.predict.drivable import Windows
    from undertray.reduce.car import Car
    from undertray.reduce.margins import Holding, Moment
    from undertray.reduce.run import Reduction

__all__ = [
    "LOCKED",
    "NOT_HELD",
    "SPENT",
    "UNSURE",
    "UNTOLD_VERDICT",
    "Verdict",
    "judge",
    "judge_driven",
    "least_u95_n",
    "tone_of",
    "with_window",
    "within_words",
]


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
    That of the load it is of, of the need where friction is in it, and that it is the least of many readings:
    of n that scatter by s about one value the least is below it by up to ``s q``, q the 97.5 % point of the
    largest of n normal values, ``Phi(q) = 0.975^(1/n)`` (derived). The true least is so rather above than
    below what is told.
    """
    load_n = _load_u95_n(reduction, least.who)
    if load_n is None:
        return None
    readings = max(1.0, found.counted_s * reduction.rate_hz)
    q = student_quantile(math.inf, 2 * _SURE ** (1 / readings) - 1)
    return math.hypot(load_n, _need_u95_n(reduction, least.who), q * _scatter_n(reduction, least))


def _scatter_n(reduction: Reduction, least: Moment) -> float:
    """What a single reading of the load scatters by, from row to row near a moment."""
    series = reduction.series
    a, b = np.searchsorted(series.t_s, [least.at_s - _NEAR_S, least.at_s + _NEAR_S]).tolist()
    front_n, rear_n = series.front_n[a:b], series.rear_n[a:b]
    load_n = {"front axle": front_n, "rear axle": rear_n}.get(least.who, front_n + rear_n)
    steps = np.abs(np.diff(load_n))
    steps = steps[np.isfinite(steps)]
    return _STEP_TO_SD * middle(steps) if len(steps) else 0.0


def _need_u95_n(reduction: Reduction, who: str) -> float:
    """Uncertainty of what is needed: that of the tyres' friction."""
    return reduction.hold.required_u95_n if who == "whole car" else 0.0


def _slides_perhaps(reduction: Reduction, found: Holding) -> bool:
    """Was the whole car's margin less than it is uncertain by, while that of an axle was the least?"""
    for part in found.parts:
        load_n = _load_u95_n(reduction, part.who)
        if load_n is not None and part.least_n < math.hypot(load_n, _need_u95_n(reduction, part.who)):
            return part.who == "whole car"
    return False


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
UNTOLD_VERDICT = "cannot be told"
"""Word of a run that says nothing about holding on."""
UNSURE = ("held, but not surely", UNTOLD_VERDICT)
"""Words of a run of which it is not sure that it held, nor that it did not."""


def tone_of(word: str) -> tuple[str, str]:
    """How a verdict is toned and signed on a page; ``not reduced: ...`` is as good as untold."""
    if word == "held":
        return "good", "✓"
    return ("unsure", "?") if word.startswith(("not reduced", *UNSURE)) else ("bad", "✗")


def within_words(u95_n: float | None, units: Display) -> str:
    """Say what a force is uncertain by."""
    return "uncertainty unknown" if u95_n is None else f"±{units.n(u95_n)}"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a run says about holding on. ``headline`` and ``least`` are the whole of it for a driver."""

    word: str
    good: bool
    headline: str
    least: str
    reasons: tuple[str, ...]
    least_margin_n: float | None
    least_u95_n: float | None
    axle: str | None
    at_s: float | None
    least_stay_n: float | None
    held_s: float
    below_s: float
    short_s: float
    since: str
    until_s: float | None

    @property
    def text(self) -> str:
        """Both sentences."""
        return f"{self.headline} {self.least}".rstrip()


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
    What an axle needs is its weight share by the surface angle of the car file, with the allowance; its
    margin is its load less that, and it is below its need while that is negative. What it takes to stay on is
    the same without the allowance: a run that had less has let go. From when on that counts:
    :func:`~undertray.reduce.margins.holding`. The margin is that of the worse axle at each instant.
    """
    found = reduction.holding
    if isinstance(found, str):
        return Verdict(
            word=UNTOLD_VERDICT,
            good=False,
            headline=f"Whether it holds cannot be told: {found}.",
            least="",
            reasons=(),
            least_margin_n=None,
            least_u95_n=None,
            axle=None,
            at_s=None,
            least_stay_n=None,
            held_s=0.0,
            below_s=0.0,
            short_s=0.0,
            since="",
            until_s=None,
        )
    least, u95_n = found.least, least_u95_n(reduction, found, found.least)
    word, headline = _answer(reduction, found, u95_n, units)
    return Verdict(
        word=word,
        good=word == "held",
        headline=headline,
        least=f"Least margin {units.n(least.margin_n, signed=True)} ({within_words(u95_n, units)}), "
        f"{least.who}, at {moment_text(least.at_s)}.",
        reasons=(*_meant(found), *_rests_on(found), *_stayed(found, units), *_blame(reduction, found)),
        least_margin_n=least.margin_n,
        least_u95_n=u95_n,
        axle=least.who,
        at_s=least.at_s,
        least_stay_n=found.least_stay.margin_n,
        held_s=found.counted_s,
        below_s=found.below_s,
        short_s=found.short_s,
        since=_SINCE[found.reached],
        until_s=found.until_s,
    )


_SINCE = {
    Reached.NEED: "since it first held",
    Reached.STAY: "since it first had what it takes to stay on",
    Reached.NOTHING: "with the fans up",
}


def _answer(reduction: Reduction, found: Holding, u95_n: float | None, units: Display) -> tuple[str, str]:
    best = f"its best margin was {units.n(found.best.margin_n, signed=True)}, {found.best.who}, at "
    best += moment_text(found.best.at_s)
    if found.reached is Reached.NOTHING:
        return "never held", f"It never held: {best}."
    if found.first_short is not None:
        return "let go", _let_go(reduction, found)
    doubts = [*reduction.caveats, *found.doubts]
    if found.first_below is not None:
        stay_u95_n = least_u95_n(reduction, found, found.least_stay)
        if stay_u95_n is None or found.least_stay.margin_n < stay_u95_n:
            doubts.append("what was left is smaller than its uncertainty")
        but = f"; but {', and '.join(doubts)}" if doubts else ""
        first, never = found.first_below, found.reached is Reached.STAY
        used = (
            f"from {moment_text(first.at_s)} on the {first.who} was below its need, for {found.below_s:.2f} s"
        )
        said = f"never had its allowance: {best}" if never else f"used its allowance: {used} in all"
        return SPENT[never], f"It stayed on, but {said}{but}."
    if u95_n is None or found.least.margin_n < u95_n:
        doubts.append("the margin is smaller than its uncertainty")
    elif _slides_perhaps(reduction, found):
        doubts.append("at the least friction that its tyres may have it slides")
    if doubts:
        return UNSURE[0], f"It held, but {', and '.join(doubts)}."
    if not reduction.hold.required_n and not any(axle.required_n for axle in reduction.axles.values()):
        return "held", "It held, and nothing was asked of the suction: the weight itself holds."
    return "held", f"It held for all of the {found.counted_s:.1f} s that count."


def _let_go(reduction: Reduction, found: Holding) -> str:
    first = found.first_short
    assert first is not None
    who = first.who.removesuffix(" axle").removeprefix("whole ")
    said = f"The {who} let go at {moment_text(first.at_s)}{_announced(reduction, first.at_s)}"
    times = _times_off(reduction, found)
    if len(times) > 1:
        said += f", the first of {len(times)} times, {found.short_s:.2f} s in all."
    elif math.isinf(times[0]):
        said += ", and stayed off."
    else:
        said += f", and was off for {times[0]:.2f} s."
    if not np.isfinite(reduction.series.throttle_us).any():
        said += " There is no throttle in the log: fans that were shut off look the same."
    if found.reached is Reached.STAY:
        said += " It never had its allowance."
    lost = lost_share(reduction.rows, reduction.lost_rows)
    if lost > _MANY_LOST:
        said += f" But {lost:.0%} of the rows were lost: it may have been off more often, and by more."
    return said


def _announced(reduction: Reduction, at_s: float) -> str:
    """How long before it let go the first sign of that loss was, where one was."""
    for event in reduction.events:
        end_s = math.inf if event.end_s is None else event.end_s
        if event.kind in LOSS_KINDS and event.onset_s - _NEAR_LOSS_S <= at_s <= end_s + _NEAR_LOSS_S:
            if event.kind == "slow-leak":
                return f", {at_s - event.onset_s:.1f} s after the leak began"
            if event.warning_s is None:
                return ", without warning" if warning_words(reduction, event) == "none" else ""
            sign = sign_before(event, reduction.series)
            return "" if sign is None else f", {at_s - sign.at_s:.1f} s after {_SIGNS[sign.kind]}"
    return ""


_NEAR_LOSS_S = 0.05
_MANY_LOST = 0.05  # of all rows: more than a glitch of the link
_SIGNS = {
    "flutter": "the first flutter",
    "one tap ahead": "one tap began to fall ahead",
    "slow decline": "the suction began to sink",
}


def _times_off(reduction: Reduction, found: Holding) -> list[float]:
    """How long it was off each time, s; infinite where it never came back, for 0.2 s at least."""
    t_s = reduction.series.t_s
    rows = np.flatnonzero(found.short)
    parts = np.split(rows, np.flatnonzero(np.diff(t_s[rows]) > SETTLED_S) + 1)
    times = [float(found.row_s[part].sum()) for part in parts]
    if found.until_s - t_s[rows[-1]] < SETTLED_S:
        times[-1] = math.inf
    return times


def _meant(found: Holding) -> tuple[str, ...]:
    """The words that all of the report uses, once."""
    with_it = ", with the allowance of the car file" if found.allowance else ""
    said = (
        f"Needed: what holds an axle on the surface{with_it}. Margin: its load less that; below its need: a "
        "margin under zero. The worse axle decides."
    )
    if not found.allowance:
        return (said,)
    return (said, "Let go: less than it takes to stay on, which is the need without the allowance.")


def _rests_on(found: Holding) -> tuple[str, ...]:
    until = (
        f"until the throttle began to go down for good, at {moment_text(found.until_s)}"
        if found.throttle
        else "until the end of the log, for no throttle was logged that moved: running down is letting go"
    )
    up = "the throttle went up" if found.throttle else "the log began"
    since = (
        f"from a second after {up}"
        if found.reached is Reached.NOTHING
        else f"from the moment each axle first had {found.reached.value} for {SETTLED_S:g} s"
    )
    return (f"Counted {since}, {until}.",)


def _stayed(found: Holding, units: Display) -> tuple[str, ...]:
    """How it stands without the allowance, where it was needed."""
    least = found.least_stay
    if not found.allowance or not found.below_s:
        return ()
    said = f"Without the allowance the least was {units.n(least.margin_n, signed=True)}, {least.who}, at "
    said += moment_text(least.at_s)
    return (f"{said}, and {found.short_s:.2f} s were under zero." if found.short_s else f"{said}.",)


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


# Locked: the verdict of a run whose suction held it fast.

LOCKED = "locked"
"""Word of a run that held, with a suction that its driven wheels could not have overcome."""


def with_window(verdict: Verdict, reduction: Reduction, windows: Windows, units: Display = SI) -> Verdict:
    """Say whether a run was locked, where it was not worse."""
    from undertray.predict.drivable import whereabouts

    window = windows.at(windows.car.surface_angle_deg)
    place = whereabouts(reduction, window)
    locks = window.locks
    if not place.locked or locks is None:
        return verdict
    said = (
        f"For {place.above_s:.1f} s the suction was above {units.pa(locks.high_pa)}, where {locks.limited_by}"
        " cannot overcome the drag of the skirt for sure: asked to drive then, it was locked."
    )
    if verdict.word in NOT_HELD or verdict.word == UNTOLD_VERDICT:
        return replace(verdict, reasons=(*verdict.reasons, said))
    return replace(verdict, word=LOCKED, good=False, headline=f"Locked. {said} {verdict.headline}")


def judge_driven(reduction: Reduction, car: Car, drag: Drag | None = None) -> Verdict:
    """Judge a run, by what pulls told of its skirt as well where there is that."""
    from undertray.predict.drivable import Windows

    verdict = judge(reduction)
    return verdict if drag is None else with_window(verdict, reduction, Windows.of(car, drag, reduction))

"""What a comparison keeps of a run: its steady blocks, its losses and their warnings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.runfolder import Drive, counted_once, drive_of, same_run
from undertray.errors import ReductionError, nearest, quoted
from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.run import reduce_run
from undertray.reduce.runcar import differing_cars
from undertray.reduce.steady import throttle_bands
from undertray.reduce.warning import UNTOLD, warning_words
from undertray.report.verdict import Verdict, judge, judge_driven
from undertray.report.words import few_names, grouped_notices

if TYPE_CHECKING:
    from undertray.acquire.runlog import Run
    from undertray.calibrate.calibration import Calibration
    from undertray.predict.drag import Drag
    from undertray.reduce.car import Car
    from undertray.reduce.run import Reduction
    from undertray.reduce.runcar import RunCar

__all__ = [
    "Digest",
    "Taken",
    "at_levels",
    "digest",
    "fact_of",
    "facts_of",
    "once_each",
    "take",
    "throttle_levels",
]

Array = NDArray[np.float64]

_FACT_LENGTH = 80
_WIDEST_US = 20.0
_MOST_FACTS = 40
_MOST_CORRECTIONS = 8
_GAS = 287.05  # J/(kg K), dry air (ICAO standard atmosphere, from memory)


@dataclass(frozen=True, slots=True, eq=False)
class Digest:
    """One run, ready to be compared. k steady blocks of 0.1 s."""

    run: str
    value: str
    started: str
    calibrated: bool
    throttle_us: Array
    idle_us: float
    quantities: Mapping[str, Array]
    required_n: Mapping[str, float]
    losses: int
    dips: int
    warnable: int
    up_s: float
    warnings_s: tuple[float, ...]
    verdict: str
    least_margin_n: float | None
    truncated: bool = False
    mounting: str | None = None
    facts: Mapping[str, str] = field(default_factory=dict)
    pack_mv: Array = field(default_factory=lambda: np.empty(0))
    air_kg_m3: float | None = None
    brief_losses: int = 0


def fact_of(facts: Mapping[str, Any], by: str) -> str | None:
    """Find a fact of a run."""
    notes = facts.get("notes")
    for where in (facts, notes if isinstance(notes, Mapping) else {}):
        value = where.get(by)
        if isinstance(value, str | int | float) and not isinstance(value, bool):
            return str(value).strip()[:_FACT_LENGTH]
    return None


def digest(reduction: Reduction, facts: Mapping[str, Any], by: str, verdict: Verdict | None = None) -> Digest:
    """Keep of a run what a comparison needs."""
    if reduction.no_verdict:
        raise ReductionError(reduction.no_verdict, where=reduction.run, do="correct that, and drive again")
    value = fact_of(facts, by)
    if value is None:
        notes = facts.get("notes")
        names = [*facts, *(notes if isinstance(notes, Mapping) else ())]
        told = [str(name)[:20] for name in names[:20] if name not in ("notes", "host")]
        meant = nearest(by, told)
        raise ReductionError(
            f"the run does not say its '{by[:40]}'",
            where=reduction.run,
            expected="one of " + ", ".join(told),
            do="choose another fact, or note it when recording"
            if meant is None
            else f"did you mean '{meant}'?",
        )
    blocks = reduction.blocks
    throttle_us = reduction.series.throttle_us
    losses = [event for event in reduction.events if event.kind in LOSS_KINDS]
    rows, verdict, found = blocks.steady, verdict or judge(reduction), reduction.holding
    return Digest(
        run=reduction.run,
        value=value,
        started=str(facts.get("started_utc", ""))[:40],
        calibrated=reduction.calibrated,
        throttle_us=blocks.throttle_us[rows],
        idle_us=float(np.nanmin(throttle_us)) if np.isfinite(throttle_us).any() else float("nan"),
        quantities={
            "suction_pa": blocks.suction_pa[rows],
            "front_n": blocks.front_n[rows],
            "rear_n": blocks.rear_n[rows],
        },
        required_n={name: axle.required_n for name, axle in reduction.axles.items()},
        losses=len(losses),
        dips=len(reduction.dips),
        warnable=sum(warning_words(reduction, event) not in UNTOLD for event in losses),
        up_s=0.0 if isinstance(found, str) else found.asked_s,
        warnings_s=tuple(event.warning_s for event in losses if event.warning_s is not None),
        verdict=verdict.word,
        least_margin_n=verdict.least_margin_n,
        truncated=reduction.truncated,
        mounting=fact_of(facts, "mounting"),
        facts=facts_of(facts, _MOST_FACTS),
        pack_mv=blocks.pack_mv[rows],
        air_kg_m3=_air_kg_m3(facts),
        brief_losses=sum(event.brief for event in losses),
    )


def facts_of(facts: Mapping[str, Any], most: int) -> dict[str, str]:
    """The facts of a run and its notes that are a text or a number, of the first so many."""
    notes = facts.get("notes")
    names = [*facts, *(notes if isinstance(notes, Mapping) else ())][:most]
    told = {str(n)[:_FACT_LENGTH]: fact_of(facts, str(n)) for n in names if n not in ("notes", "started_utc")}
    return {name: value for name, value in told.items() if value is not None}


def _air_kg_m3(facts: Mapping[str, Any]) -> float | None:
    """Density of dry air, ``p / (287.05 T)``, from what was noted as ``air_c`` and ``air_hpa``."""
    try:
        air_c, air_hpa = float(fact_of(facts, "air_c") or "x"), float(fact_of(facts, "air_hpa") or "x")
    except ValueError:
        return None
    if not (-60 <= air_c <= 60 and 300 <= air_hpa <= 1100):
        return None
    return 100 * air_hpa / (_GAS * (air_c + 273.15))


def throttle_levels(digests: Sequence[Digest]) -> list[tuple[float, float]]:
    """Find the throttles at which runs were steady."""
    return throttle_bands(np.concatenate([d.throttle_us for d in digests])) if digests else []


def at_levels(one: Digest, levels: Sequence[tuple[float, float]]) -> tuple[NDArray[np.int64], Array]:
    """Say at which level each steady block of a run is, and what to multiply it by.

    Parameters
    ----------
    one : Digest
        The run.
    levels : sequence of (float, float)
        From :func:`throttle_levels`; none at all stands for runs without a throttle.

    Returns
    -------
    level : ndarray of int64, shape (k,)
        -1 where it is at none.
    factor : ndarray of float64, shape (k,)
        Brings suction and loads to the middle of the level.

    Notes
    -----
    Suction goes with the square of the throttle above idle (fan laws: dp ~ N^2, N taken as
    proportional). Over the few µs within a level the exponent hardly matters: 10 µs of 700 are
    2.9 % by it, and what speed controllers really do lies between 1.4 and 4.3 %.
    """
    k = len(one.throttle_us)
    if not levels:
        return np.zeros(k, np.int64), np.ones(k)
    level, factor = np.full(k, -1), np.ones(k)
    for place, (low, high) in enumerate(levels):
        here = (one.throttle_us >= low) & (one.throttle_us <= high)
        level[here] = place
        above_us = one.throttle_us[here] - one.idle_us
        middle_us = (low + high) / 2 - one.idle_us
        if middle_us > _WIDEST_US and (above_us > 0).all():
            factor[here] = (middle_us / above_us) ** 2
    return level, factor


@dataclass(frozen=True, slots=True)
class Taken:
    """A log that was read and reduced."""

    log: str
    digest: Digest
    drive: Drive
    car: Car
    notices: tuple[str, ...]
    foreign: bool


def take(
    log: str,
    run: Run,
    chosen: RunCar,
    calibration: Calibration | None,
    tare: str,
    by: str,
    drag: Drag | None = None,
) -> Taken:
    """Reduce a run, and keep of it what a comparison needs."""
    reduction = reduce_run(run, chosen.car, calibration, tare)
    found = digest(reduction, run.facts, by, judge_driven(reduction, chosen.car, drag))
    corrected = (str(one) for one in run.corrections[-_MOST_CORRECTIONS:] if one.fact == by)
    foreign = bool(calibration and calibration.foreign_to(run.device))
    return Taken(log, found, drive_of(run), chosen.car, (*chosen.notices, *corrected), foreign)


def once_each(taken: Sequence[Taken], by: str) -> tuple[list[Taken], list[str]]:
    """The logs that count, each drive once, in order of recording; and what has to be said of all logs."""
    stands = [taken[i] for i in counted_once([one.drive for one in taken])]
    pairs = list(zip(taken, stands, strict=True))
    kept = [copy for copy, one in pairs if copy is one]
    foreign = few_names([_name(one) for one in kept if one.foreign])
    notices = [f"the calibration was made on another board than {foreign}"] if foreign else []
    notices += [_same_run(copy, one, by) for copy, one in pairs if copy is not one]
    notices += grouped_notices((_name(one), notice) for one in kept for notice in one.notices)
    notices += differing_cars([(_name(one), one.car) for one in kept])
    return sorted(kept, key=lambda one: one.digest.started), notices


def _name(one: Taken) -> str:
    return Path(one.log).name


def _same_run(copy: Taken, one: Taken, by: str) -> str:
    """Say that a log counts with another; the fact that the runs are grouped by may be another in it."""
    if copy.log == one.log:
        return f"{quoted(one.log, 200)} was given more than once: it counts once"
    said = same_run(copy.log, one.log)
    if copy.digest.value != one.digest.value:
        said += f" and says {by} {quoted(copy.digest.value)} instead of {quoted(one.digest.value)}"
    return f"{said}: it counts once, as the latter"

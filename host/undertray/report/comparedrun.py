"""What a comparison keeps of a run: its steady blocks, its losses and their warnings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from undertray.errors import ReductionError
from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.steady import throttle_bands
from undertray.reduce.warning import UNTOLD, warning_words
from undertray.report.verdict import Verdict, judge

if TYPE_CHECKING:
    from undertray.reduce.run import Reduction

__all__ = ["Digest", "at_levels", "digest", "fact_of", "throttle_levels"]

Array = NDArray[np.float64]

_FACT_LENGTH = 80
_WIDEST_US = 20.0
_MOST_FACTS = 40
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
        raise ReductionError(
            f"the run does not say its '{by[:40]}'",
            where=reduction.run,
            expected="one of " + ", ".join(str(n)[:20] for n in names[:20] if n not in ("notes", "host")),
            do="choose another fact, or note it when recording",
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
        facts=_all_facts(facts),
        pack_mv=blocks.pack_mv[rows],
        air_kg_m3=_air_kg_m3(facts),
        brief_losses=sum(event.brief for event in losses),
    )


def _all_facts(facts: Mapping[str, Any]) -> dict[str, str]:
    notes = facts.get("notes")
    names = [*facts, *(notes if isinstance(notes, Mapping) else ())][:_MOST_FACTS]
    told = {str(name): fact_of(facts, str(name)) for name in names if name not in ("notes", "started_utc")}
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

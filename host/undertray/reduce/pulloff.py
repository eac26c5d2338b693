"""Pull-off forces read from a balance beside the force computed from the taps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from undertray.calibrate.distributions import student_quantile
from undertray.errors import ReductionError
from undertray.reduce.pulls import Pull, suction_of

if TYPE_CHECKING:
    from undertray.reduce.car import Car
    from undertray.reduce.run import Reduction

__all__ = ["ForceCheck", "Pulled", "force_check"]


@dataclass(frozen=True, slots=True)
class Pulled:
    """One pull beside the computed force."""

    at_s: float | None
    throttle_us: float | None
    pulled_n: float
    pulled_half_n: float
    computed_n: float
    u95_n: float | None
    within: bool | None

    @property
    def allowed_n(self) -> float:
        """What both are uncertain by together (95 %, the balance's width as a rectangle), N."""
        return math.hypot(self.u95_n or 0.0, 2 * self.pulled_half_n / 3**0.5)


@dataclass(frozen=True, slots=True)
class ForceCheck:
    """All pulls of a run."""

    hanging: bool
    weight_n: float
    pulls: tuple[Pulled, ...]
    ratio: float
    ratio_half: float | None
    largest_n: float
    agree: bool | None


def force_check(
    reduction: Reduction, car: Car, pulls: Sequence[Pull], hanging: bool = False, balance_percent: float = 2.0
) -> ForceCheck:
    """Put pulls beside the force that the taps say it takes.

    Parameters
    ----------
    reduction : Reduction
        The run in which they were made.
    car : Car
        The car, for its weight.
    pulls : sequence of Pull
        Readings of the balance; those of kind ``off`` count, one at least.
    hanging : bool
        Whether the car hung and was pulled down; else it stood and was pulled up.
    balance_percent : float
        Half width of the balance's error, % of its reading.

    Returns
    -------
    ForceCheck

    Raises
    ------
    ReductionError
        When there is no pull-off, or the run has no suction at a moment or throttle that was noted.

    Notes
    -----
    A car that stands comes off at ``D + W``, one that hangs at ``D - W``, if it is pulled square to the
    surface and over the middle of both. D is that of :func:`undertray.reduce.pulls.suction_of`. Its
    uncertainty is the share that the run states for its steady downforce, and
    ``sqrt(u95^2 + (half width 2/sqrt 3)^2)`` is what the two may differ by. Nothing is corrected by
    the result.
    """
    pulls = [pull for pull in pulls if pull.kind == "off"]
    if not pulls:
        raise ReductionError(
            "no pull-off among the pulls",
            where=reduction.run,
            expected="a line of kind 'off'",
            do="'undertray pull-test' reads pulls along the surface",
        )
    weight_n = car.weight_n if not hanging else -car.weight_n
    stated = reduction.steady.downforce_n if reduction.steady is not None else None
    if stated is not None:
        share = None if stated.u95 is None or stated.mean <= 0 else stated.u95 / stated.mean
    else:
        whole = reduction.downforce_n
        share = None if whole.u95 is None or whole.mean <= 0 else whole.u95 / whole.mean
    found, ratios = [], []
    for pull in pulls:
        force_n = _force_n(reduction, pull)
        u95_n = None if share is None else share * force_n
        half_n = balance_percent / 100 * pull.pull_n
        one = Pulled(pull.at_s, pull.throttle_us, pull.pull_n, half_n, force_n + weight_n, u95_n, None)
        if u95_n is not None:
            one = replace(one, within=abs(one.pulled_n - one.computed_n) <= one.allowed_n)
        found.append(one)
        ratios.append((pull.pull_n - weight_n) / force_n)
    mean = math.fsum(ratios) / len(ratios)
    half = None
    if len(ratios) > 1:
        variance = math.fsum((r - mean) ** 2 for r in ratios) / (len(ratios) - 1)
        half = student_quantile(len(ratios) - 1) * math.sqrt(variance / len(ratios))
    return ForceCheck(
        hanging=hanging,
        weight_n=car.weight_n,
        pulls=tuple(found),
        ratio=mean,
        ratio_half=half,
        largest_n=max((p.pulled_n - p.computed_n for p in found), key=abs),
        agree=None if share is None else all(p.within for p in found),
    )


def _force_n(reduction: Reduction, pull: Pull) -> float:
    """Computed suction force of the moment or the throttle that was noted."""
    force_n = suction_of(reduction, pull).mean_n
    if force_n <= 0:
        at = f"{pull.at_s:g} s" if pull.at_s is not None else f"{pull.throttle_us:g} µs"
        raise ReductionError(
            "no suction in the run where a pull was noted",
            where=reduction.run,
            seen=at,
            expected="a moment with the fans up, or a throttle at which it was steady for half a second",
            do="note the time of the log at which it came off",
        )
    return force_n

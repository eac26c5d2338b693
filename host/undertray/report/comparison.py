"""What a comparison finds, as plain numbers."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["Claim", "Comparison", "Estimate", "Group", "Plan"]

FORMAT = 1


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its 95 % interval; None where it is not known."""

    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Group:
    """Runs that share the value of the fact.

    Attributes
    ----------
    value : str
        The value.
    runs : tuple of str
        Names of the runs, in order of recording.
    mountings : int
        How many times its skirt was put on for them; runs that do not say so are one.
    steady_s : float
        Steady time at the common throttles, s.
    suction_pa, front_margin_n, rear_margin_n : Estimate
        Mean over the common throttles.
    seal_index : Estimate
        Suction over that of the reference group.
    losses_per_min : Estimate
        Losses of the seal, sudden and slow, a minute with the fans up.
    dips_per_min : Estimate
        Short falls of the suction that came back, a minute with the fans up; those told as losses as well.
    dips : int
        Their number.
    losses, warnable : int
        Number of the losses, and of how many a warning can be told.
    warning_s : Estimate
        Mean warning of those that had one.
    warned : int
        How many had one.
    held, spent, let_go : int
        How many runs held for sure, how many did not have all of the allowance, and how many had less than
        it takes to stay on.
    least_margin_n : float or None
        Least margin of an axle in any of them while it should have held, N.
    """

    value: str
    runs: tuple[str, ...]
    mountings: int
    steady_s: float
    suction_pa: Estimate
    front_margin_n: Estimate
    rear_margin_n: Estimate
    seal_index: Estimate
    losses_per_min: Estimate
    dips_per_min: Estimate
    dips: int
    losses: int
    warnable: int
    warning_s: Estimate
    warned: int
    held: int
    spent: int
    let_go: int
    least_margin_n: float | None


@dataclass(frozen=True, slots=True)
class Claim:
    """One question asked of the runs.

    Attributes
    ----------
    value, against : str
        The group, and the one it is compared with; for a trend both are the group.
    what : str
        ``suction_pa``, ``front_margin_n``, ``rear_margin_n``, ``losses_per_min``, ``warning_s`` or ``trend``.
    difference : Estimate
        In the unit of ``what``; for a trend the change of suction a run, as a share. Its interval is of this
        question alone, as ``p_value`` is: it leaves out 0 where that is below 0.05.
    share : Estimate
        The same as a share of the reference, where that makes sense.
    p_value, p_adjusted : float
        Of this question alone, and with all questions asked taken into account.
    runs, mountings : tuple of (int, int)
        How many runs and mountings of the group and of the other it rests on.
    least_p : float
        For a count or an order: least p value that so many could have given, whatever they had shown.
    more_than_noise : bool
        Whether a difference is claimed: by ``p_adjusted``.
    too_few : bool
        Whether more runs might decide what these do not: not claimed, though this question alone would be, or
        though it could hardly have been whatever they had shown.
    """

    value: str
    against: str
    what: str
    difference: Estimate
    share: Estimate
    p_value: float
    runs: tuple[int, int]
    mountings: tuple[int, int]
    least_p: float = 0.0
    p_adjusted: float = 1.0
    more_than_noise: bool = False
    too_few: bool = False


@dataclass(frozen=True, slots=True)
class Plan:
    """How many mountings and runs a difference takes.

    Attributes
    ----------
    value, against : str
        The groups whose difference it is of; empty for one that was asked for.
    difference_n, share : float
        The difference of the downforce, N, and as a share of it.
    mounting_scatter, run_scatter : float or None
        Standard deviations of the suction, as shares, between mountings and between runs of one; None where
        not seen.
    ways : tuple of (int, int or None)
        Runs a mounting, and mountings of each that it takes then to tell it in four of five cases; None where
        that is more than 99.
    """

    value: str
    against: str
    difference_n: float
    share: float
    mounting_scatter: float | None
    run_scatter: float | None
    ways: tuple[tuple[int, int | None], ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """A whole comparison.

    Attributes
    ----------
    by, reference : str
        The fact, and the group the others are compared with.
    throttle_us : tuple of float
        Middle of each common throttle; empty without a throttle.
    groups : tuple of Group
        The reference first, the others in order of their first run.
    claims : tuple of Claim
        Every question asked.
    runs : tuple of (str, str, float)
        Run, group, suction of the run over the mean of all groups: the points of the trend.
    notices : tuple of str
        What a reader has to know.
    confounded : tuple of str
        Facts that changed along with the compared one.
    plans : tuple of Plan
        For every difference of the suction that was not claimed, and for one that was asked for.
    run_mountings : tuple of int
        For each of ``runs`` which mounting of its group it is of, from 1 in order of their first runs.
    """

    by: str
    reference: str
    throttle_us: tuple[float, ...]
    groups: tuple[Group, ...]
    claims: tuple[Claim, ...]
    runs: tuple[tuple[str, str, float], ...]
    notices: tuple[str, ...]
    confounded: tuple[str, ...] = ()
    plans: tuple[Plan, ...] = ()
    run_mountings: tuple[int, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """The comparison as JSON holds it.

        Returns
        -------
        dict
            Numbers, texts, lists and None only; never NaN. Numbers have 9 significant digits.
        """
        return {"format": FORMAT, **_plain(self)}


def _plain(value: Any) -> Any:
    if isinstance(value, bool | str | int) or value is None:
        return value
    if isinstance(value, float):
        return float(f"{value:.9g}") if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}

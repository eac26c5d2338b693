"""What a comparison finds, as plain numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from undertray.errors import ReductionError
from undertray.reduce.summary import plain
from undertray.report.confounding import PACK_LAWS, all_shares, common_levels, confounded, confounding_notices
from undertray.report.mountings import (
    CLAIM,
    Material,
    difference,
    gather,
    holm,
    kendall_test,
    mean_interval,
    needed,
    permutation_test,
    scatter,
    slope,
)
from undertray.report.verdict import LOCKED, NOT_HELD, SPENT
from undertray.report.words import few_names

if TYPE_CHECKING:
    from undertray.report.comparedrun import Digest

__all__ = ["CLAIM_BELOW", "Claim", "Comparison", "Estimate", "Group", "Plan", "compare"]

FORMAT = 1


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its 95 % interval from ``low`` to ``high``; None where it is not known."""

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
    runs, mountings : tuple of str, int
        Names of the runs, and on how many mountings they were driven.
    steady_s : float
        Time with the throttle up and still, s.
    suction_pa, front_margin_n, rear_margin_n : Estimate
        Means over the mountings at the throttles that all groups have, Pa and N.
    seal_index : Estimate
        Suction over that of the reference group.
    losses_per_min, dips_per_min : Estimate
        A minute with the fans up.
    dips, losses, brief_losses : int
        How many, and how many of the losses were brief.
    warnable, warned : int
        Losses that could have had a warning, and those that had one.
    warning_s : Estimate
        Warning before a loss, s.
    held, locked, spent, let_go : int
        Runs that held for sure, were held fast, used up their allowance, and did not hold.
    least_margin_n : float or None
        Least margin of any run, N.
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
    brief_losses: int
    warnable: int
    warning_s: Estimate
    warned: int
    held: int
    spent: int
    let_go: int
    locked: int
    least_margin_n: float | None


@dataclass(frozen=True, slots=True)
class Claim:
    """One question asked of the runs.

    Attributes
    ----------
    value, against : str
        The group, and the one it is compared with.
    what : str
        ``suction_pa``, ``front_margin_n``, ``rear_margin_n``, ``losses_per_min``, ``warning_s`` or ``trend``.
    difference : Estimate
        Of the group less the other, in the unit of ``what``; of a trend the share by which a run differs.
    share : Estimate
        The difference over the other group's mean; of the suction only.
    p_value, p_adjusted, least_p : float
        By itself, with all questions (Holm), and the least that these runs could give.
    runs, mountings : tuple of (int, int)
        How many of either group.
    more_than_noise : bool
        Whether the difference is claimed.
    too_few : bool
        Whether it is not because these are too few to tell.
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
        The groups that differ by it; empty for a difference that was asked for.
    difference_n, share : float
        The difference of downforce, N, and as a share of the mean.
    mounting_scatter, run_scatter : float or None
        Standard deviations as shares of the mean; None where none was seen.
    ways : tuple of (int, int or None)
        Runs a mounting, and how many mountings of each group that takes; None for more than 99.
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
        The fact that the runs are grouped by, and the group that the others are compared with.
    throttle_us : tuple of float
        The throttles at which every group was steady, µs.
    groups : tuple of Group
        The reference first.
    claims : tuple of Claim
        What was asked, and what came out.
    runs : tuple of (str, str, float)
        Name, group, and suction over the mean of all groups of each run, in order of recording.
    notices : tuple of str
        What a reader of the numbers has to know.
    confounded : tuple of str
        Facts that changed along with the one compared.
    plans : tuple of Plan
        What it takes to tell the differences that were not claimed.
    run_mountings, noted_mountings : tuple of int, tuple of (str or None)
        Of each of ``runs`` the number of its mounting in its group, and what the mounting is called.
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
    noted_mountings: tuple[str | None, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """The comparison as JSON holds it.

        Returns
        -------
        dict
            Numbers, texts, lists and None only; never NaN. Numbers have 9 significant digits.
        """
        return {"format": FORMAT, **plain(self, 9)}


# Which skirt is better: runs grouped by a fact, compared at the same throttle, mounting by mounting.

CLAIM_BELOW = 0.05
"""A difference is claimed where the adjusted p value is below this."""
_UNKNOWN = Estimate(None, None, None)
_QUANTITIES = {"suction_pa": "suction_pa", "front_margin_n": "front_n", "rear_margin_n": "rear_n"}
_REST = 1 - CLAIM / CLAIM_BELOW
_RUNS = (1, 2, 3)

Members = Mapping[str, Sequence["Digest"]]


def compare(
    digests: Sequence[Digest], by: str, against: str | None = None, plan_n: float | None = None
) -> Comparison:
    """Compare groups of runs.

    Parameters
    ----------
    digests : sequence of Digest
        The runs, in order of recording.
    by : str
        The fact they are grouped by.
    against : str or None
        Value of the reference group; that of the first run if left out.
    plan_n : float or None
        A difference of the downforce that is to be told, N: how many mountings and runs it takes.

    Returns
    -------
    Comparison

    Raises
    ------
    ReductionError
        When there are fewer than two groups, or no reference group.

    Notes
    -----
    At each throttle at which every group was steady for at least a second, every tenth of a second is
    brought to one pack voltage and density of the air, and divided by the mean of the groups' means there; by
    the fan laws a leak scales the suction alike at every throttle. A run is the mean of these shares, a
    mounting that of its runs. Groups are compared by their mountings
    (:func:`undertray.report.mountings.difference`), rates of losses and warnings by permuting mountings,
    the trend over the runs within mountings by Kendall's exact test. How the pack acts is not known to the
    digit: what that may do to a difference is in its interval, and a trend has to stand by each of three
    laws. All claims together are wrong in at most 5 % of cases (Holm); nearly all of that is left to the
    suction (:data:`undertray.report.mountings.CLAIM`).
    """
    names = list(dict.fromkeys(d.value for d in digests))
    if len(names) < 2:
        raise ReductionError(
            "nothing to compare",
            seen=", ".join(names) or "no run",
            expected=f"runs with at least two values of '{by}'",
            do="name runs of another one too, or group by another fact (--by); 'report' shows a run alone",
        )
    reference = names[0] if against is None else against
    if reference not in names:
        raise ReductionError("no such group", seen=reference, expected="one of " + ", ".join(names))
    names.sort(key=lambda name: name != reference)
    members = {name: [d for d in digests if d.value == name] for name in names}
    levels, notices = common_levels(members)
    by_law = [all_shares(members, levels, law) for law in PACK_LAWS]
    mountings = {name: gather(runs, by) for name, runs in members.items()}
    material = Material(members, mountings, tuple(shares for shares, _ in by_law), by_law[0][1])
    claims = [c for n in names[1:] for c in _questions(material, n, reference)]
    claims += [c for n in names if (c := _trend(material, n)) is not None]
    decided = _decided(claims)
    in_order = _in_order(digests, material)
    bare = sum(not d.calibrated for d in digests)
    if bare:
        count = "all" if bare == len(digests) else f"{bare} of {len(digests)}"
        notices.append(f"{count} runs are uncalibrated")
    cut = [d.run for d in digests if d.truncated]
    if cut:
        notices.append(f"cut short, and what came after is in no number: {few_names(cut)}")
    return Comparison(
        by=by,
        reference=reference,
        throttle_us=tuple((low + high) / 2 for low, high in levels),
        groups=tuple(_group(n, material, reference) for n in names),
        claims=decided,
        runs=tuple((one.run, one.value, share) for one, share, _ in in_order),
        run_mountings=tuple(number for *_, number in in_order),
        noted_mountings=tuple(one.mounting for one, *_ in in_order),
        notices=(*notices, *confounding_notices(members, by)),
        confounded=confounded(members, by),
        plans=_plans(material, decided, plan_n),
    )


def _decided(claims: Sequence[Claim]) -> tuple[Claim, ...]:
    """Claim what is below 0.05 with all questions asked; of the rest say whether these runs could tell."""
    first = sum(c.what == "suction_pa" for c in claims)
    others = len(claims) - first
    weights = [CLAIM / CLAIM_BELOW / first if c.what == "suction_pa" else _REST / others for c in claims]
    decided = []
    for claim, p_adjusted in zip(claims, holm([c.p_value for c in claims], weights), strict=True):
        sure = p_adjusted < CLAIM_BELOW
        few = claim.what in _QUANTITIES and min(claim.mountings) < 3
        few = few or claim.least_p * len(claims) >= CLAIM_BELOW or claim.p_value < CLAIM_BELOW
        decided.append(replace(claim, p_adjusted=p_adjusted, more_than_noise=sure, too_few=few and not sure))
    return tuple(decided)


def _in_order(digests: Sequence[Digest], material: Material) -> list[tuple[Digest, float, int]]:
    """Run, share of the mean, and which mounting of its group, for each run that has a share."""
    found = {}
    for name, mountings in material.mountings.items():
        shares = material.shares[0]["suction_pa"][name]
        for number, places in enumerate(mountings, 1):
            for place in places:
                share = shares[place]
                if share is not None:
                    one = material.members[name][place]
                    found[id(one)] = (one, share, number)
    return [found[id(d)] for d in digests if id(d) in found]


def _interval(
    means: Sequence[float], unit: float = 1.0, less: float = 0.0, least: float = -math.inf
) -> Estimate:
    """Mean of mountings with its interval, which only several of them have."""
    if not means or not math.isfinite(unit):
        return _UNKNOWN
    mean, half = mean_interval(means)
    if half is None:
        return Estimate(mean * unit - less, None, None)
    return Estimate(mean * unit - less, max(least, (mean - half) * unit - less), (mean + half) * unit - less)


def _group(name: str, material: Material, reference: str) -> Group:
    members = material.members[name]
    margins = []
    for axle in ("front", "rear"):
        needs = [d.required_n[axle] for d in members]
        quantity = f"{axle}_n"
        margins.append(
            _interval(material.means(quantity, name), material.scale[quantity], sum(needs) / len(needs))
        )
    suction, other = material.means("suction_pa", name), material.means("suction_pa", reference)
    warned = [w for d in members for w in d.warnings_s]
    return Group(
        value=name,
        runs=tuple(d.run for d in members),
        mountings=len(material.mountings[name]),
        steady_s=sum(len(d.throttle_us) for d in members) * 0.1,
        suction_pa=_interval(suction, material.scale["suction_pa"]),
        front_margin_n=margins[0],
        rear_margin_n=margins[1],
        seal_index=_interval(suction, len(other) / math.fsum(other)) if other else _UNKNOWN,
        losses_per_min=_interval(material.told(name, _losses_per_min), least=0.0),
        dips_per_min=_interval(material.told(name, _dips_per_min), least=0.0),
        dips=sum(d.dips for d in members),
        losses=sum(d.losses for d in members),
        brief_losses=sum(d.brief_losses for d in members),
        warnable=sum(d.warnable for d in members),
        warning_s=_interval(material.told(name, _warning_s), least=0.0),
        warned=len(warned),
        held=sum(d.verdict == "held" for d in members),
        spent=sum(d.verdict in SPENT for d in members),
        let_go=sum(d.verdict in NOT_HELD for d in members),
        locked=sum(d.verdict == LOCKED for d in members),
        least_margin_n=min((d.least_margin_n for d in members if d.least_margin_n is not None), default=None),
    )


def _per_min(count: int, seconds: float) -> float | None:
    return 60 * count / seconds if seconds > 0 else None


def _losses_per_min(runs: Sequence[Digest]) -> float | None:
    return _per_min(sum(d.losses for d in runs), sum(d.up_s for d in runs))


def _dips_per_min(runs: Sequence[Digest]) -> float | None:
    return _per_min(sum(d.dips for d in runs), sum(d.up_s for d in runs))


def _warning_s(runs: Sequence[Digest]) -> float | None:
    warnings = [w for d in runs for w in d.warnings_s]
    return math.fsum(warnings) / len(warnings) if warnings else None


def _questions(material: Material, name: str, reference: str) -> list[Claim]:
    """Everything that is asked of one group against the reference."""
    found = []
    for what, quantity in _QUANTITIES.items():
        if material.means(quantity, name) and material.means(quantity, reference):
            found.append(_steady_claim(material, name, reference, what))
    runs = len(material.members[name]), len(material.members[reference])
    for what, of in (("losses_per_min", _losses_per_min), ("warning_s", _warning_s)):
        own, other = material.told(name, of), material.told(reference, of)
        if not (own and other and any(own + other)):
            continue
        apart = Estimate(math.fsum(own) / len(own) - math.fsum(other) / len(other), None, None)
        n, k = len(own) + len(other), len(own)
        alone = min(k, n - k) < 2
        p_value = 1.0 if alone else permutation_test(own, other)
        least_p = 1.0 if alone else (2 if 2 * k == n else 1) / math.comb(n, k)
        found.append(Claim(name, reference, what, apart, _UNKNOWN, p_value, runs, (k, n - k), least_p))
    return found


def _steady_claim(material: Material, name: str, reference: str, what: str) -> Claim:
    quantity = _QUANTITIES[what]
    runs = [sum(len(one) for one in material.runs(quantity, n)) for n in (name, reference)]
    own, other = material.means(quantity, name), material.means(quantity, reference)
    # how the pack acts is not known to the digit: a rectangle between the outer laws
    by_law = [
        difference(material.means(quantity, name, law), material.means(quantity, reference, law))[0]
        for law in range(len(material.shares))
    ]
    apart, half, p_value = difference(own, other, (max(by_law) - min(by_law)) / 12**0.5)

    def about(unit: float) -> Estimate:
        if half is None:
            return Estimate(apart * unit, None, None)
        return Estimate(apart * unit, (apart - half) * unit, (apart + half) * unit)

    share = about(len(other) / math.fsum(other)) if what == "suction_pa" else _UNKNOWN
    counts = len(own), len(other)
    return Claim(
        name, reference, what, about(material.scale[quantity]), share, p_value, (runs[0], runs[1]), counts
    )


def _trend(material: Material, name: str) -> Claim | None:
    """Whether the suction falls or rises from run to run of one mounting, whatever the pack's law."""
    if not all(len(d.pack_mv) and math.isfinite(d.pack_mv.sum()) for d in material.members[name]):
        return None  # an emptying pack would be a trend
    series = [runs for runs in material.runs("suction_pa", name) if len(runs) > 1]
    if sum(len(runs) for runs in series) - len(series) < 2:
        return None
    laws = range(len(material.shares))
    by_law = [[runs for runs in material.runs("suction_pa", name, law) if len(runs) > 1] for law in laws]
    mean = math.fsum(material.means("suction_pa", name)) / len(material.means("suction_pa", name))
    change = Estimate(slope(series) / mean, None, None)
    p_value, n = max(kendall_test(one) for one in by_law), sum(len(runs) for runs in series)
    least_p = kendall_test([list(range(len(runs))) for runs in series])
    return Claim(name, name, "trend", change, change, p_value, (n, n), (len(series), len(series)), least_p)


def _plans(material: Material, claims: Sequence[Claim], plan_n: float | None) -> tuple[Plan, ...]:
    """What it would take to tell the differences that were not claimed, and the one asked for."""
    names = list(material.members)
    seen = scatter([material.runs("suction_pa", name) for name in names])
    whole_n = material.scale["front_n"] + material.scale["rear_n"]
    asked = [
        (c.value, c.against, c.share.value)
        for c in claims
        if c.what == "suction_pa" and not c.more_than_noise and c.share.value
    ]
    if plan_n is not None:
        asked.append(("", "", plan_n / whole_n))
    return tuple(
        Plan(
            value=value,
            against=against,
            difference_n=share * whole_n,
            share=share,
            mounting_scatter=seen.mounting,
            run_scatter=seen.run,
            ways=tuple((runs, needed(share, seen, runs)) for runs in (_RUNS if seen.run else _RUNS[:1])),
        )
        for value, against, share in asked
        if math.isfinite(share) and share
    )

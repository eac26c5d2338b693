"""Which skirt is better: runs grouped by a fact, compared at the same throttle, with plain words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from undertray.calibrate.distributions import f_tail, student_quantile
from undertray.errors import ReductionError
from undertray.report.comparison import Claim, Comparison, Estimate, Group
from undertray.report.exact import count_test, holm, kendall_test, permutation_test, rate_interval, slope
from undertray.report.shares import Share, all_shares, common_levels
from undertray.report.verdict import NOT_HELD, SPENT
from undertray.report.words import few_names

if TYPE_CHECKING:
    from undertray.report.digest import Digest

__all__ = ["CLAIM_BELOW", "compare"]

CLAIM_BELOW = 0.05
"""A difference is claimed where the adjusted p value is below this."""
_UNKNOWN = Estimate(None, None, None)
_STEADY = ("suction_pa", "front_margin_n", "rear_margin_n")

Members = Mapping[str, Sequence["Digest"]]
Shares = Mapping[str, Mapping[str, Sequence[Share | None]]]


def compare(digests: Sequence[Digest], by: str, against: str | None = None) -> Comparison:
    """Compare groups of runs.

    Parameters
    ----------
    digests : sequence of Digest
        The runs, in order of recording.
    by : str
        The fact they are grouped by.
    against : str or None
        Value of the reference group; that of the first run if left out.

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
    divided by the mean of the groups' means there; by the fan laws a leak scales the suction alike at
    every throttle. A run is the mean of these shares. Where each group is a single run, its error is
    by the circular block bootstrap with five blocks; where a group has several, the scatter of whole
    runs decides (pooled over both groups) as long as it is the larger. Intervals are by Student's t, 95 %,
    each of its own question; they do not change with what else is asked.
    Rates of losses are compared by the exact conditional test, warnings by permutation, the trend over
    runs by Kendall's exact test. All claims together are wrong in at most 5 % of cases (Holm).
    """
    names = list(dict.fromkeys(d.value for d in digests))
    if len(names) < 2:
        raise ReductionError(
            "nothing to compare",
            seen=", ".join(names) or "no run",
            expected=f"runs with at least two values of '{by}'",
        )
    reference = names[0] if against is None else against
    if reference not in names:
        raise ReductionError("no such group", seen=reference, expected="one of " + ", ".join(names))
    names.sort(key=lambda name: name != reference)
    members = {name: [d for d in digests if d.value == name] for name in names}
    levels, notices = common_levels(members)
    shares, scale = all_shares(members, levels)
    suction = {n: _known(shares["suction_pa"][n]) for n in names}
    groups = tuple(_group(n, members[n], shares, scale, suction[reference]) for n in names)
    claims = [c for n in names[1:] for c in _questions(members, shares, scale, n, reference)]
    claims += [c for n in names if (c := _trend(n, suction[n])) is not None]
    if all(len(m) == 1 for m in members.values()):
        notices.append(
            "one run each: this tells whether these runs differ, not what another try with the same parts "
            "would give"
        )
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
        groups=groups,
        claims=_decided(claims),
        runs=_in_order(digests, members, shares),
        notices=tuple(notices),
    )


def _decided(claims: Sequence[Claim]) -> tuple[Claim, ...]:
    """Claim what is below 0.05 with all questions asked; of the rest say whether these runs could tell."""
    decided = []
    for claim, p_adjusted in zip(claims, holm([c.p_value for c in claims]), strict=True):
        sure = p_adjusted < CLAIM_BELOW
        # three or four runs: only a difference of many times their scatter could show
        few = claim.what in _STEADY and 3 <= sum(claim.runs) <= 4
        few = few or claim.least_p * len(claims) >= CLAIM_BELOW or claim.p_value < CLAIM_BELOW
        decided.append(replace(claim, p_adjusted=p_adjusted, more_than_noise=sure, too_few=few and not sure))
    return tuple(decided)


def _in_order(
    digests: Sequence[Digest], members: Members, shares: Shares
) -> tuple[tuple[str, str, float], ...]:
    found = {
        id(d): s.mean
        for name, group in members.items()
        for d, s in zip(group, shares["suction_pa"][name], strict=True)
        if s is not None
    }
    return tuple((d.run, d.value, found[id(d)]) for d in digests if id(d) in found)


def _known(shares: Sequence[Share | None]) -> list[Share]:
    return [s for s in shares if s is not None]


def _mean(shares: Sequence[Share]) -> float:
    return math.fsum(s.mean for s in shares) / len(shares)


def _within(shares: Sequence[Share]) -> tuple[float, float]:
    """Variance of the mean of runs from the noise within them, and its degrees of freedom."""
    variance = math.fsum(s.error**2 for s in shares) / len(shares) ** 2
    return variance, math.fsum(s.dof for s in shares)


def _spread(shares: Sequence[Share]) -> tuple[float, int]:
    """Sum of squares of runs about their mean, and its degrees of freedom."""
    mean = _mean(shares)
    return math.fsum((s.mean - mean) ** 2 for s in shares), len(shares) - 1


def _variance(*groups: Sequence[Share]) -> tuple[float, float]:
    """Variance of a group's mean, or of the difference of two, and its degrees of freedom."""
    within = [_within(g) for g in groups]
    variance, dof = sum(v for v, _ in within), sum(d for _, d in within)
    spread = [_spread(g) for g in groups]
    between_dof = sum(d for _, d in spread)
    if between_dof:
        scatter = sum(s for s, _ in spread) / between_dof * sum(1 / len(g) for g in groups)
        return max(variance, scatter), between_dof
    return variance, dof


def _about(value: float, variance: float, dof: float, unit: float = 1.0) -> Estimate:
    if not math.isfinite(variance):
        return Estimate(value * unit, None, None)
    half = student_quantile(dof) * math.sqrt(variance)
    return Estimate(value * unit, (value - half) * unit, (value + half) * unit)


def _group(
    name: str,
    members: Sequence[Digest],
    shares: Shares,
    scale: Mapping[str, float],
    reference: Sequence[Share],
) -> Group:
    margins = []
    for axle in ("front", "rear"):
        known = _known(shares[f"{axle}_n"][name])
        load = _about(_mean(known), *_variance(known), scale[f"{axle}_n"]) if known else _UNKNOWN
        needs = [d.required_n[axle] for d in members]
        margins.append(_less(load, sum(needs) / len(needs)))
    suction = _known(shares["suction_pa"][name])
    index = _UNKNOWN
    if suction and reference:
        index = _about(_mean(suction), *_variance(suction), 1 / _mean(reference))
    up_s = sum(d.up_s for d in members)
    losses, dips = sum(d.losses for d in members), sum(d.dips for d in members)
    warnings = [w for d in members for w in d.warnings_s]
    return Group(
        value=name,
        runs=tuple(d.run for d in members),
        steady_s=sum(len(d.throttle_us) for d in members) * 0.1,
        suction_pa=_about(_mean(suction), *_variance(suction), scale["suction_pa"]) if suction else _UNKNOWN,
        front_margin_n=margins[0],
        rear_margin_n=margins[1],
        seal_index=index,
        losses_per_min=_rate(losses, up_s),
        dips_per_min=_rate(dips, up_s),
        dips=dips,
        losses=losses,
        warnable=sum(d.warnable for d in members),
        warning_s=_sample(warnings),
        warned=len(warnings),
        held=sum(d.verdict == "held" for d in members),
        spent=sum(d.verdict in SPENT for d in members),
        let_go=sum(d.verdict in NOT_HELD for d in members),
        least_margin_n=min((d.least_margin_n for d in members if d.least_margin_n is not None), default=None),
    )


def _rate(count: int, seconds: float) -> Estimate:
    """So many a minute."""
    if seconds <= 0:
        return _UNKNOWN
    return Estimate(60 * count / seconds, *(60 * r for r in rate_interval(count, seconds)))


def _less(load: Estimate, needed: float) -> Estimate:
    return Estimate(*(None if v is None else v - needed for v in (load.value, load.low, load.high)))


def _sample(values: Sequence[float]) -> Estimate:
    n = len(values)
    if n < 2:
        return Estimate(values[0] if values else None, None, None)
    mean = math.fsum(values) / n
    variance = math.fsum((v - mean) ** 2 for v in values) / (n - 1) / n
    return _about(mean, variance, n - 1)


def _questions(
    members: Members, shares: Shares, scale: Mapping[str, float], name: str, reference: str
) -> list[Claim]:
    """Everything that is asked of one group against the reference."""
    found = []
    for quantity, what in (
        ("suction_pa", "suction_pa"),
        ("front_n", "front_margin_n"),
        ("rear_n", "rear_margin_n"),
    ):
        own, other = _known(shares[quantity][name]), _known(shares[quantity][reference])
        if own and other:
            found.append(_steady_claim(name, reference, what, own, other, scale[quantity]))
    own_d, other_d = members[name], members[reference]
    runs = len(own_d), len(other_d)
    counts = [(sum(d.losses for d in m), sum(d.up_s for d in m)) for m in (own_d, other_d)]
    if counts[0][0] + counts[1][0] and counts[0][1] > 0 and counts[1][1] > 0:
        rates = [60 * n / s for n, s in counts]
        p_value = count_test(*counts[0], *counts[1])
        difference = Estimate(rates[0] - rates[1], None, None)
        both = counts[0][0] + counts[1][0]
        least_p = min(count_test(n, counts[0][1], both - n, counts[1][1]) for n in (0, both))
        found.append(Claim(name, reference, "losses_per_min", difference, _UNKNOWN, p_value, runs, least_p))
    warned = [[w for d in m for w in d.warnings_s] for m in (own_d, other_d)]
    if warned[0] and warned[1]:
        difference = Estimate(sum(warned[0]) / len(warned[0]) - sum(warned[1]) / len(warned[1]), None, None)
        p_value = permutation_test(*warned)
        k, n = len(warned[0]), len(warned[0]) + len(warned[1])
        least_p = (2 if 2 * k == n else 1) / math.comb(n, k)
        found.append(Claim(name, reference, "warning_s", difference, _UNKNOWN, p_value, runs, least_p))
    return found


def _steady_claim(
    name: str, reference: str, what: str, own: Sequence[Share], other: Sequence[Share], scale: float
) -> Claim:
    difference = _mean(own) - _mean(other)
    variance, dof = _variance(own, other)
    p_value = 1.0
    if math.isfinite(variance):
        p_value = f_tail(difference**2 / variance, 1, dof) if variance > 0 else float(difference == 0)
    share = _about(difference, variance, dof, 1 / _mean(other)) if what == "suction_pa" else _UNKNOWN
    about = _about(difference, variance, dof, scale)
    return Claim(name, reference, what, about, share, p_value, (len(own), len(other)))


def _trend(name: str, suction: Sequence[Share]) -> Claim | None:
    """Whether the suction of a group falls or rises from run to run."""
    if len(suction) < 3:
        return None
    values = [s.mean / _mean(suction) for s in suction]
    change, n = Estimate(slope(values), None, None), len(values)
    return Claim(name, name, "trend", change, change, kendall_test(values), (n, n), 2 / math.factorial(n))

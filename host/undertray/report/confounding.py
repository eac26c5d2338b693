"""What else changed along with the compared fact: pack, air, other facts, and the order of the runs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from undertray.report.comparedrun import Digest, at_levels, throttle_levels
from undertray.report.words import few_names

__all__ = ["PACK_LAWS", "all_shares", "common_factors", "common_levels", "confounded", "confounding_notices"]

Array = NDArray[np.float64]

PACK_LAWS = (2.0, 1.8, 2.2)
"""Powers of the pack voltage that the suction may go with: that of the fan laws, and a tenth to either side.

A motor that loses a tenth of its voltage in its windings has 1.8 (derived: V = k N + R c N^2 under a fan).
"""
_SAME_PACK = 0.01
_MANY = 4


def common_factors(digests: Sequence[Digest], law: float) -> list[Array | float]:
    """What brings the suction of each run to one pack voltage and one density of the air.

    Parameters
    ----------
    digests : sequence of Digest
        All runs.
    law : float
        Power of the voltage.

    Returns
    -------
    list of float or ndarray of float64, shape (k,)
        For each run. Only what every run has is corrected.

    Notes
    -----
    Fan laws: ``dp ~ rho N^2``, N taken as proportional to the voltage at the same throttle.
    """
    factors: list[Array | float] = [1.0] * len(digests)
    means = [float(d.pack_mv.mean()) for d in digests if len(d.pack_mv)]
    if means and not _lack(digests, pack=True):
        middle = float(np.mean(means))
        factors = [(middle / d.pack_mv) ** law for d in digests]
    air = [d.air_kg_m3 for d in digests if d.air_kg_m3 is not None]
    if air and len(air) == len(digests):
        factors = [f * float(np.mean(air)) / rho for f, rho in zip(factors, air, strict=True)]
    return factors


def _lack(digests: Sequence[Digest], pack: bool) -> list[str]:
    """Runs whose pack voltage, or whose density of the air, is not known."""
    if pack:
        return [d.run for d in digests if len(d.pack_mv) and not np.isfinite(d.pack_mv).all()]
    return [d.run for d in digests if d.air_kg_m3 is None]


def confounded(members: Mapping[str, Sequence[Digest]], by: str) -> tuple[str, ...]:
    """Find facts that changed along with the compared one."""
    everyone = [d for group in members.values() for d in group]
    names = [
        n for n in everyone[0].facts if n not in (by, "mounting") and all(n in d.facts for d in everyone)
    ]
    tables = {
        name: {value: {d.facts[name] for d in runs} for value, runs in members.items()} for name in names
    }
    if all(d.started for d in everyone):
        tables["day"] = {value: {d.started[:10] for d in runs} for value, runs in members.items()}
    found = []
    for name, table in tables.items():
        values = list(table.values())
        # a text that is another one in every run tells no groups apart
        own = len(set().union(*values)) == len(everyone) >= _MANY
        apart = any(not a & b for i, a in enumerate(values) for b in values[:i])
        if apart and not own:
            found.append(name)
    return tuple(found)


def confounding_notices(members: Mapping[str, Sequence[Digest]], by: str) -> list[str]:
    """Say what a difference may come from besides the compared fact."""
    everyone = [d for group in members.values() for d in group]
    notices = [
        f"{name} changed along with {by}: a difference may come from either"
        for name in confounded(members, by)
    ]
    silent = _lack(everyone, pack=True)
    if silent:
        notices.append(
            f"pack voltage was not logged in {few_names(silent)}: an emptier pack looks like a worse {by}"
        )
    else:
        packs = {value: np.concatenate([d.pack_mv for d in runs]) for value, runs in members.items()}
        means = {value: float(mv.mean()) for value, mv in packs.items() if len(mv)}
        if means and max(means.values()) / min(means.values()) - 1 > _SAME_PACK:
            told = ", ".join(f"{value} {mv / 1000:.2f} V" for value, mv in means.items())
            notices.append(f"brought to one pack voltage by the fan laws, as far as they hold: {told}")
    airless = _lack(everyone, pack=False)
    if airless and len(airless) < len(everyone):
        notices.append(
            f"the air's temperature and pressure are not noted in {few_names(airless)}: not corrected"
        )
    unsaid = [d.run for d in everyone if d.mounting is None]
    if unsaid:
        notices.append(
            f"no mounting is noted in {few_names(unsaid)}: such runs of a group count as one mounting"
            " (record --mounting, or annotate RUN.csv mounting=2)"
        )
    return notices + _order(everyone, members)


def _order(everyone: Sequence[Digest], members: Mapping[str, Sequence[Digest]]) -> list[str]:
    """Whether what drifts in time was told apart from the groups."""
    if len(members) < 2 or len({d.started for d in everyone}) < len(everyone):
        return []
    turns = [d.value for d in sorted(everyone, key=lambda d: d.started)]
    blocks = 1 + sum(a != b for a, b in pairwise(turns))
    if blocks > len(members):
        return []
    first, second = list(dict.fromkeys(turns))[:2]
    return [
        f"all of {first} was driven before all of {second}: what drifts in time (pack, tyres, dust) counts"
        " as a difference; take turns, and put each on anew: A B B A"
    ]


# Runs as shares of the mean of all groups at the same throttle.

LEAST_BLOCKS = 10
_QUANTITIES = ("suction_pa", "front_n", "rear_n")


def common_levels(members: Mapping[str, Sequence[Digest]]) -> tuple[list[tuple[float, float]], list[str]]:
    """Find the throttles at which every group was steady for at least a second."""
    everyone = [d for group in members.values() for d in group]
    silent = [d.run for d in everyone if not np.isfinite(d.throttle_us).any()]
    if len(silent) == len(everyone):
        return [], [
            "no throttle was logged: the runs are compared as they are, at whatever throttle they had"
        ]
    found = []
    for low, high in throttle_levels(everyone):
        blocks = [
            sum(int(((d.throttle_us >= low) & (d.throttle_us <= high)).sum()) for d in group)
            for group in members.values()
        ]
        if min(blocks) >= LEAST_BLOCKS:
            found.append((low, high))
    notices = [f"{name}: no throttle or never steady, not in the suction" for name in silent]
    if not found:
        notices.append(
            "there is no throttle at which every group was steady for a second: suction is not compared"
        )
        found = [(math.inf, math.inf)]  # a level that nothing is at
    return found, notices


def all_shares(
    members: Mapping[str, Sequence[Digest]], levels: Sequence[tuple[float, float]], law: float
) -> tuple[dict[str, dict[str, list[float | None]]], dict[str, float]]:
    """Divide every quantity of every run by the mean of the groups at the same throttle."""
    count = max(1, len(levels))
    brought = iter(common_factors([d for group in members.values() for d in group], law))
    placed = {
        name: [(level, factor * next(brought)) for level, factor in (at_levels(d, levels) for d in group)]
        for name, group in members.items()
    }
    shares: dict[str, dict[str, list[float | None]]] = {}
    scale: dict[str, float] = {}
    weight = np.zeros(count)
    for name in members:
        for level, _ in placed[name]:
            weight += np.bincount(level[level >= 0], minlength=count)
    for quantity in _QUANTITIES:
        values = {
            name: [d.quantities[quantity] * f for d, (_, f) in zip(group, placed[name], strict=True)]
            for name, group in members.items()
        }
        means = np.array(
            [
                [_level_mean(values[name], [p[0] for p in placed[name]], at) for at in range(count)]
                for name in members
            ]
        ).mean(axis=0)
        good = np.isfinite(means) & (means > 0)
        total = float(weight[good].sum())
        scale[quantity] = float((weight[good] * means[good]).sum() / total) if total else math.nan
        shares[quantity] = {
            name: [
                _share(v, level, np.where(good, means, np.nan))
                for v, (level, _) in zip(values[name], placed[name], strict=True)
            ]
            for name in members
        }
    return shares, scale


def _level_mean(values: Sequence[Array], levels: Sequence[NDArray[np.int64]], at: int) -> float:
    """Mean over runs of their means at one level; NaN where no run was there."""
    means = [
        float(v[place == at].mean()) for v, place in zip(values, levels, strict=True) if (place == at).any()
    ]
    return float(np.mean(means)) if means else math.nan


def _share(values: Array, level: NDArray[np.int64], means: Array) -> float | None:
    at = np.flatnonzero(level >= 0)
    ratio = values[at] / means[level[at]]
    ratio = ratio[np.isfinite(ratio)]
    return float(ratio.mean()) if len(ratio) >= LEAST_BLOCKS else None

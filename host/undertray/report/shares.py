"""Runs as shares of the mean of all groups at the same throttle."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from undertray.report.confounding import common_factors
from undertray.report.digest import Digest, at_levels, throttle_levels

__all__ = ["all_shares", "common_levels"]

Array = NDArray[np.float64]

LEAST_BLOCKS = 10
_QUANTITIES = ("suction_pa", "front_n", "rear_n")


def common_levels(members: Mapping[str, Sequence[Digest]]) -> tuple[list[tuple[float, float]], list[str]]:
    """Find the throttles at which every group was steady for at least a second.

    Parameters
    ----------
    members : mapping of str to sequence of Digest
        Runs by group.

    Returns
    -------
    levels : list of (float, float)
        As in :func:`~undertray.report.digest.throttle_levels`; empty where no throttle was logged.
    notices : list of str
        What a reader has to know.
    """
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
    """Divide every quantity of every run by the mean of the groups at the same throttle.

    Parameters
    ----------
    members : mapping of str to sequence of Digest
        Runs by group.
    levels : sequence of (float, float)
        From :func:`common_levels`.
    law : float
        Power of the pack voltage that the suction goes with (:func:`common_factors`).

    Returns
    -------
    shares : dict of str to dict of str to list of float or None
        By quantity, group and run; None where a run was not steady at any level for a second.
    scale : dict of str to float
        By quantity, the mean that the shares are shares of; NaN where there is none.
    """
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

"""The unit of a comparison: one mounting of a skirt, and what the scatter of mountings allows to say."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from undertray.calibrate.distributions import student_quantile
from undertray.report.welch import welch_level

if TYPE_CHECKING:
    from undertray.report.digest import Digest

__all__ = [
    "CLAIM",
    "USUAL_SCATTER",
    "Material",
    "Scatter",
    "Shares",
    "gather",
    "mean_interval",
    "needed",
    "scatter",
]

Shares = Mapping[str, Mapping[str, Sequence[float | None]]]
"""By quantity and group, the share of each run of the mean of all groups."""
USUAL_SCATTER = 0.02
"""Of the suction, from mounting to mounting, where none was seen (common practice, no source)."""
CLAIM = 0.0495
"""Share of wrong claims that the suction is allowed alone; the rest of the 5 % is for all other questions."""
_POWER = 0.8
_LEAST_MOUNTINGS, _MOST_MOUNTINGS = 3, 99


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard deviations as shares of the mean: between mountings, and between runs of one mounting.

    Attributes
    ----------
    mounting, run : float or None
        None where it was not seen.
    """

    mounting: float | None
    run: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Material:
    """What all questions are asked of.

    Attributes
    ----------
    members : mapping of str to sequence of Digest
        Runs by group.
    mountings : mapping of str to list of list of int
        As :func:`gather` finds them.
    shares : tuple of mapping
        By law of the pack, quantity, group and run, the share of the mean of all groups; None where unknown.
    scale : mapping of str to float
        By quantity, what the shares are of.
    """

    members: Mapping[str, Sequence[Digest]]
    mountings: Mapping[str, list[list[int]]]
    shares: tuple[Shares, ...]
    scale: Mapping[str, float]

    def means(self, quantity: str, name: str, law: int = 0) -> list[float]:
        """Means of the mountings.

        Parameters
        ----------
        quantity, name : str
            Quantity, and group.
        law : int
            Place of the law of the pack.

        Returns
        -------
        list of float
            One number a mounting; those without any are left out.
        """
        return [math.fsum(runs) / len(runs) for runs in self.runs(quantity, name, law) if runs]

    def runs(self, quantity: str, name: str, law: int = 0) -> list[list[float]]:
        """Runs of each mounting.

        Parameters
        ----------
        quantity, name : str
            As for :meth:`means`.
        law : int
            The same.

        Returns
        -------
        list of list of float
            Those that have this quantity.
        """
        shares = self.shares[law][quantity][name]
        found = [[shares[i] for i in places] for places in self.mountings[name]]
        return [[share for share in runs if share is not None] for runs in found]

    def told(self, name: str, of: Callable[[Sequence[Digest]], float | None]) -> list[float]:
        """A number of the runs of each mounting.

        Parameters
        ----------
        name : str
            Group.
        of : callable
            Takes runs; None where they have no such number.

        Returns
        -------
        list of float
            Of the mountings that have one.
        """
        found = [of([self.members[name][i] for i in places]) for places in self.mountings[name]]
        return [value for value in found if value is not None]


def gather(members: Sequence[Digest], by: str) -> list[list[int]]:
    """Gather the runs of a group by mounting.

    Parameters
    ----------
    members : sequence of Digest
        The group's runs, in order.
    by : str
        The fact they are grouped by.

    Returns
    -------
    list of list of int
        Places of the runs of each mounting, in order of its first run. Runs that do not say theirs are one.
    """
    found: dict[Hashable, list[int]] = {}
    for place, one in enumerate(members):
        skirt = None if by == "skirt" else one.facts.get("skirt")
        found.setdefault((skirt, one.mounting), []).append(place)
    return list(found.values())


def mean_interval(means: Sequence[float]) -> tuple[float, float | None]:
    """Mean of mountings, and the half width of its 95 % interval.

    Parameters
    ----------
    means : sequence of float
        One number a mounting, at least one.

    Returns
    -------
    mean : float
    half : float or None
        None with one mounting: its scatter is not known.
    """
    n = len(means)
    mean = math.fsum(means) / n
    if n < 2:
        return mean, None
    return mean, student_quantile(n - 1) * math.sqrt(_variance(means) / n)


def scatter(groups: Sequence[Sequence[Sequence[float]]]) -> Scatter:
    """What runs and mountings scatter by, pooled over the groups.

    Parameters
    ----------
    groups : sequence of sequence of sequence of float
        By group and mounting, the runs, as shares of the mean.

    Returns
    -------
    Scatter
        The scatter between mountings without that of their runs.
    """
    within, between = [0.0, 0], [0.0, 0]
    runs_a_mounting = []
    for mountings in groups:
        means = [math.fsum(runs) / len(runs) for runs in mountings if runs]
        for runs in mountings:
            if len(runs) > 1:
                within = [within[0] + _variance(runs) * (len(runs) - 1), within[1] + len(runs) - 1]
        if len(means) > 1:
            between = [between[0] + _variance(means) * (len(means) - 1), between[1] + len(means) - 1]
            runs_a_mounting += [1 / len(runs) for runs in mountings if runs]
    run2 = within[0] / within[1] if within[1] else None
    if not between[1]:
        return Scatter(None, None if run2 is None else math.sqrt(run2))
    own2 = between[0] / between[1]
    if run2 is not None:
        own2 = max(0.0, own2 - run2 * math.fsum(runs_a_mounting) / len(runs_a_mounting))
    return Scatter(math.sqrt(own2), None if run2 is None else math.sqrt(run2))


def needed(share: float, seen: Scatter, runs: int = 1) -> int | None:
    """How many mountings of each it takes to tell a difference in four of five cases.

    Parameters
    ----------
    share : float
        The difference, as a share of the mean.
    seen : Scatter
        What the runs so far scatter by; :data:`USUAL_SCATTER` where that of mountings was not seen.
    runs : int
        Runs of each mounting.

    Returns
    -------
    int or None
        Mountings of each; None where it takes more than 99.

    Notes
    -----
    Least n with ``|share| >= (t_a + t_0.8) sqrt(2 (s_m^2 + s_r^2/runs) / n)``, t of 2 (n - 1) degrees of
    freedom: the usual estimate of a sample size. t_a leaves outside what Welch's test has to find for the
    suction to be claimed (:func:`undertray.report.welch.welch_level`).
    """
    mounting = USUAL_SCATTER if seen.mounting is None else seen.mounting
    one = math.sqrt(2 * (mounting**2 + (seen.run or 0.0) ** 2 / runs))
    ways = range(_LEAST_MOUNTINGS, _MOST_MOUNTINGS + 1)
    # the more mountings, the smaller what they tell
    first = bisect_left(ways, True, key=lambda n: abs(share) >= _reach(n) * one / math.sqrt(n))
    return ways[first] if first < len(ways) else None


@cache
def _reach(n: int) -> float:
    """Standard errors that a difference of two groups of n has to be, to be told in four of five cases."""
    dof = 2 * (n - 1)
    return student_quantile(dof, 1 - welch_level(CLAIM, n - 1, n - 1)) + student_quantile(dof, 2 * _POWER - 1)


def _variance(values: Sequence[float]) -> float:
    mean = math.fsum(values) / len(values)
    return math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1)

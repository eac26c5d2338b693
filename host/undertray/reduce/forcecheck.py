"""Pull-off forces read from a balance beside the force computed from the taps."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from undertray.calibrate.distributions import student_quantile
from undertray.errors import ReductionError, quoted
from undertray.units import FACTORS

if TYPE_CHECKING:
    from undertray.reduce.car import Car
    from undertray.reduce.run import Reduction

__all__ = ["ForceCheck", "Pull", "Pulled", "force_check", "read_pulls"]

_MOST_BYTES, _MOST_ROWS = 100_000, 200
_BEFORE_S = (1.0, 0.1)  # of the moment it came off: still on its seal, and near enough
_NEAR_US = 20.0
_LEAST_BLOCKS = 5
_UNITS = {f"pull_{unit.lower()}": factor for unit, factor in FACTORS["force"].items()}


@dataclass(frozen=True, slots=True)
class Pull:
    """One reading of the balance as the car came off: when (s) or at which throttle (µs), and N."""

    at_s: float | None
    throttle_us: float | None
    pull_n: float


@dataclass(frozen=True, slots=True)
class Pulled:
    """One pull beside the computed force.

    Attributes
    ----------
    at_s, throttle_us : float or None
        When, or at which throttle.
    pulled_n, pulled_half_n : float
        Reading of the balance, and half the width it may be off by, N.
    computed_n, u95_n : float or None
        Force that the taps say it takes, and the half width of its 95 % interval; that is None without a
        calibration.
    within : bool or None
        Whether they differ by no more than both are uncertain by; None where that is not known.
    """

    at_s: float | None
    throttle_us: float | None
    pulled_n: float
    pulled_half_n: float
    computed_n: float
    u95_n: float | None
    within: bool | None


@dataclass(frozen=True, slots=True)
class ForceCheck:
    """All pulls of a run.

    Attributes
    ----------
    hanging : bool
        Whether the car hung under its surface and was pulled down; else it stood, and was pulled up.
    weight_n : float
        Weight of the car, which helps or hinders the pull, N.
    pulls : tuple of Pulled
        In the order of the file.
    ratio : float
        Mean of pulled over computed suction force, the weight taken out of both.
    ratio_half : float or None
        Half width of its 95 % interval from the scatter of the pulls; None for one.
    largest_n : float
        Largest difference of pulled and computed force, with its sign, N.
    agree : bool or None
        Whether every pull is within what both are uncertain by; None without a calibration.
    """

    hanging: bool
    weight_n: float
    pulls: tuple[Pulled, ...]
    ratio: float
    ratio_half: float | None
    largest_n: float
    agree: bool | None


def read_pulls(path: str | Path) -> tuple[Pull, ...]:
    """Read a file of pulls.

    Parameters
    ----------
    path : str or Path
        CSV with the header ``at_s,pull_n`` or ``throttle_us,pull_n``; also ``pull_lbf``, ``pull_kgf``,
        ``pull_gf``, ``pull_ozf``. Lines that start with ``#`` are remarks.

    Returns
    -------
    tuple of Pull

    Raises
    ------
    ReductionError
        When it cannot be read, is too large, or a line is not of this form; the line is named.
    """
    where = Path(path).name
    try:
        with Path(path).open("rb") as file:
            raw = file.read(_MOST_BYTES + 1)
        text = raw.decode("utf-8-sig")
    except OSError as error:
        raise ReductionError(f"the pulls cannot be read: {error.strerror}", where=str(path)) from None
    except UnicodeDecodeError:
        raise ReductionError("the pulls are no text", where=where, expected="a CSV file in UTF-8") from None
    lines = [
        (i, one) for i, one in enumerate(text.splitlines(), 1) if one.strip() and not one.startswith("#")
    ]
    if len(raw) > _MOST_BYTES or not 2 <= len(lines) <= _MOST_ROWS + 1:
        raise ReductionError(
            "no file of pulls",
            where=where,
            seen=f"{len(lines)} lines",
            expected=f"a header and 1 to {_MOST_ROWS}",
        )
    head = [field.strip().lower() for field in lines[0][1].split(",")]
    if len(head) != 2 or head[0] not in ("at_s", "throttle_us") or head[1] not in _UNITS:
        raise ReductionError(
            "unknown header", where=f"{where}, line {lines[0][0]}", seen=lines[0][1], expected="at_s,pull_n"
        )
    return tuple(_pull(line, head, f"{where}, line {number}") for number, line in lines[1:])


def _pull(line: str, head: Sequence[str], where: str) -> Pull:
    fields = next(csv.reader([line]))
    try:
        place, pull = (float(field) for field in fields)
    except ValueError:
        place = pull = math.nan
    pull_n = pull * _UNITS[head[1]]
    if not (len(fields) == 2 and 0 <= place <= 1e6 and 0 < pull_n <= 1e5):
        raise ReductionError(
            "no pull", where=where, seen=quoted(line), expected=f"{head[0]} and a force above 0"
        )
    at_s = head[0] == "at_s"
    return Pull(place if at_s else None, None if at_s else place, pull_n)


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
        Readings of the balance, one at least.
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
        When the run has no suction at a moment or throttle that was noted.

    Notes
    -----
    A car that stands comes off at ``D + W``, one that hangs at ``D - W``, if it is pulled square to the
    surface and over the middle of both. D is the mean of the second before the moment noted, without its last
    tenth, or of the steady stretches within 20 µs of the throttle noted. Its uncertainty is the share that
    the run states for its steady downforce, and ``sqrt(u95^2 + (half width 2/sqrt 3)^2)`` is what the two may
    differ by. Nothing is corrected by the result.
    """
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
        apart_n = pull.pull_n - (force_n + weight_n)
        within = None if u95_n is None else abs(apart_n) <= math.hypot(u95_n, 2 * half_n / 3**0.5)
        found.append(
            Pulled(pull.at_s, pull.throttle_us, pull.pull_n, half_n, force_n + weight_n, u95_n, within)
        )
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
    if pull.at_s is not None:
        series = reduction.series
        a, b = np.searchsorted(series.t_s, [pull.at_s - _BEFORE_S[0], pull.at_s - _BEFORE_S[1]]).tolist()
        rows = series.downforce_n[a:b]
        where = f"{pull.at_s:g} s"
    else:
        blocks = reduction.blocks
        with np.errstate(invalid="ignore"):
            near = blocks.steady & (np.abs(blocks.throttle_us - (pull.throttle_us or 0.0)) <= _NEAR_US)
        rows = (blocks.front_n + blocks.rear_n)[near]
        rows = rows if len(rows) >= _LEAST_BLOCKS else rows[:0]
        where = f"{pull.throttle_us:g} µs"
    rows = rows[np.isfinite(rows)]
    force_n = float(rows.mean()) if len(rows) else 0.0
    if force_n <= 0:
        raise ReductionError(
            "no suction in the run where a pull was noted",
            where=reduction.run,
            seen=where,
            expected="a moment with the fans up, or a throttle at which it was steady for half a second",
            do="note the time of the log at which it came off",
        )
    return force_n

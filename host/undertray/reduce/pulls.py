"""Pulls of a balance on the car, read from a file, and the suction force of the moment of each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.distributions import student_quantile
from undertray.errors import ReductionError, UndertrayError, quoted
from undertray.reduce.givenfiles import noted_fields, noted_lines
from undertray.reduce.steady import REST_US
from undertray.units import FACTORS, G_N_M_S2, quantity

if TYPE_CHECKING:
    from undertray.reduce.car import Car
    from undertray.reduce.run import Reduction

__all__ = [
    "KINDS",
    "MOST_PULLS",
    "WHEELS",
    "ForceCheck",
    "Pull",
    "Pulled",
    "Suction",
    "force_check",
    "pull_force_n",
    "read_pulls",
    "stated_share",
    "suction_of",
]


KINDS = ("off", "breakaway", "moving")
"""Off its surface; along it, just moved; along it, kept moving."""
WHEELS = ("free", "locked", "none")
"""Free to roll; locked; none: the skirt alone, with a known load on it."""
MOST_PULLS = 200
_BEFORE_S = (1.0, 0.1)  # of the moment noted: still on its seal, and near enough
_PIECES = 9  # of that time, each longer than the noise of a tap remembers
_NEAR_US = 20.0
_LEAST_BLOCKS = 5
_MOST_N = 1e5
# a luggage scale shows the mass that hangs on it: the weight of that is the pull
_FORCES = {
    unit.lower(): factor
    for unit, factor in (
        FACTORS["force"] | {name: kg * G_N_M_S2 for name, kg in FACTORS["mass"].items()}
    ).items()
}
_PLACES = ("at_s", "throttle_us")
_PULLS = ("pull", *(f"pull_{unit}" for unit in _FORCES))
_LOADS = ("load", *(f"load_{unit}" for unit in _FORCES))


@dataclass(frozen=True, slots=True)
class Pull:
    """One reading of a balance."""

    at_s: float | None
    throttle_us: float | None
    pull_n: float
    kind: str = "off"
    wheels: str = "free"
    load_n: float | None = None


@dataclass(frozen=True, slots=True)
class Suction:
    """Suction force while a pull was made, N, and the standard uncertainty of its mean by its scatter."""

    mean_n: float
    u_n: float


def read_pulls(path: str | Path) -> tuple[Pull, ...]:
    """Read a file of pulls."""
    where = Path(path).name
    lines = noted_lines(path, "pulls", MOST_PULLS)
    head = _header(lines[0][1], f"{where}, line {lines[0][0]}")
    return tuple(_pull(line, head, f"{where}, line {number}") for number, line in lines[1:])


def _header(line: str, where: str) -> list[str]:
    head = [field.lower() for field in noted_fields(line, where)]
    known = (*_PLACES, *_PULLS, *_LOADS, "kind", "wheels")
    once = all(head.count(name) == 1 and name in known for name in head)
    one_each = sum(name in _PULLS for name in head) == 1 and sum(name in _LOADS for name in head) <= 1
    if not (once and one_each and any(name in _PLACES for name in head)):
        raise ReductionError(
            "unknown header",
            where=where,
            seen=line,
            expected="at_s,pull_n or throttle_us,kind,wheels,pull_n or such",
        )
    return head


def _pull(line: str, head: Sequence[str], where: str) -> Pull:
    fields = noted_fields(line, where)
    if len(fields) != len(head):
        raise _no_pull(line, where, f"{len(head)} fields: {','.join(head)}")
    row = dict(zip(head, fields, strict=True))
    kind, wheels = row.get("kind") or "off", row.get("wheels") or "free"
    if kind not in KINDS or wheels not in WHEELS:
        raise _no_pull(line, where, f"a kind of {', '.join(KINDS)} and wheels of {', '.join(WHEELS)}")
    if kind == "off" and wheels == "none":
        raise _no_pull(line, where, "breakaway or moving, for the skirt alone")
    pull_n = _force_n(row, _PULLS, line, where)
    places = {name: row[name] for name in _PLACES if row.get(name)}
    if wheels == "none":
        load_n = _force_n(row, _LOADS, line, where)
        if places:
            raise _no_pull(line, where, "no time and no throttle: the skirt alone has no fan")
        return Pull(None, None, pull_n, kind, wheels, load_n)
    if len(places) != 1 or any(row.get(name) for name in _LOADS):
        raise _no_pull(line, where, f"one of {' and '.join(_PLACES)}, and a load for the skirt alone only")
    [(name, said)] = places.items()
    try:
        place = float(said)
    except ValueError:
        place = math.nan
    if not 0 <= place <= 1e6:
        raise _no_pull(line, where, f"{name} and a force above 0")
    at_s = name == "at_s"
    return Pull(place if at_s else None, None if at_s else place, pull_n, kind, wheels)


def _force_n(row: Mapping[str, str], names: Sequence[str], line: str, where: str) -> float:
    what = names[0]
    name = next((name for name in names if name in row), "")
    said = row.get(name, "")
    try:
        if name == what:
            force_n = _with_unit_n(said, f"{where}, {what}")
        else:
            force_n = float(said) * _FORCES[name.removeprefix(f"{what}_")] if said else math.nan
    except UndertrayError:
        raise _no_pull(line, where, f"a {what} and its unit, such as '12.5 N' or '3 lbf'") from None
    except ValueError:
        force_n = math.nan
    if not 0 < force_n <= _MOST_N:
        raise _no_pull(line, where, f"a {'force' if what == 'pull' else what} above 0")
    return force_n


def pull_force_n(text: str, where: str) -> float:
    """A pull or a load with its unit, N: ``12.5 N``, ``3 lbf``, or the mass that a scale shows, ``800 g``."""
    force_n = _with_unit_n(text, where)
    if not 0 < force_n <= _MOST_N:
        raise ReductionError("no pull", where=where, seen=text, expected="a force above 0")
    return force_n


def _with_unit_n(text: str, where: str) -> float:
    return quantity(text, "kg", where, bare=False) * G_N_M_S2


def _no_pull(line: str, where: str, expected: str) -> ReductionError:
    return ReductionError("no pull", where=where, seen=quoted(line), expected=expected)


def suction_of(reduction: Reduction, pull: Pull) -> Suction:
    """Suction force while a pull was made.

    Parameters
    ----------
    reduction : Reduction
        The run in which it was made.
    pull : Pull
        With a time or a throttle.

    Returns
    -------
    Suction

    Raises
    ------
    ReductionError
        When the run has no suction measured at that moment, or was not steady at that throttle.

    Notes
    -----
    The mean of the second before the moment noted, without its last tenth, or of the steady stretches within
    20 µs of the throttle noted. At 1100 µs and below fans stand: a pull noted at such a throttle was made
    without suction. The standard uncertainty is that of the mean of ninths of that time, or of its blocks.
    """
    if pull.at_s is not None:
        series = reduction.series
        a, b = np.searchsorted(series.t_s, [pull.at_s - _BEFORE_S[0], pull.at_s - _BEFORE_S[1]]).tolist()
        rows = np.asarray(series.downforce_n[a:b])
        rows = rows[np.isfinite(rows)]
        values = np.array(
            [part.mean() for part in np.array_split(rows, min(_PIECES, len(rows)) or 1) if len(part)]
        )
        where = f"{pull.at_s:g} s"
    elif (pull.throttle_us or 0.0) <= REST_US:
        return Suction(0.0, 0.0)
    else:
        blocks = reduction.blocks
        with np.errstate(invalid="ignore"):
            near = blocks.steady & (np.abs(blocks.throttle_us - (pull.throttle_us or 0.0)) <= _NEAR_US)
        values = (blocks.front_n + blocks.rear_n)[near]
        values = values[np.isfinite(values)]
        values = values if len(values) >= _LEAST_BLOCKS else values[:0]
        where = f"{pull.throttle_us:g} µs"
    if not len(values):
        raise ReductionError(
            "no suction in the run where a pull was noted",
            where=reduction.run,
            seen=where,
            expected="a moment of the run, or a throttle at which it was steady for half a second",
            do="note the time of the log at which it came off or moved",
        )
    return Suction(float(values.mean()), _u_mean(values))


def stated_share(reduction: Reduction) -> float | None:
    """Half width of the 95 % interval of a run's steady downforce, or else of its mean, as a share of it."""
    stated = reduction.steady.downforce_n if reduction.steady is not None else reduction.downforce_n
    return None if stated.u95 is None or stated.mean <= 0 else stated.u95 / stated.mean


def _u_mean(values: NDArray[np.float64]) -> float:
    return float(values.std(ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else 0.0


# Pull-off forces beside the force computed from the taps.


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
    share = stated_share(reduction)
    found, ratios = [], []
    for pull in pulls:
        force_n = _computed_n(reduction, pull)
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


def _computed_n(reduction: Reduction, pull: Pull) -> float:
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

"""Pulls of a balance on the car, read from a file, and the suction force of the moment of each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.errors import ReductionError, UndertrayError, quoted
from undertray.reduce.givenfiles import noted_fields, noted_lines
from undertray.reduce.steady import REST_US
from undertray.units import FACTORS, G_N_M_S2, quantity

if TYPE_CHECKING:
    from undertray.reduce.run import Reduction
    from undertray.reduce.series import Series

__all__ = [
    "KINDS",
    "MOST_PULLS",
    "WHEELS",
    "Pull",
    "Suction",
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
# A hand that lets the balance go and takes a pen is a second or two late. A fan that is held still keeps its
# suction within a few per cent, a car off its seal keeps almost none.
_LATE_S, _HELD_S, _STEP_S = 2.0, 0.4, 0.1
_HELD_SPAN, _FALLEN, _LEAST_HELD = 0.3, 0.7, 0.2
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
_HOOKS = {f"hook_{unit}": 1e3 * factor for unit, factor in FACTORS["length"].items()}
_FARTHEST_MM = 5000.0


@dataclass(frozen=True, slots=True)
class Pull:
    """One reading of a balance; ``hook_mm`` is how far behind the front axle it hooked, where told."""

    at_s: float | None
    throttle_us: float | None
    pull_n: float
    kind: str = "off"
    wheels: str = "free"
    load_n: float | None = None
    hook_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Suction:
    """Suction force while a pull was made.

    Attributes
    ----------
    mean_n, u_n : float
        Its mean, and the standard uncertainty of that by its scatter, N.
    front_n : float or None
        What of it the front axle has.
    fell_s : float or None
        When it fell shortly before the time that was noted, s; the mean is of before that.
    """

    mean_n: float
    u_n: float
    front_n: float | None = None
    fell_s: float | None = None


def read_pulls(path: str | Path) -> tuple[Pull, ...]:
    """Read a file of pulls."""
    where = Path(path).name
    lines = noted_lines(path, "pulls", MOST_PULLS)
    head = _header(lines[0][1], f"{where}, line {lines[0][0]}")
    return tuple(_pull(line, head, f"{where}, line {number}") for number, line in lines[1:])


def _header(line: str, where: str) -> list[str]:
    head = [field.lower() for field in noted_fields(line, where)]
    known = (*_PLACES, *_PULLS, *_LOADS, *_HOOKS, "kind", "wheels")
    once = all(head.count(name) == 1 and name in known for name in head)
    one_each = sum(name in _PULLS for name in head) == 1 and all(
        sum(name in names for name in head) <= 1 for names in (_LOADS, _HOOKS)
    )
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
    hook_mm = _hook_mm(row, line, where) if kind == "off" else None
    return Pull(place if at_s else None, None if at_s else place, pull_n, kind, wheels, hook_mm=hook_mm)


def _hook_mm(row: Mapping[str, str], line: str, where: str) -> float | None:
    name = next((name for name in _HOOKS if row.get(name)), None)
    if name is None:
        return None
    try:
        hook_mm = float(row[name]) * _HOOKS[name]
    except ValueError:
        hook_mm = math.nan
    if not abs(hook_mm) <= _FARTHEST_MM:
        raise _no_pull(line, where, f"{name}: how far behind the front axle the balance hooked, or nothing")
    return hook_mm


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

    Nobody notes the time of a pull to a few tenths of a second, and the suction falls as the car comes off
    or moves. Where it fell within the two seconds before the moment noted, the level is what it kept to
    before: by tenths of a second, the last fall to less than 0.7 of what it had kept to, within 15 % to
    either side, for 0.4 s until a tenth before. That must be a fifth of the greatest in those seconds
    at least, so that the last breath of a car that is off is no level. Two seconds are common practice, no
    source. A pull that keeps the car moving has no such fall.
    """
    front_n, rear_n = reduction.series.front_n, reduction.series.rear_n
    fell_s: float | None = None
    if pull.at_s is not None:
        series = reduction.series
        fell_s = _fell_s(series, pull.at_s) if pull.kind != "moving" else None
        first_s, last_s = pull.at_s - _BEFORE_S[0], pull.at_s - _BEFORE_S[1]
        if fell_s is not None:
            first_s, last_s = fell_s - _STEP_S - _HELD_S, fell_s - _STEP_S
        a, b = np.searchsorted(series.t_s, [first_s, last_s]).tolist()
        front_n, rear_n = (_parts(load_n[a:b]) for load_n in (front_n, rear_n))
        where = f"{pull.at_s:g} s"
    elif (pull.throttle_us or 0.0) <= REST_US:
        return Suction(0.0, 0.0, 0.0)
    else:
        blocks = reduction.blocks
        with np.errstate(invalid="ignore"):
            near = blocks.steady & (np.abs(blocks.throttle_us - (pull.throttle_us or 0.0)) <= _NEAR_US)
        near &= np.isfinite(blocks.front_n)
        front_n, rear_n = (
            n[near] if near.sum() >= _LEAST_BLOCKS else n[:0] for n in (blocks.front_n, blocks.rear_n)
        )
        where = f"{pull.throttle_us:g} µs"
    if not len(front_n):
        raise ReductionError(
            "no suction in the run where a pull was noted",
            where=reduction.run,
            seen=where,
            expected="a moment of the run, or a throttle at which it was steady for half a second",
            do="note the time of the log at which it came off or moved",
        )
    whole_n = front_n + rear_n
    return Suction(float(whole_n.mean()), _u_mean(whole_n), float(front_n.mean()), fell_s)


def _parts(load_n: NDArray[np.float64]) -> NDArray[np.float64]:
    """Means of ninths of what was measured."""
    rows = load_n[np.isfinite(load_n)]
    parts = np.array_split(rows, min(_PIECES, len(rows)) or 1)
    return np.array([part.mean() for part in parts if len(part)])


def _fell_s(series: Series, at_s: float) -> float | None:
    """When the suction last fell in the seconds before a time that was noted."""
    held = round(_HELD_S / _STEP_S)
    edges_s = at_s - _STEP_S * np.arange(round(_LATE_S / _STEP_S) + held + 1, -1, -1)
    rows = np.searchsorted(series.t_s, edges_s).tolist()
    steps = [series.downforce_n[a:b] for a, b in pairwise(rows)]
    level_n = np.array([np.nanmean(n) if np.isfinite(n).any() else np.nan for n in steps])
    most_n = np.nanmax(level_n, initial=0.0)
    fallen = np.zeros(len(level_n), bool)
    for k in range(held + 1, len(level_n)):
        kept_n = level_n[k - held - 1 : k - 1]
        mean_n = kept_n.mean()  # a time without readings compares with nothing
        still = np.ptp(kept_n) <= _HELD_SPAN * mean_n and mean_n >= _LEAST_HELD * most_n
        fallen[k] = still and level_n[k] < _FALLEN * mean_n
    begins = np.flatnonzero(fallen[1:] & ~fallen[:-1])
    return float(edges_s[begins[-1] + 1]) if len(begins) else None


def stated_share(reduction: Reduction, axle: str | None = None) -> float | None:
    """Half width of the 95 % interval of a run's steady downforce, or else of its mean, as a share of it."""
    steady = reduction.steady
    if axle is None:
        stated = reduction.downforce_n if steady is None else steady.downforce_n
        mean_n, u95_n = stated.mean, stated.u95
    elif steady is not None:
        of_axle = steady.front_n if axle == "front" else steady.rear_n
        mean_n, u95_n = of_axle.mean, of_axle.u95
    else:
        mean_n, u95_n = reduction.axles[axle].downforce_n, reduction.axles[axle].u95_n
    return None if u95_n is None or mean_n <= 0 else u95_n / mean_n


def _u_mean(values: NDArray[np.float64]) -> float:
    return float(values.std(ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else 0.0

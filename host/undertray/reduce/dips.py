"""The ledger of dips: short falls of the suction that came back, and that the throttle does not explain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.car import Car
from undertray.reduce.hold import HoldNeed
from undertray.reduce.loss import LOSS_KINDS, Loss
from undertray.reduce.notches import Notches, find_notches
from undertray.reduce.series import Series

__all__ = ["Alarm", "Dip", "board_alarms", "find_dips"]

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Codes = NDArray[np.integer[Any]]
Mask = NDArray[np.bool_]

_LEAST_LEAD = 2  # samples
_AHEAD_S, _BEHIND_S = 0.06, 0.1  # round the start, in which the taps are told apart
_TOLD_S = 0.1
_WALL_DEG = 90.0
_AT_ONCE = 512  # dips whose taps are looked at together


@dataclass(frozen=True, slots=True)
class Dip:
    """A fall of the suction that came back within a second.

    Attributes
    ----------
    start_s, duration_s : float
        When it began (a tenth of its depth) and for how long, until half of it was back, s.
    depth : float
        Share of its load that the axle lost at the lowest.
    first_tap : str or None
        The tap that fell first, by two samples at least, or alone; None where that cannot be told.
    deficit_n : float
        What the axle lacked at worst of what it takes to stay on, N; 0 where it had that throughout.
    axle : str
        The worst axle, ``front`` or ``rear``; ``whole car`` where the lack is one of friction.
    drop_mm : float or None
        How far that axle would have dropped off the surface, mm; None up to 90 degrees, where nothing drops.
    told_as : str or None
        Kind of the event that tells the same; ``alarm`` where the board's alarm came on, and no event tells
        it; else None.
    """

    start_s: float
    duration_s: float
    depth: float
    first_tap: str | None
    deficit_n: float
    axle: str
    drop_mm: float | None
    told_as: str | None

    @property
    def end_s(self) -> float:
        """When half of it was back, s."""
        return self.start_s + self.duration_s


@dataclass(frozen=True, slots=True)
class Alarm:
    """The board's own alarm: when it came on, and for how long, s."""

    start_s: float
    duration_s: float


def board_alarms(series: Series) -> tuple[Alarm, ...]:
    """Find when the board's own alarm was on.

    Parameters
    ----------
    series : Series
        The run over time.

    Returns
    -------
    tuple of Alarm
        In order of time; each ends with the first row in which it was off.
    """
    if not series.alarm.any():
        return ()
    edges = np.flatnonzero(np.diff(series.alarm, prepend=False, append=False))
    ends_s = np.append(series.t_s, series.t_s[-1] + series.row_s[-1])[edges]
    return tuple(Alarm(float(a), float(b - a)) for a, b in ends_s.reshape(-1, 2))


def find_dips(
    series: Series,
    car: Car,
    stay: HoldNeed,
    events: Sequence[Loss],
    pattern: Codes | None = None,
    rate_hz: float = 200.0,
) -> tuple[Dip, ...]:
    """Find the dips of a run.

    Parameters
    ----------
    series : Series
        The run over time, n rows.
    car : Car
        Mass, weight on the front axle, surface angle, names of the taps.
    stay : HoldNeed
        What it takes to stay on, without an allowance.
    events : sequence of Loss
        What the detector told.
    pattern : ndarray of int64, shape (n,), or None
        Which taps were good; None where that never changed. Rows in which it was another for less than 1.5 s
        are taken for the row before them.
    rate_hz : float
        Rows a second.

    Returns
    -------
    tuple of Dip
        In order of time.

    Notes
    -----
    A dip is a notch: the load of an axle falls and comes back within a second. It is counted from the
    lower of the loads on its two sides (the closing of mathematical morphology over a second), less what
    throttle work of the last second explains: ``(u - rest)^3`` at the lowest pulse, more than the square
    of the fan laws, for a fan runs after its command and never below it. So a blip of the throttle is no
    dip, and of a fold beside one only the rest counts.

    It must last two cells (a cell is a row, or 5 ms where rows come faster): one wrong reading is none.
    It must be six standard deviations of a cell deep: of an hour's 720,000 cells 23 are four deep by
    chance, of six none, and what vibrates is seldom as white as that. And it must be a tenth of the load
    deep, which is half of what the usual allowance of a quarter gives away (1 - 1/1.25), or 3 % where
    that leaves the axle with less than it takes to stay on: a good road stays below, and what endangers
    the hold does not.

    With the lack d of an axle that carries the mass m, its drop is d/m integrated twice from rest, row by
    row: with a constant lack ``d t^2 / (2 m)``. An axle that lacked something before the dip counts with
    what the dip took. The mass is the axle's share of the car's, as if the axles fell one by one; where
    both lose alike, that is the car's fall. The suction that a skirt loses by dropping is not in it: a
    drop beyond the travel of the skirt does not end by itself.

    Without a throttle a blip of it is a dip like any other.

    References
    ----------
    Pulse durations by reference levels of 10 % and 50 %: IEEE Std 181.
    J. Serra, Image Analysis and Mathematical Morphology (1982), for the closing.
    """
    found = find_notches(series, (stay.front_n, stay.rear_n), pattern, rate_hz)
    if found is None:
        return ()
    masses_kg = car.mass_kg * np.array([car.front_weight, 1.0 - car.front_weight])
    taps = _first_taps(series, found, rate_hz, tuple(tap.name for tap in car.taps))
    alarms_s = np.array([alarm.start_s for alarm in board_alarms(series)])
    dips = []
    for i, first_tap in enumerate(taps):
        place, deficit_n, drop_mm = _lack(found, i, stay, masses_kg, car.surface_angle_deg)
        axle = place if place < 2 else int(found.depths[:, i].argmax())
        start_s, end_s = float(found.start_s[i]), float(found.end_s[i])
        dips.append(
            Dip(
                start_s,
                end_s - start_s,
                float(found.depths[axle, i]),
                first_tap,
                deficit_n,
                ("front", "rear", "whole car")[place],
                drop_mm,
                _told(start_s, end_s, events, alarms_s),
            )
        )
    return tuple(dips)


def _lack(
    found: Notches, i: int, stay: HoldNeed, masses_kg: Array, angle_deg: float
) -> tuple[int, float, float | None]:
    """The worst axle of a dip (2: the whole car), what it lacked, N, how far it would have dropped, mm."""
    a, b = int(found.begins[i]), int(found.begins[i + 1])
    load_n, level_n = found.load_n[:, a:b], found.level_n[:, a:b]
    lacks = [
        np.where((level_n[axle] > 0) & (stay_n > 0), np.minimum(stay_n, level_n[axle]) - load_n[axle], 0.0)
        for axle, stay_n in enumerate((stay.front_n, stay.rear_n))
    ]
    most = [max(0.0, float(lack.max())) for lack in lacks]
    rest_mm = 0.0 if angle_deg > _WALL_DEG else None
    if any(most):
        drop_mm = [_drop_mm(found.t_s[a:b], lacks[k], masses_kg[k]) if most[k] else 0.0 for k in (0, 1)]
        place = int(np.argmax(drop_mm))
        return place, most[place], drop_mm[place]
    if stay.by_friction:
        whole = float((np.minimum(stay.whole_n, level_n.sum(axis=0)) - load_n.sum(axis=0)).max())
        if whole > 0:
            return 2, whole, rest_mm
    return int(found.depths[:, i].argmax()), 0.0, rest_mm


def _drop_mm(t_s: Array, lack_n: Array, mass_kg: float) -> float:
    """Twice integrated from rest, from the first lack to the last; nothing is thrown upwards."""
    rows = np.flatnonzero(lack_n > 0)
    a, b = int(rows[0]), int(rows[-1]) + 1
    # a row stands for the time to the next one
    steps_s = np.diff(np.append(t_s, 2 * t_s[-1] - t_s[-2]))[a:b]
    gain = lack_n[a:b] / mass_kg * steps_s
    gained = np.cumsum(gain)
    speed = gained - np.minimum(np.minimum.accumulate(gained), 0.0)
    before = np.concatenate([[0.0], speed[:-1]])
    return 1e3 * float(((before + speed) / 2 * steps_s).sum())


def _first_taps(series: Series, found: Notches, rate_hz: float, names: Sequence[str]) -> list[str | None]:
    """Tap that fell first in each dip, by the rows in which each had lost half of what it lost."""
    ahead, behind = max(4, round(_AHEAD_S * rate_hz)), max(4, round(_BEHIND_S * rate_hz))
    out: list[str | None] = []
    reach, last = np.arange(-ahead, behind), len(series.t_s) - 1
    for a in range(0, len(found.first_row), _AT_ONCE):
        rows = np.clip(found.first_row[a : a + _AT_ONCE, None] + reach, 0, last)
        pa = series.tap_suction_pa[rows]  # (dips, rows, taps)
        before = pa[:, : ahead - 2].mean(axis=1)
        low = np.fmin.reduce(pa, axis=1)
        depth = found.depths[:, a : a + _AT_ONCE].max(axis=0)
        with np.errstate(invalid="ignore"):
            fell = (before > 0) & (before - low >= 0.5 * depth[:, None] * before)
            half = pa <= ((before + low) / 2)[:, None, :]
        half[:, : ahead - 2 * _LEAST_LEAD - 2] &= False
        when = np.where(fell & half.any(axis=1), half.argmax(axis=1), 2 * len(reach))
        order = np.argsort(when, axis=1, kind="stable")
        for dip in range(len(when)):
            one = int(order[dip, 0])
            next_at = int(when[dip, order[dip, 1]]) if len(names) > 1 else 2 * len(reach)
            at = int(when[dip, one])
            out.append(names[one] if at < len(reach) and next_at - at >= _LEAST_LEAD else None)
    return out


def _told(start_s: float, end_s: float, events: Sequence[Loss], alarms_s: Array) -> str | None:
    kinds = [
        event.kind
        for event in events
        if event.kind != "data-gap"
        and (
            start_s - _TOLD_S <= event.onset_s <= end_s + _TOLD_S
            or (event.kind == "seal-loss" and event.onset_s <= start_s < (event.end_s or 0.0))
        )
    ]
    kinds.sort(key=lambda kind: kind not in LOSS_KINDS)
    if kinds:
        return kinds[0]
    a, b = np.searchsorted(alarms_s, [start_s, end_s + _TOLD_S])
    return "alarm" if b > a else None

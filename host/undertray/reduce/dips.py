"""The ledger of dips: short falls of the suction that came back, and that the throttle does not explain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.quantiles import quantiles
from undertray.reduce.car import Car
from undertray.reduce.hold import HoldNeed
from undertray.reduce.loss import LOSS_KINDS, Loss
from undertray.reduce.series import Series, last_known
from undertray.reduce.steady import REST_US

__all__ = ["Alarm", "Dip", "board_alarms", "find_dips"]


# The closing of a series: its notches filled, whatever else it does.

Array = NDArray[np.float64]


def closed(values: Array, window: int) -> Array:
    """Fill what is narrower than a window up to the lower of its sides.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Any numbers, no NaN.
    window : int
        2 or more values.

    Returns
    -------
    ndarray, shape (n,)
        Never below ``values``. A fall is filled only where both its sides are there, so not at the ends; a
        step and a peak stay as they are.

    References
    ----------
    J. Serra, Image Analysis and Mathematical Morphology (1982): the least of the greatest.
    """
    edge = np.full(window - 1, -np.inf)
    return running(np.minimum, running(np.maximum, np.concatenate([edge, values, edge]), window), window)


def running(least_or_most: np.ufunc, values: NDArray[Any], window: int) -> NDArray[Any]:
    """Least or greatest of the values of a window.

    Parameters
    ----------
    least_or_most : ufunc
        ``numpy.minimum`` or ``numpy.maximum``; of true and false, ``numpy.logical_or``.
    values : ndarray, shape (n,)
        Any numbers, no NaN.
    window : int
        How many values, 1 to n.

    Returns
    -------
    ndarray, shape (n - window + 1,)
        From each value on that has so many from it on.

    Notes
    -----
    Windows of 1, 2, 4 ... values are put together, so it takes the logarithm of the window.
    """
    out, width = values, 1
    while width < window:
        step = min(width, window - width)
        out = least_or_most(out[:-step], out[step:])
        width += step
    return out


# Notches in the loads of the axles: falls that came back at once, beyond what the throttle explains.

Ints = NDArray[np.int64]
Codes = NDArray[np.integer[Any]]
Mask = NDArray[np.bool_]

_LONGEST_S = 1.0  # what takes longer to come back is an event alone
_SAME_TAPS_S = 1.5  # taps that are gone for less are passed over
_CELL_S, _BLOCK_S = 0.005, 0.04
_LEAST_DEPTH = 0.10
_LEAST_SHORT = 0.03  # depth that counts where it leaves an axle short
_NOISE, _TOUCH_NOISE = 6.0, 3.0  # standard deviations of a cell
_LEAST_LEVEL = 0.2  # of the highest: below it no car holds, and a share says little
_BACK = 0.5  # of what there was in the second before
_BLIP_S = 4.0  # longest throttle work that is looked for
_FAN_EXPONENT = 3.0  # 2 by the fan laws; controllers reach this, and more is then explained
_PIECE = 4096  # blocks
_TO_SD = 1.482602  # median absolute deviation to standard deviation


@dataclass(frozen=True, slots=True, eq=False)
class Notches:
    """Notches, and their cells one after another: d notches, c cells; a cell is a row, or what 5 ms hold."""

    start_s: Array
    end_s: Array
    depths: Array
    first_row: Ints
    begins: Ints
    t_s: Array
    load_n: Array
    level_n: Array


class _Cells:
    """A run in cells (a row, or what 5 ms hold), and in blocks of some cells: means and least values."""

    def __init__(self, series: Series, pattern: Codes | None, size: int, group: int, rate_hz: float) -> None:
        self.size, self.group, self.block_s = size, group, size * group / rate_hz
        blocks = len(series.t_s) // (size * group)
        self.count, rows = blocks * group, blocks * group * size
        self.t_s = series.t_s[:rows:size]
        known, self.breaks_s = _same_taps(pattern, series.t_s)
        self.load_n = [
            _means(_filled(load_n, known)[:rows], size) for load_n in (series.front_n, series.rear_n)
        ]
        both = [_blocks(load_n, group) for load_n in self.load_n]
        self.mean_n, self.low_n = ([pair[which] for pair in both] for which in (0, 1))
        wide = size * group
        # twice a block, where that goes up
        self.pulse_us = series.throttle_us[: rows : wide if wide % 2 else wide // 2]
        self.pulses = 1 if wide % 2 else 2

    def by_throttle(self) -> tuple[Array, Array] | None:
        """What the throttle explains, block by block; None where it tells nothing."""
        pulse_us = self.pulse_us
        known = np.isfinite(pulse_us)
        if len(pulse_us) < 3 or not known.any():
            return None
        pulse_us = last_known(pulse_us, known)
        if np.ptp(pulse_us) == 0:
            return None
        # one wrong pulse is none: the middle of three
        a, b, c = pulse_us[:-2], pulse_us[1:-1], pulse_us[2:]
        usual_us = pulse_us.copy()
        usual_us[1:-1] = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
        above_us = np.maximum(usual_us - min(max(float(usual_us.min()), 1000.0), REST_US), 0.0)
        low_us = _blocks(above_us, self.pulses)[1]
        full_us = closed(above_us[:: self.pulses], max(2, round(_BLIP_S / self.block_s)))
        share = np.divide(low_us, full_us, out=np.ones_like(full_us), where=full_us > low_us)
        share **= _FAN_EXPONENT
        back = max(1, round(_LONGEST_S / self.block_s))
        # a block ahead as well: a pulse is logged in the row in which it was measured
        ahead = np.concatenate([np.full(back, 1.0), share[1:], share[-1:]])
        most_us = running(np.maximum, np.concatenate([np.zeros(back), low_us]), back + 1)
        left = np.divide(low_us, most_us, out=np.ones_like(most_us), where=most_us > 0)
        return running(np.minimum, ahead, back + 1), left**_FAN_EXPONENT


def find_notches(
    series: Series, stays_n: tuple[float, float], pattern: Codes | None, rate_hz: float
) -> Notches | None:
    """Find the notches of a run, as :func:`undertray.reduce.dips.find_dips` says."""
    size = max(1, round(_CELL_S * rate_hz))
    cells = _Cells(series, pattern, size, max(1, round(_BLOCK_S * rate_hz / size)), rate_hz)
    return _notches(cells, stays_n) if cells.count >= 3 else None


def _notches(cells: _Cells, stays_n: tuple[float, float]) -> Notches | None:
    throttle = cells.by_throttle()
    kept, left = (None, 1.0) if throttle is None else throttle
    window = max(2, round(_LONGEST_S / cells.block_s)) + 1
    top_n = max(float(mean_n.max()) for mean_n in cells.mean_n)
    level, back, noise, looked = [], [], [], np.zeros(len(cells.mean_n[0]), bool)
    for load_n, mean_n, low_n, stay_n in zip(cells.load_n, cells.mean_n, cells.low_n, stays_n, strict=True):
        level_n = closed(mean_n, window)
        # where the load rises or falls, its rows lie within the means of the blocks on both sides
        level_n[1:-1] = running(np.minimum, level_n, 3)
        judged = level_n >= _LEAST_LEVEL * top_n
        if stay_n > 0:
            judged |= level_n >= stay_n
        judged &= level_n > 0
        before_n = running(np.maximum, np.concatenate([np.full(window - 1, -np.inf), mean_n]), window)
        back.append(level_n >= _BACK * left * before_n)
        if not judged.any():
            level.append(np.zeros_like(level_n))
            noise.append(np.inf)
            continue
        # the closing lies on the upper edge of the noise: back to the middle of it
        some = np.flatnonzero(judged)[:: max(1, len(level_n) // 20_000)]
        level_n *= 1 - quantiles(1 - mean_n[some] / level_n[some], (0.5,), spoil=True)[0]
        off_n = np.abs(load_n[some * cells.group + cells.group // 2] - mean_n[some])
        noise_n = _TO_SD * quantiles(off_n, (0.5,), spoil=True)[0]
        level_n[~judged] = 0.0
        level.append(level_n)
        noise.append(noise_n)
        least_n = level_n if kept is None else level_n * kept
        deep = least_n - low_n >= np.maximum(_LEAST_SHORT * level_n, _NOISE * noise_n)
        looked |= deep & ((low_n <= (1 - _LEAST_DEPTH) * least_n) | (low_n < stay_n))
    if not looked.any():
        return None
    aside = np.zeros(window, bool)
    near = running(np.logical_or, np.concatenate([aside, looked, aside]), 2 * window + 1)
    return _measured(cells, level, noise, kept, near, np.stack(back), stays_n)


def _measured(
    cells: _Cells,
    level: Sequence[Array],
    noise: Sequence[float],
    kept: Array | None,
    looked: Mask,
    back: Mask,
    stays_n: tuple[float, float],
) -> Notches | None:
    """Start, end and depth of each dip in the blocks that are looked at, cell by cell."""
    blocks, group = np.flatnonzero(looked), cells.group
    at = (blocks[:, None] * group + np.arange(group)).ravel()
    load_n = np.stack([load[at] for load in cells.load_n])
    level_n = np.stack([np.repeat(one[blocks], group) for one in level])
    least_n = level_n if kept is None else level_n * np.repeat(kept[blocks], group)
    noise_n, stay_n = np.array(noise)[:, None], np.array(stays_n)[:, None]
    good = (level_n > 0) & (least_n > 0)
    missing_n = np.where(good, least_n - load_n, -1.0)
    gone = np.divide(missing_n, least_n, out=np.full_like(missing_n, -1.0), where=good)
    core = (missing_n >= np.maximum(_LEAST_SHORT * level_n, _NOISE * noise_n)) & (
        (gone >= _LEAST_DEPTH) | ((load_n < stay_n) & (level_n >= stay_n))
    )
    pairs = core[:, 1:] & core[:, :-1]
    twice = np.zeros(core.shape[1], bool)
    twice[1:] = pairs.any(axis=0) & (np.diff(at) == 1)
    touched = np.flatnonzero(
        (missing_n > np.maximum(_LEAST_SHORT * least_n, _TOUCH_NOISE * noise_n)).any(axis=0)
        | core.any(axis=0)
    )
    if not len(touched):
        return None
    cell = at[touched]
    first = np.flatnonzero(np.diff(cell, prepend=-2) != 1)
    chosen = np.logical_or.reduceat(twice[touched], first)
    # what began before the log or never ended in it has no two sides
    chosen &= (cell[first] > 0) & (np.append(cell[first[1:] - 1], cell[-1]) < cells.count - 1)
    length = np.diff(first, append=len(cell))
    inside = np.repeat(chosen, length)
    touched, cell, length = touched[inside], cell[inside], length[chosen]
    if not len(touched):
        return None
    begins = np.concatenate([[0], np.cumsum(length)])
    first = begins[:-1]
    gone = gone[:, touched]
    most = gone.max(axis=0)
    deepest = np.maximum.reduceat(most, first)
    start = np.minimum.reduceat(np.where(most >= np.repeat(0.1 * deepest, length), cell, cells.count), first)
    stop = np.maximum.reduceat(np.where(most >= np.repeat(0.5 * deepest, length), cell, 0), first) + 1
    known_n = least_n[:, touched]
    spread = np.divide(4 * noise_n, known_n, out=np.ones_like(known_n), where=4 * noise_n < known_n)
    depths = np.empty((2, len(first)))
    for axle in (0, 1):
        own = np.maximum.reduceat(gone[axle], first)
        floor = gone[axle] >= np.repeat(own, length) - spread[axle]
        depths[axle] = np.add.reduceat(np.where(floor, gone[axle], 0.0), first)
        depths[axle] /= np.maximum(np.add.reduceat(floor.astype(float), first), 1.0)
    # what lies at the bottom of a larger fall is a part of that
    short = cells.t_s[stop] - cells.t_s[start] <= _LONGEST_S
    short &= back[depths.argmax(axis=0), start // group]
    # other taps give another load: what begins or ends with that cannot be told
    before, after = (np.searchsorted(cells.breaks_s, cells.t_s[at], "right") for at in (start - 1, stop))
    short &= before == after
    if not short.any():
        return None
    keep = np.repeat(short, length)
    length = length[short]
    return Notches(
        start_s=cells.t_s[start[short]],
        end_s=cells.t_s[stop[short]],
        depths=depths[:, short],
        first_row=start[short] * cells.size,
        begins=np.concatenate([[0], np.cumsum(length)]),
        t_s=cells.t_s[cell[keep]],
        load_n=load_n[:, touched[keep]],
        level_n=level_n[:, touched[keep]],
    )


def _same_taps(pattern: Codes | None, t_s: Array) -> tuple[Mask | None, Array]:
    """Rows whose taps stay the same for long enough (None for all), and when other taps come in, s."""
    if pattern is None:
        return None, np.empty(0)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(pattern)) + 1, [len(pattern)]])
    long = np.append(t_s, t_s[-1])[edges[1:]] - t_s[edges[:-1]] >= _SAME_TAPS_S
    taps, first = pattern[edges[:-1]][long], edges[:-1][long]
    return np.repeat(long, np.diff(edges)), t_s[first[1:][np.diff(taps) != 0]]


def _filled(load_n: Array, known: Mask | None) -> Array:
    """A load whose unknown rows are the last one known."""
    if known is None:
        return load_n
    known = known & np.isfinite(load_n)
    return last_known(load_n, known) if known.any() else load_n


def _means(values: Array, size: int) -> Array:
    return values if size == 1 else _blocks(values, size)[0]


def _blocks(values: Array, size: int) -> tuple[Array, Array]:
    """Mean and least of each block, a piece at a time that stays in the cache."""
    count = len(values) // size
    mean, low = np.empty(count), np.empty(count)
    for a in range(0, count, _PIECE):
        piece = values[a * size : (a + _PIECE) * size].reshape(-1, size)
        m, w = mean[a : a + _PIECE], low[a : a + _PIECE]
        m[:] = piece[:, 0]
        w[:] = piece[:, 0]
        for j in range(1, size):
            m += piece[:, j]
            np.minimum(w, piece[:, j], out=w)
    mean /= size
    return mean, low


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
    """Find when the board's own alarm was on."""
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

"""Notches in the loads of the axles: falls that came back at once, beyond what the throttle explains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.quantiles import quantiles
from undertray.reduce.closing import closed, running
from undertray.reduce.series import Series
from undertray.reduce.steady import REST_US

__all__ = ["Notches", "find_notches"]

Array = NDArray[np.float64]
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
    """Notches, and their cells one after another: d notches, c cells; a cell is a row, or what 5 ms hold.

    Attributes
    ----------
    start_s, end_s : ndarray of float64, shape (d,)
        When a tenth of the depth was gone first, and when half of it was back, s.
    depths : ndarray of float64, shape (2, d)
        Share that front and rear axle lost at the lowest of what they would have had.
    first_row : ndarray of int64, shape (d,)
        Row of ``start_s``.
    begins : ndarray of int64, shape (d + 1,)
        Where the cells of each begin in what follows.
    t_s : ndarray of float64, shape (c,)
        Board time, s.
    load_n, level_n : ndarray of float64, shape (2, c)
        Load of each axle, and the lower of what it had on the two sides of the notch, N.
    """

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
        """What the throttle explains, block by block; None where it tells nothing.

        The least share that its work of the last second leaves of the suction on both sides of it, and the
        share that its fall in the last second leaves of what there was.
        """
        pulse_us = self.pulse_us
        known = np.isfinite(pulse_us)
        if len(pulse_us) < 3 or not known.any():
            return None
        if not known.all():
            pulse_us = _last_known(pulse_us, known)
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
    """Find the notches of a run, as :func:`undertray.reduce.dips.find_dips` says.

    Parameters
    ----------
    series : Series
        The run over time, n rows.
    stays_n : (float, float)
        What front and rear axle take to stay on, N.
    pattern : ndarray of int64, shape (n,), or None
        Which taps were good; None where that never changed.
    rate_hz : float
        Rows a second.

    Returns
    -------
    Notches or None
        None where there are none.
    """
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
    return load_n if known.all() or not known.any() else _last_known(load_n, known)


def _last_known(values: Array, known: Mask) -> Array:
    at = np.maximum.accumulate(np.where(known, np.arange(len(values)), int(known.argmax())))
    return np.asarray(values[at])


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

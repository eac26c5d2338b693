"""A run in pieces of a tenth of a second, and those of them in which nothing was going on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.runlog import REST_US
from undertray.reduce.longtable import pieces
from undertray.reduce.parallelfans import are_apart

if TYPE_CHECKING:
    from undertray.reduce.dips import Dip
    from undertray.reduce.loss import Loss
    from undertray.reduce.series import Series

__all__ = [
    "BLOCK_S",
    "REST_US",
    "SETTLE_S",
    "STILL_US",
    "Blocks",
    "FanDrive",
    "block_starts",
    "run_blocks",
    "steady_levels",
    "throttle_bands",
    "work_rows",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

BLOCK_S = 0.1
SETTLE_S = 0.8
STILL_US = 12.0
_IDLE_US = 60.0
_AFTER_EVENT_S = 0.5
_LEAST_MOVE_US = 50.0
_LEAST_LEVEL_S = 1.0
_WIDEST_US, _APART_US = 20.0, 6.0


@dataclass(frozen=True, slots=True, eq=False)
class FanDrive:
    """Pulse width, µs, and pack voltage, mV, of a fan by blocks; NaN where they are not known."""

    throttle_us: Array
    pack_mv: Array


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """A run by blocks of 0.1 s. k blocks that have rows, n rows.

    Attributes
    ----------
    first_row : ndarray of int64, shape (k,)
        Row that each block begins with.
    rows : int
        n.
    t_s : ndarray of float64, shape (k,)
        Start of each block, s.
    throttle_us : ndarray of float64, shape (k,)
        Mean throttle, µs; NaN where it was not logged.
    pack_mv : ndarray of float64, shape (k,)
        Pack voltage, mV, between the board's status notes; NaN where it was not measured.
    suction_pa, front_n, rear_n : ndarray of float64, shape (k,)
        Means; NaN where there is none.
    steady : ndarray of bool, shape (k,)
        Throttle up and still for 0.8 s, no dip then, and no event then or half a second before. A tap
        that was faulty before the throttle was up is no event of the run: the car ran with one tap less.
    still : ndarray of bool, shape (k,)
        Throttle up and still for 0.8 s, whatever happened.
    fans : tuple of FanDrive
        What drove each of two that did not always do the same; ``throttle_us`` is then the mean of both.
    """

    first_row: NDArray[np.int64]
    rows: int
    t_s: Array
    throttle_us: Array
    pack_mv: Array
    suction_pa: Array
    front_n: Array
    rear_n: Array
    steady: Mask
    still: Mask
    fans: tuple[FanDrive, ...] = ()

    def drives(self) -> tuple[FanDrive, ...]:
        """What drove the fans.

        Returns
        -------
        tuple of FanDrive
            Of each of two that did not always do the same, or one of all alike.
        """
        return self.fans or (FanDrive(self.throttle_us, self.pack_mv),)

    def rows_of(self, chosen: Mask) -> Mask:
        """Rows of some of the blocks.

        Parameters
        ----------
        chosen : ndarray of bool, shape (k,)
            Which blocks.

        Returns
        -------
        ndarray of bool, shape (n,)
        """
        return np.repeat(chosen, np.diff(self.first_row, append=self.rows))


def run_blocks(series: Series, events: Sequence[Loss], dips: Sequence[Dip] = ()) -> Blocks:
    """Cut a run into blocks.

    Parameters
    ----------
    series : Series
        The run over time.
    events : sequence of Loss
        What happened in it.
    dips : sequence of Dip
        What came back too soon to be one.

    Returns
    -------
    Blocks

    Notes
    -----
    The throttle is up when it is at least 60 µs above its least value in the run, or when it
    never moved by as much; and still while it stays within 12 µs (a receiver's pulse trembles
    by 1 to 3 µs). At 1100 µs and below fans stand. Common practice, no source. Where no throttle was
    logged, blocks with at least half of the run's highest suction are taken instead;
    :attr:`Blocks.throttle_us` is then NaN.
    """
    if len(series.t_s) == 0:
        none = np.empty(0)
        never = np.empty(0, bool)
        return Blocks(np.empty(0, np.int64), 0, none, none, none, none, none, none, never, never)
    starts, number = block_starts(series.t_s)
    t_s = series.t_s[0] + number * BLOCK_S
    throttle_us = _mean(series.throttle_us, starts)
    suction_pa = _mean(series.mean_suction_pa[:], starts)
    still = _still(series.throttle_us, starts, number, suction_pa)
    for one_us in series.throttles_us or ():  # two that part keep their mean
        still &= _unmoved(one_us, starts)
    pack_mv = _pack(series, t_s)
    clear = np.ones(len(t_s), bool)
    up_s = float(t_s[still.argmax()]) if still.any() else np.inf
    for event in events:
        if event.kind != "throttle-cut" and not (event.kind == "sensor-fault" and event.onset_s < up_s):
            end_s = np.inf if event.end_s is None else event.end_s
            clear &= (t_s + BLOCK_S <= event.onset_s) | (t_s >= end_s + _AFTER_EVENT_S)
    for dip in dips:
        # with the block after it: half of the suction is back when a dip ends
        a, b = np.searchsorted(t_s, [dip.start_s - BLOCK_S, dip.end_s + BLOCK_S])
        clear[a:b] = False
    return Blocks(
        first_row=starts,
        rows=len(series.t_s),
        t_s=t_s,
        throttle_us=throttle_us,
        pack_mv=pack_mv,
        suction_pa=suction_pa,
        front_n=_mean(series.front_n, starts),
        rear_n=_mean(series.rear_n, starts),
        steady=still & clear,
        still=still,
        fans=_fans(series, starts, pack_mv),
    )


def _fans(series: Series, starts: NDArray[np.int64], pack_mv: Array) -> tuple[FanDrive, ...]:
    if series.throttles_us is None:
        return ()
    first_us, second_us = (_mean(one_us, starts) for one_us in series.throttles_us)
    own_mv = pack_mv if series.pack2_mv is None else _mean(series.pack2_mv, starts)
    if not are_apart(first_us, second_us, pack_mv, own_mv).any():
        return ()
    return FanDrive(first_us, pack_mv), FanDrive(second_us, own_mv)


def block_starts(t_s: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Find where the blocks of a run begin."""
    starts, numbers, last = [], [], -1
    for a, b in pieces(0, len(t_s)):
        since = t_s[a:b] - t_s[0]
        since /= BLOCK_S
        number = since.astype(np.int64)  # the time rises from 0: cut off is rounded down
        first = np.flatnonzero(np.diff(number, prepend=last))
        starts.append(first + a)
        numbers.append(number[first])
        last = int(number[-1])
    return np.concatenate(starts), np.concatenate(numbers)


def work_rows(throttle_us: Array) -> Mask | None:
    """Find the rows in which the fans were asked to hold."""
    half_us = _half_way_us(throttle_us)
    return None if half_us is None else np.asarray(np.nan_to_num(throttle_us, nan=-np.inf) > half_us)


def throttle_bands(throttle_us: Array) -> list[tuple[float, float]]:
    """Find the throttles that values gather at."""
    values = np.sort(throttle_us[np.isfinite(throttle_us)])
    bands: list[tuple[float, float]] = []
    while len(values):
        jumps = np.flatnonzero(np.diff(values) > _APART_US)
        end = int(jumps[0]) + 1 if len(jumps) else len(values)
        end = min(end, int(np.searchsorted(values, values[0] + _WIDEST_US, "right")))
        bands.append((float(values[0]), float(values[end - 1])))
        values = values[end:]
    return bands


def steady_levels(blocks: Blocks, throttle_us: Array) -> list[Mask]:
    """Find the throttles at which a run was steady: what is said of its steady part is said of each alone."""
    if not np.isfinite(blocks.throttle_us).any():
        found = [blocks.steady]
    else:
        half_us = _half_way_us(throttle_us)
        at_us = np.where(blocks.steady, blocks.throttle_us, np.nan)
        bands = throttle_bands(at_us)
        bands = [band for band in bands if half_us is None or band[1] > half_us] or bands
        found = [(at_us >= low) & (at_us <= high) for low, high in bands]
        if blocks.fans:  # one mean may stand for fans that part in several ways
            first_us = blocks.fans[0].throttle_us
            found = [
                mask & (first_us >= low) & (first_us <= high)
                for mask in found
                for low, high in throttle_bands(first_us[mask])
            ]
    found = [mask for mask in found if mask.sum() * BLOCK_S > _LEAST_LEVEL_S - BLOCK_S / 2]
    return sorted(found, key=lambda mask: float(blocks.suction_pa[mask].mean()))


def _half_way_us(throttle_us: Array) -> float | None:
    if not np.isfinite(throttle_us).any():
        return None
    low, high = float(np.nanmin(throttle_us)), float(np.nanmax(throttle_us))
    return None if high - low < _LEAST_MOVE_US else (low + high) / 2


def _pack(series: Series, t_s: Array) -> Array:
    if not len(series.pack_t_s):
        return np.full(len(t_s), np.nan)
    return np.interp(t_s + BLOCK_S / 2, series.pack_t_s, series.pack_mv)


def _mean(values: Array, starts: NDArray[np.int64]) -> Array:
    known = np.isfinite(values)
    if known.all():
        return np.asarray(np.add.reduceat(values, starts) / np.diff(starts, append=len(values)))
    count = np.add.reduceat(known.astype(float), starts)
    total = np.add.reduceat(np.where(known, values, 0.0), starts)
    mean: Array = np.divide(total, count, out=np.full(len(starts), np.nan), where=count > 0)
    return mean


def _still(
    throttle_us: Array, starts: NDArray[np.int64], number: NDArray[np.int64], suction_pa: Array
) -> Mask:
    """Blocks whose own and whose last 0.8 s of throttle are up and within 12 µs, with no gap in them."""
    window = round(SETTLE_S / BLOCK_S) + 1
    known = np.isfinite(suction_pa)
    if len(starts) < window or not known.any():
        return np.zeros(len(starts), bool)
    if not np.isfinite(throttle_us).any():
        return known & (np.nan_to_num(suction_pa) >= 0.5 * np.quantile(suction_pa[known], 0.95))
    lowest, highest = _ends_us(throttle_us, starts)
    whole = number[window - 1 :] - number[: 1 - window] == window - 1
    idle_us, top_us = float(np.nanmin(throttle_us)), float(np.nanmax(throttle_us))
    moved = top_us - idle_us >= _IDLE_US
    up = lowest >= idle_us + _IDLE_US if moved else lowest > REST_US
    still = np.zeros(len(starts), bool)
    still[window - 1 :] = whole & up & (highest - lowest <= STILL_US)
    return still & known


def _unmoved(throttle_us: Array, starts: NDArray[np.int64]) -> Mask:
    """Blocks whose own and whose last 0.8 s of one throttle are within 12 µs."""
    lowest, highest = _ends_us(throttle_us, starts)
    unmoved = np.zeros(len(starts), bool)
    unmoved[len(starts) - len(lowest) :] = highest - lowest <= STILL_US
    return unmoved


def _ends_us(throttle_us: Array, starts: NDArray[np.int64]) -> tuple[Array, Array]:
    """Least and greatest throttle of each block and the 0.8 s before it, from the first that has as much."""
    window = round(SETTLE_S / BLOCK_S) + 1
    if len(starts) < window:
        return np.empty(0), np.empty(0)
    # a block with any missing pulse is NaN in one of the two, and never still
    low, high = np.minimum.reduceat(throttle_us, starts), np.maximum.reduceat(throttle_us, starts)
    views = np.lib.stride_tricks.sliding_window_view
    return views(low, window).min(axis=1), views(high, window).max(axis=1)

"""Tare: the zero of every sensor from the still seconds before and after a run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.errors import ReductionError

__all__ = ["Still", "Tare", "find_tare"]

Array = NDArray[np.float64]
_BLOCK_S = 0.5
_LEAST_ROWS = 4  # in a block
_LEAST_BLOCKS = 2
_MOST_BLOCKS = 20
_NOISE = 4.0  # times the quietest block's standard deviation still counts as still
_LEAN = 10.0
_LEAST_OF_MANY = 2.5
_OFFSET = 0.15  # of its highest block: the largest zero believed where no throttle was seen


@dataclass(frozen=True, slots=True, eq=False)
class Still:
    """A stretch in which nothing moved. N pressure columns."""

    start_s: float
    end_s: float
    zero_pa: Array
    u_pa: Array
    next_pa: Array

    @property
    def middle_s(self) -> float:
        """Middle of the stretch, s."""
        return (self.start_s + self.end_s) / 2


@dataclass(frozen=True, slots=True, eq=False)
class Tare:
    """The zeros of a run."""

    before: Still | None
    after: Still | None

    @property
    def drift_pa(self) -> Array | None:
        """Zero after less zero before, Pa, shape (N,); None unless both are there."""
        if self.before is None or self.after is None:
            return None
        return self.after.zero_pa - self.before.zero_pa

    @property
    def notices(self) -> tuple[str, ...]:
        """What a reader of the result must know, as sentences."""
        if self.before is None and self.after is None:
            return ("no still part before or after the run: the zero of the sensors is not checked",)
        if self.before is None:
            return ("no still part before the run: zero drift is not known",)
        if self.after is None:
            return ("no still part after the run: zero drift is not known",)
        return ()

    def remove(self, t_s: Array, suction_pa: Array, linear: bool = False) -> Array:
        """Suction with the zero taken off.

        Parameters
        ----------
        t_s : ndarray of float64, shape (n,)
            Board time, s.
        suction_pa : ndarray of float64, shape (n, N)
            Suction, Pa.
        linear : bool
            Take a zero that moves linearly from the stretch before to that after. Otherwise
            the zero before the run, or after it where there is none before.

        Returns
        -------
        ndarray of float64, shape (n, N)
            Suction, Pa.

        Raises
        ------
        ReductionError
            When there is no still part, or for ``linear`` not both.

        Notes
        -----
        Linear: ``zero(t) = z1 + (z2 - z1)(t - t1)/(t2 - t1)`` between the middles t1, t2 of the
        two stretches, and constant beyond them.
        """
        still = [part for part in (self.before, self.after) if part is not None]
        if not still:
            raise ReductionError(
                "no still part to take the zero from",
                expected=f"{_BLOCK_S * _LEAST_BLOCKS:g} s with the fans off before or after the run",
                do="let the log run a few seconds before and after the drive",
            )
        if not linear:
            return suction_pa - still[0].zero_pa
        if len(still) < 2:
            raise ReductionError(
                "the drift of the zero is not known",
                seen=self.notices[0],
                expected="a still part before and one after the run",
                do="take the zero off without drift",
            )
        first, last = still
        share = np.clip((t_s - first.middle_s) / (last.middle_s - first.middle_s), 0, 1)[:, None]
        return suction_pa - first.zero_pa - share * (last.zero_pa - first.zero_pa)


def find_tare(
    t_s: Array, suction_pa: Array, throttle_us: Array | None = None, rest_us: float = 1100.0
) -> Tare:
    """Find the still seconds at the beginning and at the end of a run.

    Parameters
    ----------
    t_s : ndarray of float64, shape (n,)
        Board time, s, rising.
    suction_pa : ndarray of float64, shape (n, N)
        Suction, Pa; NaN where missing.
    throttle_us : ndarray of float64, shape (n,), or None
        Pulse width, µs; NaN where there was none.
    rest_us : float
        Pulse width at and below which the fans stand, µs. Controllers with their neutral in
        the middle need about 1520.

    Returns
    -------
    Tare

    Raises
    ------
    ReductionError
        When ``rest_us`` is no pulse width.

    Notes
    -----
    The run is cut into blocks of half a second. A block of n rows is still when no sensor's
    standard deviation s there exceeds 4 times that of its quietest block, s0 (at least half a
    count, and without what the least of many falls short by), its two half means differ by no
    more than 10 s0 / sqrt(n), which is five standard deviations of white noise and shows a fan
    that is still running down, and no pulse in it is longer than ``rest_us``. Where the log has no
    throttle at all, every mean must instead be within 15 % of that sensor's highest block, so that
    a fan that never stopped is not taken for a zero.
    The stretch before the run is the unbroken row of still blocks from the first row on, the
    one after it the same from the end; of each, the at most 10 s next to the run, without the
    block that touches it where more than two remain, and two blocks at least.
    """
    if not 0 < rest_us <= 10_000:
        raise ReductionError(
            "throttle at rest out of range", seen=rest_us, expected="µs, 1000 to 1600 is usual"
        )
    edges = np.flatnonzero(np.diff(np.floor((t_s - t_s[0]) / _BLOCK_S))) + 1 if len(t_s) else np.empty(0, int)
    blocks = [(a, b) for a, b in zip((0, *edges), (*edges, len(t_s)), strict=True) if b - a >= _LEAST_ROWS]
    if len(blocks) < _LEAST_BLOCKS:
        return Tare(None, None)
    mean, spread, lean = _moments(suction_pa, blocks)
    still = _quiet(suction_pa, spread, lean, np.array([b - a for a, b in blocks]))
    if throttle_us is not None and np.isfinite(throttle_us).any():
        still &= np.array([not np.any(throttle_us[a:b] > rest_us) for a, b in blocks])
    else:
        highest = np.nanmax(mean, axis=0, initial=0.0)
        still &= (~np.isfinite(mean) | (np.abs(mean) <= _OFFSET * highest)).all(axis=1)
    front, back = _leading(still), _leading(still[::-1])
    if front == len(blocks):  # there was no run
        return Tare(_still(t_s, mean, blocks, slice(0, _MOST_BLOCKS), -1), None)
    front -= front > _LEAST_BLOCKS
    back -= back > _LEAST_BLOCKS
    end = len(blocks) - back
    return Tare(
        _still(t_s, mean, blocks, slice(max(0, front - _MOST_BLOCKS), front), -1),
        _still(t_s, mean, blocks, slice(end, end + _MOST_BLOCKS), 1),
    )


def _moments(suction_pa: Array, blocks: list[tuple[int, int]]) -> tuple[Array, Array, Array]:
    """Per block and sensor: mean, standard deviation, and sqrt(n) times the difference of half means."""
    found = np.full((3, len(blocks), suction_pa.shape[1]), np.nan)
    starts, stops = np.array(blocks).T
    rows = stops - starts
    for size in sorted(set(rows.tolist())):  # blocks of as many rows together
        which = np.flatnonzero(rows == size)
        piece = suction_pa[starts[which, None] + np.arange(size)]
        known = np.isfinite(piece)
        piece = np.where(known, piece, 0.0)
        count = np.maximum(known.sum(axis=1), 1)
        mean = piece.sum(axis=1) / count
        off = np.where(known, piece - mean[:, None], 0.0)
        halves = (slice(0, size // 2), slice(size // 2, size))
        counts = [known[:, half].sum(axis=1) for half in halves]
        first, second = (
            piece[:, h].sum(axis=1) / np.maximum(n, 1) for h, n in zip(halves, counts, strict=True)
        )
        values = mean, np.sqrt(np.square(off).sum(axis=1) / count), np.sqrt(size) * np.abs(second - first)
        found[:, which] = np.where(np.minimum(*counts) > 1, values, np.nan)
    return found[0], found[1], found[2]


def _quiet(suction_pa: Array, spread: Array, lean: Array, rows: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Blocks in which every sensor that reads at all is as quiet as it ever is, and level."""
    reads = np.isfinite(spread)
    steps = np.abs(np.diff(suction_pa, axis=0))
    count_pa = np.min(np.where(steps > 0, steps, np.inf), axis=0, initial=np.inf)
    # the least of many standard deviations of n values is below the true one: of a hundred, by 2.5 of its own
    # standard errors of 1/sqrt(2 n)
    true = 1 / np.maximum(0.5, 1 - _LEAST_OF_MANY / np.sqrt(2.0 * rows))
    quietest = np.nanmin(np.where(reads.any(axis=0), spread * true[:, None], 0.0), axis=0)
    quietest = np.maximum(quietest, np.where(np.isfinite(count_pa), count_pa / 2, 1e-9))
    calm = (spread <= _NOISE * quietest) & (lean <= _LEAN * quietest)
    return np.asarray((calm | ~reads).all(axis=1) & reads.any(axis=1))


def _leading(still: NDArray[np.bool_]) -> int:
    return int(np.argmin(still)) if not still.all() else len(still)


def _still(
    t_s: Array, mean: Array, blocks: list[tuple[int, int]], part: slice, from_run: int
) -> Still | None:
    """One stretch; ``from_run`` is 1 where its first block is next to the run, -1 where its last is."""
    chosen = blocks[part]
    if len(chosen) < _LEAST_BLOCKS:
        return None
    means = mean[part]
    count = np.count_nonzero(np.isfinite(means), axis=0)
    zero = np.full(means.shape[1], np.nan)
    u, edge = zero.copy(), zero.copy()
    for i in np.flatnonzero(count >= _LEAST_BLOCKS):
        zero[i] = np.nanmean(means[:, i])
        u[i] = np.nanstd(means[:, i], ddof=1) / np.sqrt(count[i])
        edge[i] = np.mean(means[np.isfinite(means[:, i]), i][::from_run][:_LEAST_BLOCKS])
    return Still(float(t_s[chosen[0][0]]), float(t_s[chosen[-1][1] - 1]), zero, u, edge)

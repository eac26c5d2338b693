"""Board time: ticks that wrap and boards that reset, made one time line; and its rate on the host's clock."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.runlog import Run
from undertray.acquire.slots import LONG_TURN, SEQ, agree, missing
from undertray.quantiles import middle, middles, quantiles

__all__ = ["GAP_PERIODS", "BoardTime", "HostLine", "board_time", "host_line", "lost_share", "lower_hull"]


# The host's clock over board time, through a transport that only ever delays.

_PASSES = 20
_LINE_BLOCK, _AT_ONCE = 64, 1024


@dataclass(frozen=True, slots=True)
class HostLine:
    """The line ``host = offset_s + slope * board`` below all arrivals."""

    offset_s: float
    slope: float
    delay_p50_s: float
    delay_p95_s: float
    delay_max_s: float

    @property
    def skew_ppm(self) -> float:
        """How much longer the host's clock finds a board second, in 1e-6."""
        return (self.slope - 1) * 1e6


def lower_hull(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.int64]:
    """Find the lower convex hull of points in ascending x.

    Parameters
    ----------
    x, y : ndarray of float64, shape (n,)
        The points, x ascending; of points at one x the lowest counts.

    Returns
    -------
    ndarray of int64, shape (h,)
        Which points are corners of the hull, ascending.

    Notes
    -----
    The points are first thinned to those that lie below the hull of the lowest of each block of
    64, for most are far above it. A point on or above the chord of any two points beside it is
    no corner: all such points go at once, a few times over, which leaves little for the walk
    along the rest (Andrew's monotone chain, Information Processing Letters 9 (1979) 216).
    """
    some = _low(x, y) if len(x) >= 2 * _LINE_BLOCK and x[0] < x[-1] else np.arange(len(x))
    order = some[np.lexsort((y[some], x[some]))]
    corner = order[np.concatenate([[True], np.diff(x[order]) > 0])] if len(x) else order
    for _ in range(_PASSES):
        dx, dy = np.diff(x[corner]), np.diff(y[corner])
        kept = np.concatenate([[True], dy[:-1] * dx[1:] < dy[1:] * dx[:-1], [True]])
        if kept.all():
            break
        corner = corner[kept]
    hull: list[int] = []
    for i in corner.tolist():
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            if (y[b] - y[a]) * (x[i] - x[b]) < (y[i] - y[b]) * (x[b] - x[a]):
                break
            hull.pop()
        hull.append(i)
    return np.array(hull, dtype=np.int64)


def _low(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.int64]:
    """Find blocks that reach below the hull of the lowest point of each block, and that hull's corners."""
    whole, slope = len(x) // _LINE_BLOCK, (y[0] - y[-1]) / (x[-1] - x[0])  # tilted: its ends are about level
    first = np.arange(whole) * _LINE_BLOCK
    edges = [*range(0, whole * _LINE_BLOCK, _AT_ONCE * _LINE_BLOCK), whole * _LINE_BLOCK]
    tilted = (x[a:b] * slope + y[a:b] for a, b in pairwise(edges))
    lowest = first + np.concatenate([part.reshape(-1, _LINE_BLOCK).argmin(axis=1) for part in tilted])
    knots = np.concatenate([[0], lowest, np.arange(whole * _LINE_BLOCK, len(x)), [len(x) - 1]])
    rest = x[knots] * slope + y[knots]
    corner = lower_hull(x[knots], rest)
    left, right = (
        np.interp(x[edge], x[knots[corner]], rest[corner]) for edge in (first, first + _LINE_BLOCK - 1)
    )
    below = np.flatnonzero(rest[1 : whole + 1] < np.maximum(left, right))
    found = np.sort(np.concatenate([knots[corner], (first[below, None] + np.arange(_LINE_BLOCK)).ravel()]))
    return found[np.diff(found, prepend=-1) > 0]


def host_line(board_s: NDArray[np.float64], host_s: NDArray[np.float64], spoil: bool = False) -> HostLine:
    """Fit the host's clock to board time when every arrival is late and none is early.

    Parameters
    ----------
    board_s : ndarray of float64, shape (n,)
        When each row was sampled, board clock, s, ascending. At least two different times.
    host_s : ndarray of float64, shape (n,)
        When it arrived, host clock, s.
    spoil : bool
        The arrivals are not needed any more and may be changed.

    Returns
    -------
    HostLine

    Notes
    -----
    Of all lines with no arrival below, the one with the least sum of delays: the edge of the
    lower convex hull that spans the mean board time. Valid for one board clock that runs
    through, over which both clocks keep their rate.

    References
    ----------
    Moon, Skelly, Towsley, "Estimation and removal of clock skew from network delay
    measurements", INFOCOM 1999, DOI 10.1109/INFCOM.1999.749287 (the linear program).
    Zhang, Liu, Xia, "Clock synchronization algorithms for network measurements", INFOCOM
    2002 (the same optimum by the hull).
    """
    # taken from the means, so that microseconds survive next to hours
    x0, y0 = board_s.mean(), host_s.mean()
    x, y = board_s - x0, host_s if spoil else host_s.copy()
    y -= y0
    corner = lower_hull(x, y)
    right = int(np.clip(np.searchsorted(x[corner], 0.0), 1, len(corner) - 1))
    a, b = corner[right - 1], corner[right]
    slope = float((y[b] - y[a]) / (x[b] - x[a]))
    offset_s = float(y0 + y[a] - slope * (x0 + x[a]))
    delay_s, way_s = y, x
    delay_s -= y[a]
    way_s -= x[a]
    way_s *= slope
    delay_s -= way_s
    most_s = float(delay_s.max())
    p50, p95 = quantiles(delay_s, (0.5, 0.95), spoil=True)
    return HostLine(
        offset_s=offset_s,
        slope=slope,
        delay_p50_s=p50,
        delay_p95_s=p95,
        delay_max_s=most_s,
    )


GAP_PERIODS = 5
"""A time without rows longer than this many sample periods is a gap."""
Slots = NDArray[np.uint16]

_TOLERANCE_S = 1.0
_FLOOR_ROWS = 100
_BLOCK = 64
_OTHER_RATE = 1.25  # from which on a step is of another rate
_LINE_ROWS, _LINE_S = 100, 5.0


def lost_share(rows: int, lost_rows: int) -> float:
    """Share of all rows that were lost; 0 where there are none at all."""
    return lost_rows / max(1, rows + lost_rows)


@dataclass(frozen=True, slots=True, eq=False)
class BoardTime:
    """When each row was sampled. n rows."""

    t_s: NDArray[np.float64]
    segment: NDArray[np.int64]
    lost_rows: int
    rate_hz: float
    gaps: tuple[tuple[float, float], ...]
    gap_rows: NDArray[np.int64]
    gap_rows_s: NDArray[np.float64]
    rates: tuple[tuple[int, float], ...]
    resets: int
    host: HostLine | None

    def row_s(self, first: int = 0, last: int | None = None) -> NDArray[np.float64]:
        """Tell how long each row stands for."""
        last = len(self.t_s) if last is None else last
        row_s, inner = np.empty(last - first), min(last, len(self.t_s) - 1)
        np.subtract(self.t_s[first + 1 : inner + 1], self.t_s[first:inner], out=row_s[: inner - first])
        row_s[inner - first :] = self.t_s[-1:] + 1.0 / self.rate_hz - self.t_s[-1:]
        a, b = np.searchsorted(self.gap_rows, (first, last))
        row_s[self.gap_rows[a:b] - first] = self.gap_rows_s[a:b]
        return row_s

    @property
    def skew_ppm(self) -> float | None:
        """How much longer the host's clock finds a board second, 1e-6; None where unknown."""
        return None if self.host is None else self.host.skew_ppm

    @property
    def jitter_s(self) -> float | None:
        """95th percentile of the transport's delay beyond its least, s; None where unknown."""
        return None if self.host is None else self.host.delay_p95_s


def board_time(run: Run) -> BoardTime:
    """Make one time line of the board's ticks.

    Parameters
    ----------
    run : Run
        A run log in memory.

    Returns
    -------
    BoardTime

    Notes
    -----
    From row to row the ticks advance by their difference modulo ``2**tick_bits``. Where that
    cannot be, the board was reset and a segment begins: the ``boot`` id of its device note
    changed; or the step would put the row on the host before it was sampled (more than 1 s
    before the least delay seen so far) and ``seq`` does not agree with it either; or ``seq``
    went backwards while the ticks did not. A silence longer than a wrap of the counter (17.9
    min at 30 bits and 1 MHz) is counted out by the host's clock. Nothing is interpolated.
    """
    device = run.device
    tick_hz = device.tick_hz if device else 1_000_000
    wrap = 1 << (device.tick_bits if device else 30)
    rows = len(run.t_us)
    if rows == 0:
        none = np.empty(0, dtype=np.int64)
        return BoardTime(np.empty(0), none, 0, float("nan"), (), none, np.empty(0), (), 0, None)
    seq = run.seq.astype(np.uint16)
    slots = seq[1:] - seq[:-1]  # wraps as ``seq`` does
    step_s = (np.diff(run.t_us).astype(np.int64) & (wrap - 1)) / tick_hz
    period_s = quantiles(_near(step_s, slots), (0.5,))[0] if rows > 1 else float("nan")
    heard = "stored_run" not in run.facts  # a run that no host heard has board time in that place
    host_us = run.host_us if heard and np.all(run.host_us >= 0) else None
    breaks = _breaks(step_s, slots, host_us, period_s, wrap / tick_hz)
    _add_boots(breaks, run)

    broken = np.flatnonzero(breaks[1:])
    lost_rows = _lost(step_s, slots, ~breaks[1:], period_s)
    if len(broken):
        away_us = None if host_us is None else host_us[broken + 1] - host_us[broken]
        step_s[broken] = period_s if away_us is None else np.maximum(away_us / 1e6, 0)
    rate_hz = 1 / period_s if period_s > 0 else float("nan")
    silent, rates = _silent(step_s, slots), _rates(step_s, slots, rate_hz)
    # of arrays as long as the run no more are kept than are needed: this is where a run takes the most memory
    segment = np.cumsum(breaks, dtype=np.int64) if len(broken) else np.zeros(rows, np.int64)
    t_s = np.zeros(rows)
    np.cumsum(step_s, out=t_s[1:])
    del seq, slots, step_s, breaks
    return BoardTime(
        t_s=t_s,
        segment=segment,
        lost_rows=lost_rows,
        rate_hz=rate_hz,
        gaps=tuple((float(t_s[i]), float(t_s[i + 1])) for i in silent.tolist()),
        gap_rows=silent,
        gap_rows_s=_before_gaps(silent, t_s, period_s),
        rates=rates,
        resets=int(segment[-1]),
        host=None if host_us is None else _longest(t_s, host_us, segment),
    )


def _breaks(
    step_s: NDArray[np.float64],
    slots: Slots,
    host_us: NDArray[np.integer[Any]] | None,
    period_s: float,
    wrap_s: float,
) -> NDArray[np.bool_]:
    """Find the rows before which the board's clock did not run through."""
    breaks = np.zeros(len(step_s) + 1, dtype=bool)
    doubtful = (slots >= SEQ // 2) | (step_s > _TOLERANCE_S)
    if host_us is not None:
        doubtful |= np.diff(host_us) > wrap_s / 2 * 1e6
    settled = 0  # the delays are comparable from this row on
    for i in np.flatnonzero(doubtful).tolist():
        row, slot = i + 1, int(slots[i])
        possible = True
        if host_us is not None:
            turns = max(0, round(((host_us[row] - host_us[i]) / 1e6 - step_s[i]) / wrap_s))
            step_s[i] += turns * wrap_s
            # how much later than this row each of those before it came, beyond what the board's clock says
            since = max(settled, row - _FLOOR_ROWS)
            board_s = np.cumsum(step_s[since:row][::-1])[::-1]
            later_s = board_s - (host_us[row] - host_us[since:row]) / 1e6
            possible = later_s.min() <= _TOLERANCE_S
            settled = row if turns else settled
        elif step_s[i] > _TOLERANCE_S:
            possible = slot == 1  # a stream that was stopped and started again
        went_back = slot >= SEQ / 2
        if (went_back or not possible) and not agree(float(step_s[i]), slot, period_s):
            breaks[row] = True
            settled = row
    return breaks


def _add_boots(breaks: NDArray[np.bool_], run: Run) -> None:
    """Mark the resets that only the boot id in the device notes tells."""
    last: tuple[object, object] | None = None
    last_row = 0
    for note in run.notes:
        if note.kind != "device":
            continue
        power_up = (note.data.get("uid"), note.data.get("boot"))
        changed = last is not None and power_up != last
        if changed and 0 < note.row < len(breaks) and not breaks[last_row + 1 : note.row + 1].any():
            breaks[note.row] = True
        last, last_row = power_up, note.row


def _near(step_s: NDArray[np.float64], slots: Slots) -> NDArray[np.float64]:
    """Steps between neighbouring slots; all steps where there is none."""
    near = slots == 1
    return step_s if near.all() or not near.any() else step_s[near]


def _lost(step_s: NDArray[np.float64], slots: Slots, inside: NDArray[np.bool_], period_s: float) -> int:
    """Count the slots missing inside segments; whole turns of ``seq`` only where the time agrees."""
    long = step_s > LONG_TURN * period_s
    lost = int((slots[(slots > 1) & inside & ~long].astype(np.int64) - 1).sum())
    for i in np.flatnonzero(long & inside).tolist():
        lost += missing(float(step_s[i]), int(slots[i]), period_s)
    return lost


def _silent(step_s: NDArray[np.float64], slots: Slots) -> NDArray[np.int64]:
    """Find the steps longer than ``GAP_PERIODS`` times what a slot takes around them."""
    if not len(step_s):
        return np.empty(0, dtype=np.int64)
    per_slot = step_s / np.maximum(slots, 1)
    # no median is below the least: where a step is not even that long nothing has to be known
    long = np.flatnonzero(step_s > GAP_PERIODS * per_slot.min())
    size = min(_BLOCK, len(per_slot))
    blocks = per_slot[: len(per_slot) // size * size].reshape(-1, size)
    around = np.minimum(long // size, len(blocks) - 1)[:, None] + np.array([-1, 0, 1])
    needed, place = np.unique(np.clip(around, 0, len(blocks) - 1), return_inverse=True)
    longest = middles(blocks[needed])[place].reshape(-1, 3).max(axis=1)
    return np.asarray(long[step_s[long] > GAP_PERIODS * longest])


def _rates(step_s: NDArray[np.float64], slots: Slots, rate_hz: float) -> tuple[tuple[int, float], ...]:
    """Find the stretches with a sample rate of their own: two blocks that agree on another median."""
    count = len(step_s) // _BLOCK
    edges = [*range(0, count * _BLOCK, 256 * _BLOCK), count * _BLOCK]
    parts = (_per_slot(step_s, slots, a, b).reshape(-1, _BLOCK) for a, b in pairwise(edges))
    usual = np.concatenate([middles(part) for part in parts]) if count else np.empty(0)
    if count < 2 or usual.max() < _OTHER_RATE * usual.min():
        return ((0, rate_hz),)
    found, now_s = [0], float(usual[0])
    for k, new_s in enumerate(usual[1:-1].tolist(), 1):
        if _apart(now_s, new_s) and not _apart(new_s, float(usual[k + 1])):
            a = max(found[-1], (k - 1) * _BLOCK)
            part = _per_slot(step_s, slots, a, (k + 1) * _BLOCK)
            old = np.abs(np.log(part / now_s)) < np.abs(np.log(part / new_s))
            found.append(a + int(np.cumsum(np.where(old, 1, -1)).argmax()) + 1)
            now_s = new_s
    ends = [*found[1:], count * _BLOCK]
    return tuple((a, 1 / middle(_per_slot(step_s, slots, a, b))) for a, b in zip(found, ends, strict=True))


def _per_slot(step_s: NDArray[np.float64], slots: Slots, first: int, last: int) -> NDArray[np.float64]:
    return np.maximum(step_s[first:last] / np.maximum(slots[first:last], 1), 1e-9)


def _before_gaps(rows: NDArray[np.int64], t_s: NDArray[np.float64], period_s: float) -> NDArray[np.float64]:
    """How long the rows before gaps stand for, where one gap may follow the other."""
    found: dict[int, float] = {}
    for row in rows.tolist():
        step_s = float(t_s[row] - t_s[row - 1]) if row else period_s
        found[row] = found.get(row - 1, step_s)
    return np.array([*found.values()])


def _apart(one_s: float, other_s: float) -> bool:
    return not 1 / _OTHER_RATE < one_s / other_s < _OTHER_RATE


def _longest(
    t_s: NDArray[np.float64], host_us: NDArray[np.integer[Any]], segment: NDArray[np.int64]
) -> HostLine | None:
    if segment[-1] > 0:
        inside = segment == np.argmax(np.bincount(segment))
        t_s, host_us = t_s[inside], host_us[inside]
    if len(t_s) < _LINE_ROWS or t_s[-1] - t_s[0] < _LINE_S:
        return None
    return host_line(t_s, host_us / 1e6, spoil=True)

"""The host's clock over board time, through a transport that only ever delays."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from undertray.quantiles import quantiles

__all__ = ["HostLine", "host_line", "lower_hull"]

_PASSES = 20
_BLOCK, _AT_ONCE = 64, 1024


@dataclass(frozen=True, slots=True)
class HostLine:
    """The line ``host = offset_s + slope * board`` below all arrivals.

    Attributes
    ----------
    offset_s, slope : float
        Of the line. The least delay of the transport, the same for every row, is part of
        the offset and cannot be told from it one way.
    delay_p50_s, delay_p95_s, delay_max_s : float
        Delay beyond the least one: median, 95th percentile, largest.
    """

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
    some = _low(x, y) if len(x) >= 2 * _BLOCK and x[0] < x[-1] else np.arange(len(x))
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
    """Find blocks that reach below the hull of the lowest point of each block, and that hull's corners.

    That hull is convex, so within a block it is nowhere above the higher of its ends there.
    """
    whole, slope = len(x) // _BLOCK, (y[0] - y[-1]) / (x[-1] - x[0])  # tilted: its ends are about level
    first = np.arange(whole) * _BLOCK
    edges = [*range(0, whole * _BLOCK, _AT_ONCE * _BLOCK), whole * _BLOCK]
    tilted = (x[a:b] * slope + y[a:b] for a, b in pairwise(edges))
    lowest = first + np.concatenate([part.reshape(-1, _BLOCK).argmin(axis=1) for part in tilted])
    knots = np.concatenate([[0], lowest, np.arange(whole * _BLOCK, len(x)), [len(x) - 1]])
    rest = x[knots] * slope + y[knots]
    corner = lower_hull(x[knots], rest)
    left, right = (np.interp(x[edge], x[knots[corner]], rest[corner]) for edge in (first, first + _BLOCK - 1))
    below = np.flatnonzero(rest[1 : whole + 1] < np.maximum(left, right))
    return np.unique(np.concatenate([knots[corner], (first[below, None] + np.arange(_BLOCK)).ravel()]))


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

"""The host's clock over board time, through a transport that only ever delays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["HostLine", "host_line", "lower_hull"]

_PASSES = 20


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
    A point on or above the chord of any two points beside it is no corner. All such points
    go at once, a few times over, which leaves little for the walk along the rest (Andrew's
    monotone chain, Information Processing Letters 9 (1979) 216).
    """
    order = np.lexsort((y, x))
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


def host_line(board_s: NDArray[np.float64], host_s: NDArray[np.float64]) -> HostLine:
    """Fit the host's clock to board time when every arrival is late and none is early.

    Parameters
    ----------
    board_s : ndarray of float64, shape (n,)
        When each row was sampled, board clock, s, ascending. At least two different times.
    host_s : ndarray of float64, shape (n,)
        When it arrived, host clock, s.

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
    x, y = board_s - x0, host_s - y0
    corner = lower_hull(x, y)
    right = int(np.clip(np.searchsorted(x[corner], 0.0), 1, len(corner) - 1))
    a, b = corner[right - 1], corner[right]
    slope = float((y[b] - y[a]) / (x[b] - x[a]))
    delay_s = y - y[a] - slope * (x - x[a])
    p50, p95 = np.percentile(delay_s, [50, 95])
    return HostLine(
        offset_s=float(y0 + y[a] - slope * (x0 + x[a])),
        slope=slope,
        delay_p50_s=float(p50),
        delay_p95_s=float(p95),
        delay_max_s=float(delay_s.max()),
    )

"""Suction linear between taps: a Delaunay triangulation of a few points, and its exact moments."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.polygon import Corners, area_and_centroid, clip, moment, on_one_line

__all__ = ["LinearWeights", "delaunay", "linear_weights"]

Array = NDArray[np.float64]
Point = tuple[float, float]
Triangle = tuple[int, int, int]


@dataclass(frozen=True, slots=True, eq=False)
class LinearWeights:
    """A floor spread over its taps by linear interpolation.

    Attributes
    ----------
    moments : ndarray, shape (taps, 4), or None
        Of each tap's share function over the floor: its integral (mm2), its moments with x and y (mm3),
        and its integral right of the centre line (mm2). None where there is no triangle.
    outside : float
        Share of the floor outside the taps' hull.
    """

    moments: Array | None
    outside: float


def delaunay(points: Sequence[Point]) -> list[Triangle]:
    """Triangulate a few points so that no point lies inside another triangle's circle.

    Parameters
    ----------
    points : sequence of (float, float)
        At most some dozens, no two alike.

    Returns
    -------
    list of (int, int, int)
        Triangles, corners from +x towards +y; none where all points lie on one line. Of more than
        three points on one empty circle the triangles are those of a fan from its first point.

    Notes
    -----
    By the definition, each three points against all others: for a dozen taps a few hundred
    circles, with no special case.

    References
    ----------
    B. Delaunay, Sur la sphere vide, Izvestia Akademii Nauk SSSR 7 (1934) 793-800.
    """
    found: dict[frozenset[int], tuple[int, ...]] = {}
    scale = max(max(c) - min(c) for c in zip(*points, strict=True)) or 1.0
    for i, j, k in itertools.combinations(range(len(points)), 3):
        circle = _circle(points[i], points[j], points[k], scale)
        if circle is None:
            continue
        (cx, cy), r2 = circle
        d2 = [(x - cx) ** 2 + (y - cy) ** 2 for x, y in points]
        slack = 1e-9 * max(r2, scale * scale)
        if min(d2) < r2 - slack:
            continue
        on = [n for n, d in enumerate(d2) if d <= r2 + slack]
        angles = [float(np.arctan2(points[n][1] - cy, points[n][0] - cx)) for n in on]
        found[frozenset(on)] = tuple(n for _, n in sorted(zip(angles, on, strict=True)))
    return [(ring[0], b, c) for ring in found.values() for b, c in itertools.pairwise(ring[1:])]


def _circle(p: Point, q: Point, r: Point, scale: float) -> tuple[Point, float] | None:
    ax, ay, bx, by = q[0] - p[0], q[1] - p[1], r[0] - p[0], r[1] - p[1]
    twice = 2 * (ax * by - ay * bx)
    if abs(twice) < 1e-6 * scale * scale:
        return None
    a2, b2 = ax * ax + ay * ay, bx * bx + by * by
    x, y = (by * a2 - ay * b2) / twice, (ax * b2 - bx * a2) / twice
    return (p[0] + x, p[1] + y), x * x + y * y


def linear_weights(floor: Corners, taps: Sequence[Point]) -> LinearWeights:
    """Integrate the taps' linear share functions over a floor.

    Parameters
    ----------
    floor : sequence of (float, float)
        Outline, mm.
    taps : sequence of (float, float)
        Places of the taps, mm.

    Returns
    -------
    LinearWeights

    Notes
    -----
    Within a triangle the share functions are linear, so area and moments up to the second order of
    the floor's part in it give their integrals exactly. Outside the hull the suction is that of the nearest
    point of the hull: constant along the normals of a hull edge, and that of the corner in the wedge
    beyond a corner. Every such region is convex and cut out of the floor by half planes.
    """
    whole = area_and_centroid(floor)[0]
    if len(taps) < 3 or on_one_line(taps):
        return LinearWeights(None, 1.0)
    moments, inside = np.zeros((len(taps), 4)), 0.0
    triangles = delaunay(taps)
    for triangle in triangles:
        part = list(floor)
        for n in range(3):
            part = _left_of(part, taps[triangle[n]], taps[triangle[(n + 1) % 3]])
        inside += area_and_centroid(part)[0]
        _add(moments, part, triangle, _shares([taps[n] for n in triangle]))
    ring = _hull(triangles)
    for before, a, b in zip([ring[-1], *ring[:-1]], ring, [*ring[1:], ring[0]], strict=True):
        along = (taps[b][0] - taps[a][0], taps[b][1] - taps[a][1])
        came = (taps[a][0] - taps[before][0], taps[a][1] - taps[before][1])
        beyond = _left_of(list(floor), taps[b], taps[a])
        beyond = _ahead(_ahead(beyond, taps[a], along), taps[b], (-along[0], -along[1]))
        length2 = along[0] ** 2 + along[1] ** 2
        u = (along[0] / length2, along[1] / length2)
        start = -(u[0] * taps[a][0] + u[1] * taps[a][1])
        _add(moments, beyond, (a, b), np.array([[1 - start, -u[0], -u[1]], [start, *u]]))
        corner = _ahead(_ahead(list(floor), taps[a], (-along[0], -along[1])), taps[a], came)
        _add(moments, corner, (a,), np.array([[1.0, 0.0, 0.0]]))
    return LinearWeights(moments, max(0.0, 1 - inside / whole))


def _hull(triangles: Sequence[Triangle]) -> list[int]:
    """Corners of the hull in order: the edges that belong to one triangle only."""
    edges = [(t[n], t[(n + 1) % 3]) for t in triangles for n in range(3)]
    following = {a: b for a, b in edges if (b, a) not in edges}
    ring = [next(iter(following))]
    while following[ring[-1]] != ring[0]:
        ring.append(following[ring[-1]])
    return ring


def _left_of(part: list[Point], a: Point, b: Point) -> list[Point]:
    dx, dy = b[0] - a[0], b[1] - a[1]
    return clip(part, dy, -dx, dy * a[0] - dx * a[1])


def _ahead(part: list[Point], a: Point, direction: Point) -> list[Point]:
    """The part whose points lie ahead of a in a direction."""
    dx, dy = direction
    return clip(part, -dx, -dy, -dx * a[0] - dy * a[1])


def _shares(corners: Sequence[Point]) -> Array:
    """Coefficients of 1, x, y of the three share functions of a triangle."""
    (x0, y0), (x1, y1), (x2, y2) = corners
    twice = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)
    rows = []
    for (px, py), (qx, qy) in (((x1, y1), (x2, y2)), ((x2, y2), (x0, y0)), ((x0, y0), (x1, y1))):
        gx, gy = (py - qy) / twice, (qx - px) / twice
        rows.append([-(gx * px + gy * py), gx, gy])
    return np.array(rows)


def _add(moments: Array, part: list[Point], taps: Sequence[int], shares: Array) -> None:
    """Add the integrals of share functions over a part of the floor."""
    full, right = _integrals(part), _integrals(clip(part, 0.0, -1.0, 0.0))
    for tap, share in zip(taps, shares, strict=True):
        moments[tap, :3] += full @ share
        moments[tap, 3] += float(right[0] @ share)


def _integrals(part: list[Point]) -> Array:
    """Integrals of (1, x, y) times each of (1, x, y), positive whichever way round the outline runs."""
    m = {pq: moment(part, *pq) for pq in ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))}
    sign = -1.0 if m[0, 0] < 0 else 1.0
    rows = [
        [m[0, 0], m[1, 0], m[0, 1]],
        [m[1, 0], m[2, 0], m[1, 1]],
        [m[0, 1], m[1, 1], m[0, 2]],
    ]
    return sign * np.array(rows)

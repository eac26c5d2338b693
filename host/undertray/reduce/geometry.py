"""Plane polygons and their exact moments, and suction that is linear between a few points."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Corners",
    "area_and_centroid",
    "clip",
    "delaunay",
    "first_crossing",
    "holds_point",
    "linear_moments",
    "moment",
    "nearest_part",
    "on_one_line",
    "outside_share",
    "signed_area",
]


# Plane polygons: exact area and moments, clipping by a half plane, crossing and inside tests.
# A few dozen lines of our own in place of a geometry library: the program needs only these
# closed forms, and they stay exact for floors that are not convex.

Point = tuple[float, float]
Corners = Sequence[Point]


def signed_area(corners: Corners) -> float:
    """Area of a polygon, positive when its corners run from +x towards +y."""
    return moment(corners, 0, 0)


def moment(corners: Corners, p: int, q: int) -> float:
    """Exact integral of x^p y^q over a polygon, p + q at most 2.

    Parameters
    ----------
    corners : sequence of (float, float)
        Corners in order; coincident edges that run both ways cancel.
    p, q : int
        Powers of x and y.

    Returns
    -------
    float
        The integral, signed as :func:`signed_area`.

    Raises
    ------
    ValueError
        When p + q is above 2 or a power is negative.

    Notes
    -----
    Green's theorem turns the area integral into one over the edges. The polygon is moved to
    its first corner first and the result moved back, so a floor far from the origin loses no digits.
    """
    if p < 0 or q < 0 or p + q > 2:
        raise ValueError("moments up to second order only")
    if not corners:
        return 0.0
    x0, y0 = corners[0]
    m = dict.fromkeys([(0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)], 0.0)
    for (ax, ay), (bx, by) in _edges([(x - x0, y - y0) for x, y in corners]):
        w = ax * by - bx * ay
        m[0, 0] += w / 2
        m[1, 0] += w * (ax + bx) / 6
        m[0, 1] += w * (ay + by) / 6
        m[2, 0] += w * (ax * ax + ax * bx + bx * bx) / 12
        m[0, 2] += w * (ay * ay + ay * by + by * by) / 12
        m[1, 1] += w * (2 * ax * ay + ax * by + bx * ay + 2 * bx * by) / 24
    shifted = {
        (0, 0): m[0, 0],
        (1, 0): m[1, 0] + x0 * m[0, 0],
        (0, 1): m[0, 1] + y0 * m[0, 0],
        (2, 0): m[2, 0] + 2 * x0 * m[1, 0] + x0 * x0 * m[0, 0],
        (0, 2): m[0, 2] + 2 * y0 * m[0, 1] + y0 * y0 * m[0, 0],
        (1, 1): m[1, 1] + x0 * m[0, 1] + y0 * m[1, 0] + x0 * y0 * m[0, 0],
    }
    return shifted[p, q]


def area_and_centroid(corners: Corners) -> tuple[float, Point]:
    """Area without sign, and centroid."""
    area = signed_area(corners)
    if area == 0:
        return 0.0, (corners[0] if corners else (0.0, 0.0))
    return abs(area), (moment(corners, 1, 0) / area, moment(corners, 0, 1) / area)


def clip(corners: Corners, a: float, b: float, c: float) -> list[Point]:
    """The part of a polygon where a x + b y <= c."""
    kept: list[Point] = []
    for (px, py), (qx, qy) in _edges(corners):
        p_side, q_side = a * px + b * py - c, a * qx + b * qy - c
        if p_side <= 0:
            kept.append((px, py))
        if (p_side < 0 < q_side) or (q_side < 0 < p_side):
            s = p_side / (p_side - q_side)
            kept.append((px + s * (qx - px), py + s * (qy - py)))
    return kept


def nearest_part(corners: Corners, place: Point, others: Sequence[Point]) -> list[Point]:
    """The part of a polygon that is nearer to a place than to any of some others."""
    (x, y), part = place, list(corners)
    for other_x, other_y in others:
        a, b = 2 * (other_x - x), 2 * (other_y - y)
        part = clip(part, a, b, other_x**2 + other_y**2 - x**2 - y**2)
    return part


def first_crossing(corners: Corners) -> tuple[int, int] | None:
    """Find two edges of an outline that meet where they should not."""
    edges = _edges(corners)
    n = len(edges)
    for i in range(n):
        for j in range(i + 1, n):
            (p, q), (r, s) = edges[i], edges[j]
            if j == i + 1 or (i == 0 and j == n - 1):
                shared, before, after = (q, p, s) if j == i + 1 else (p, q, r)
                bad = _turn(before, shared, after) == 0 and _between(shared, before, after)
            else:
                bad = _meet(p, q, r, s)
            if bad:
                return i, j
    return None


def on_one_line(corners: Corners) -> bool:
    """Do all corners lie on one line?"""
    first = corners[0]
    far = max(corners, key=lambda c: (c[0] - first[0]) ** 2 + (c[1] - first[1]) ** 2)
    size = (far[0] - first[0]) ** 2 + (far[1] - first[1]) ** 2
    return all(abs(_turn(first, far, corner)) <= 1e-6 * size for corner in corners)


def holds_point(corners: Corners, point: Point) -> bool:
    """Is a point inside a polygon or on its outline?"""
    inside = False
    for p, q in _edges(corners):
        if _turn(p, q, point) == 0 and _within(p, q, point):
            return True
        if (p[1] > point[1]) != (q[1] > point[1]):
            inside ^= point[0] < p[0] + (point[1] - p[1]) * (q[0] - p[0]) / (q[1] - p[1])
    return inside


def _edges(corners: Corners) -> list[tuple[Point, Point]]:
    return list(zip(corners, [*corners[1:], corners[0]], strict=True)) if corners else []


def _turn(p: Point, q: Point, r: Point) -> float:
    return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])


def _within(p: Point, q: Point, r: Point) -> bool:
    return min(p[0], q[0]) <= r[0] <= max(p[0], q[0]) and min(p[1], q[1]) <= r[1] <= max(p[1], q[1])


def _between(shared: Point, before: Point, after: Point) -> bool:
    """Do two collinear neighbours run the same way out of their shared corner?"""
    return (before[0] - shared[0]) * (after[0] - shared[0]) + (before[1] - shared[1]) * (
        after[1] - shared[1]
    ) > 0


def _meet(p: Point, q: Point, r: Point, s: Point) -> bool:
    d1, d2, d3, d4 = _turn(p, q, r), _turn(p, q, s), _turn(r, s, p), _turn(r, s, q)
    if d1 * d2 < 0 and d3 * d4 < 0:
        return True
    on = ((d1, p, q, r), (d2, p, q, s), (d3, r, s, p), (d4, r, s, q))
    return any(d == 0 and _within(a, b, c) for d, a, b, c in on)


Array = NDArray[np.float64]
Grid = tuple[int, int]
Triangle = tuple[int, int, int]

_GRID = 1e6


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
    return _fans(_rings(points))


def _fans(rings: Sequence[tuple[int, ...]]) -> list[Triangle]:
    return [(ring[0], b, c) for ring in rings for b, c in itertools.pairwise(ring[1:])]


def _rings(points: Sequence[Point]) -> list[tuple[int, ...]]:
    """Points on each empty circle, in order round it: three, or more where they lie evenly."""
    at = [(round(x * _GRID), round(y * _GRID)) for x, y in points]
    found: dict[frozenset[int], tuple[int, ...]] = {}
    for i, j, k in itertools.combinations(range(len(points)), 3):
        turn = _orientation(at[i], at[j], at[k])
        if turn == 0:
            continue
        ring: tuple[int, ...] = (i, j, k) if turn > 0 else (i, k, j)
        inside = [_in_circle(at[ring[0]], at[ring[1]], at[ring[2]], d) for d in at]
        if max(inside) > 0:
            continue
        on = [n for n, value in enumerate(inside) if value == 0]
        if len(on) > 3:
            x, y = (sum(points[n][axis] for n in on) / len(on) for axis in (0, 1))
            on.sort(key=lambda n: math.atan2(points[n][1] - y, points[n][0] - x))
            ring = tuple(on)
        found[frozenset(on)] = ring
    return list(found.values())


def _orientation(a: Grid, b: Grid, c: Grid) -> int:
    return (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1])


def _in_circle(a: Grid, b: Grid, c: Grid, d: Grid) -> int:
    """Above 0 where d lies inside the circle through a, b, c, which turn from +x towards +y."""
    (ax, ay), (bx, by), (cx, cy) = ((p[0] - d[0], p[1] - d[1]) for p in (a, b, c))
    return (
        (ax * ax + ay * ay) * (bx * cy - cx * by)
        - (bx * bx + by * by) * (ax * cy - cx * ay)
        + (cx * cx + cy * cy) * (ax * by - bx * ay)
    )


def outside_share(floor: Corners, taps: Sequence[Point]) -> float:
    """Share of a floor that lies outside the hull of its taps."""
    order = sorted((round(x * _GRID), round(y * _GRID)) for x, y in taps)
    hull = _half_hull(order) + _half_hull(order[::-1])
    if len(hull) < 3:
        return 1.0
    part = list(floor)
    for a, b in zip(hull, [*hull[1:], hull[0]], strict=True):
        part = _left_of(part, (a[0] / _GRID, a[1] / _GRID), (b[0] / _GRID, b[1] / _GRID))
    return max(0.0, 1 - area_and_centroid(part)[0] / area_and_centroid(floor)[0])


def _half_hull(order: list[Grid]) -> list[Grid]:
    """One side of the hull of sorted points, its last point left out (monotone chain)."""
    chain: list[Grid] = []
    for point in order:
        while len(chain) > 1 and _orientation(chain[-2], chain[-1], point) <= 0:
            chain.pop()
        chain.append(point)
    return chain[:-1]


def linear_moments(floor: Corners, taps: Sequence[Point]) -> Array | None:
    """Integrate the taps' linear share functions over a floor.

    Parameters
    ----------
    floor : sequence of (float, float)
        Outline, mm.
    taps : sequence of (float, float)
        Places of the taps, mm; some dozens at most.

    Returns
    -------
    ndarray, shape (taps, 4), or None
        Of each tap's share function over the floor: its integral (mm2), its moments with x and y (mm3),
        and its integral right of the centre line (mm2). None where there is no triangle.

    Notes
    -----
    Within a triangle the share functions are linear, so area and moments up to the second order of
    the floor's part in it give their integrals exactly. Outside the hull the suction is that of the nearest
    point of the hull: constant along the normals of a hull edge, and that of the corner in the wedge
    beyond a corner. Every such region is convex and cut out of the floor by half planes.
    """
    rings = _rings(taps) if len({(round(x * _GRID), round(y * _GRID)) for x, y in taps}) == len(taps) else []
    if not rings:
        return None
    moments = np.zeros((len(taps), 4))
    for ring in rings:
        # which diagonal of a rectangle is taken must not matter: the mean over the fans from each corner
        for k in range(len(ring)):
            for b, c in itertools.pairwise([*ring[k + 1 :], *ring[:k]]):
                triangle, part = (ring[k], b, c), list(floor)
                for n in range(3):
                    part = _left_of(part, taps[triangle[n]], taps[triangle[(n + 1) % 3]])
                _add(moments, part, triangle, _shares([taps[n] for n in triangle]) / len(ring))
    hull = _hull(_fans(rings))
    for before, a, b in zip([hull[-1], *hull[:-1]], hull, [*hull[1:], hull[0]], strict=True):
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
    return moments


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

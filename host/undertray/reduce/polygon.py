"""Plane polygons: exact area and moments, clipping by a half plane, crossing and inside tests.

A few dozen lines of our own in place of a geometry library: the program needs only these
closed forms, and they stay exact for floors that are not convex.
"""

from __future__ import annotations

from collections.abc import Sequence

__all__ = [
    "Corners",
    "area_and_centroid",
    "clip",
    "first_crossing",
    "holds_point",
    "moment",
    "on_one_line",
    "signed_area",
]

Point = tuple[float, float]
Corners = Sequence[Point]


def signed_area(corners: Corners) -> float:
    """Area of a polygon, positive when its corners run from +x towards +y.

    Parameters
    ----------
    corners : sequence of (float, float)
        Corners in order.

    Returns
    -------
    float
        Signed area in the square of the corners' unit.
    """
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
    """Area without sign, and centroid.

    Parameters
    ----------
    corners : sequence of (float, float)
        Corners in order, either way round.

    Returns
    -------
    area : float
    centroid : (float, float)
        The first corner (or the origin) where the area is zero.
    """
    area = signed_area(corners)
    if area == 0:
        return 0.0, (corners[0] if corners else (0.0, 0.0))
    return abs(area), (moment(corners, 1, 0) / area, moment(corners, 0, 1) / area)


def clip(corners: Corners, a: float, b: float, c: float) -> list[Point]:
    """The part of a polygon where a x + b y <= c.

    Parameters
    ----------
    corners : sequence of (float, float)
        Corners in order; the polygon need not be convex.
    a, b, c : float
        The half plane.

    Returns
    -------
    list of (float, float)
        Corners of the part. Pieces that fall apart stay joined by edges along the cut that
        run both ways, which leaves area and moments exact.
    """
    kept: list[Point] = []
    for (px, py), (qx, qy) in _edges(corners):
        p_side, q_side = a * px + b * py - c, a * qx + b * qy - c
        if p_side <= 0:
            kept.append((px, py))
        if (p_side < 0 < q_side) or (q_side < 0 < p_side):
            s = p_side / (p_side - q_side)
            kept.append((px + s * (qx - px), py + s * (qy - py)))
    return kept


def first_crossing(corners: Corners) -> tuple[int, int] | None:
    """Find two edges of an outline that meet where they should not.

    Parameters
    ----------
    corners : sequence of (float, float)
        Corners in order, no corner twice.

    Returns
    -------
    (int, int) or None
        Numbers of the first such edges (edge i runs from corner i to the next), None for a
        simple polygon. Neighbours meet in their shared corner only, unless one folds back.
    """
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
    """Do all corners lie on one line?

    Parameters
    ----------
    corners : sequence of (float, float)
        Corners, at least two.

    Returns
    -------
    bool
        To within a millionth of the size of the outline.
    """
    first = corners[0]
    far = max(corners, key=lambda c: (c[0] - first[0]) ** 2 + (c[1] - first[1]) ** 2)
    size = (far[0] - first[0]) ** 2 + (far[1] - first[1]) ** 2
    return all(abs(_turn(first, far, corner)) <= 1e-6 * size for corner in corners)


def holds_point(corners: Corners, point: Point) -> bool:
    """Is a point inside a polygon or on its outline?

    Parameters
    ----------
    corners : sequence of (float, float)
        Corners of a simple polygon in order.
    point : (float, float)
        The point.

    Returns
    -------
    bool
    """
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

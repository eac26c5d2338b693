"""Suction under a whole floor, solved: the truth that a few taps are asked for.

A slot between floor and road is sucked empty by fans and filled through its skirt. Depth-averaged::

    dH = -(12 mu / h^3 + rho f |q| / (4 h^3)) q       head; f = 0.316 Re^-1/4 x roughness, Re = 2 |q| / nu
    div q = -fan                                      q in m2/s, the fan spread over its disc
    q_edge = Cd s sqrt(2 p / rho)                     orifice at the skirt, s in m of gap
    p = H + rho (q / h)^2 / 2                         suction at the wall (Bernoulli)

with head and suction below ambient positive. It knows nothing of undertray: no load matrix, no budget. Flow
between plates and through an orifice are handbook formulas (``tests/standards/test_floor_field.py`` checks
them); the friction factor is that of Blasius at the hydraulic diameter 2 h; the numbers drawn are common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.interpolate import NearestNDInterpolator
from scipy.ndimage import distance_transform_edt, map_coordinates
from scipy.sparse import coo_array, csr_array
from scipy.sparse.linalg import spsolve

MU_PA_S, RHO_KG_M3 = 1.81e-5, 1.2  # dry air, 20 degC
NU_M2_S = MU_PA_S / RHO_KG_M3
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Fan:
    """A fan over the floor: centre and radius, m, and flow, m3/s."""

    x_m: float
    y_m: float
    radius_m: float
    flow_m3_s: float


@dataclass(frozen=True)
class Plenum:
    """The slot under one floor.

    ``corners_m`` is its outline; ``height_m`` and ``gap_m`` are functions of arrays of places (x, y), the gap
    being looked at on the outline only; ``roughness`` multiplies the friction factor, ``discharge`` is that
    of the skirt.
    """

    corners_m: tuple[tuple[float, float], ...]
    height_m: Callable[[Floats, Floats], Floats | float]
    gap_m: Callable[[Floats, Floats], Floats | float]
    fans: tuple[Fan, ...]
    roughness: float = 1.0
    discharge: float = 0.61
    cell_m: float = 0.008


@dataclass(frozen=True)
class Field:
    """A solved field: places of the cells, their areas, suction, and the flows that must balance.

    ``raster_pa`` has the suction once more, over the box round the floor and NaN off it, from ``first_m`` on.
    """

    x_m: Floats
    y_m: Floats
    area_m2: Floats
    suction_pa: Floats
    head_pa: Floats
    leak_m3_s: float
    fan_m3_s: float
    raster_pa: Floats
    first_m: tuple[float, float]
    step_m: tuple[float, float]

    @property
    def downforce_n(self) -> float:
        """The integral of suction over the floor."""
        return float(self.area_m2 @ self.suction_pa)

    @property
    def mean_pa(self) -> float:
        """Suction as the floor as a whole feels it."""
        return self.downforce_n / float(self.area_m2.sum())

    @property
    def centre_m(self) -> tuple[float, float]:
        """Centre of the force."""
        force = self.area_m2 * self.suction_pa
        return float(force @ self.x_m / force.sum()), float(force @ self.y_m / force.sum())

    def axles_n(self, wheelbase_m: float) -> tuple[float, float]:
        """Loads of front and rear axle, by moments about them; x counts rearward from the front axle."""
        rear = self.downforce_n * self.centre_m[0] / wheelbase_m
        return self.downforce_n - rear, rear

    def at(self, x_m: Floats, y_m: Floats) -> Floats:
        """Suction at places: bilinear between the middles of cells; off the floor the nearest counts."""
        _, nearest = distance_transform_edt(np.isnan(self.raster_pa), return_indices=True)
        where = [
            (p - first) / step for p, first, step in zip((x_m, y_m), self.first_m, self.step_m, strict=True)
        ]
        return map_coordinates(self.raster_pa[tuple(nearest)], where, order=1, mode="nearest")


def solve(plenum: Plenum, rounds: int = 60, within: float = 1e-4) -> Field:
    """Solve a slot.

    Picard's iteration on the resistance, Newton's on the orifice, over square cells of which those at the
    outline are clipped in area. Raises ``RuntimeError`` where it does not settle.
    """
    d = plenum.cell_m
    floor = shapely.Polygon(plenum.corners_m)
    x0, y0, x1, y1 = floor.bounds
    nx, ny = int(np.ceil((x1 - x0) / d)), int(np.ceil((y1 - y0) / d))
    dx, dy = (x1 - x0) / nx, (y1 - y0) / ny
    i, j = (a.ravel() for a in np.meshgrid(np.arange(nx), np.arange(ny), indexing="ij"))
    part = shapely.intersection(
        shapely.box(x0 + i * dx, y0 + j * dy, x0 + (i + 1) * dx, y0 + (j + 1) * dy), floor
    )
    area = shapely.area(part)
    used = area > 1e-3 * dx * dy
    number = np.full(nx * ny, -1)
    number[used] = np.arange(used.sum())
    grid = number.reshape(nx, ny)
    area, middle = area[used], shapely.centroid(part[used])
    x, y = shapely.get_x(middle), shapely.get_y(middle)
    n = len(x)
    h = np.asarray(plenum.height_m(x, y)) * np.ones(n)

    # faces between neighbours: along x, then along y
    across = [
        (a[both], b[both], width, apart)
        for a, b, width, apart in (
            (grid[:-1].ravel(), grid[1:].ravel(), dy, dx),
            (grid[:, :-1].ravel(), grid[:, 1:].ravel(), dx, dy),
        )
        if len(both := np.flatnonzero((a >= 0) & (b >= 0)))
    ]
    one = np.concatenate([f[0] for f in across])
    other = np.concatenate([f[1] for f in across])
    width = np.concatenate([np.full(len(f[0]), f[2]) for f in across])
    apart = np.concatenate([np.full(len(f[0]), f[3]) for f in across])
    along_x = np.concatenate([np.full(len(f[0]), k == 0) for k, f in enumerate(across)])
    h3 = ((h[one] + h[other]) / 2) ** 3

    orifice = _orifice(plenum, floor, x, y)
    sink, lift = np.zeros(n), np.zeros(n)
    for fan in plenum.fans:
        disc = shapely.Point(fan.x_m, fan.y_m).buffer(fan.radius_m, quad_segs=16)
        share = shapely.area(shapely.intersection(part[used], disc))
        sink += fan.flow_m3_s * share / share.sum()
        lift += np.where(share > 0.5 * area, (fan.flow_m3_s / disc.area) ** 2, 0.0)

    flow = float(sink.sum())
    head = np.full(n, RHO_KG_M3 / 2 * (flow / orifice.sum()) ** 2)
    extra, speed_face = np.zeros(n), np.zeros(len(one))
    everyone = np.arange(n)
    for _ in range(rounds):
        reynolds = np.maximum(2 * speed_face / NU_M2_S, 1.0)
        friction = plenum.roughness * 0.316 * reynolds**-0.25
        let = h3 * width / apart / (12 * MU_PA_S + RHO_KG_M3 * friction * speed_face / 4)
        felt = np.maximum(head + extra, 1e-3)
        leak = orifice * np.sqrt(2 * felt / RHO_KG_M3)
        slope = leak / (2 * felt)
        matrix = coo_array(
            (
                np.concatenate([-let, -let, let, let, slope]),
                (
                    np.concatenate([one, other, one, other, everyone]),
                    np.concatenate([other, one, one, other, everyone]),
                ),
            ),
            shape=(n, n),
        )
        new = spsolve(csr_array(matrix), sink - leak + slope * head)
        face = let * (new[other] - new[one]) / width  # m2/s towards the one
        qx, qy = (_of_cells(face[k], one[k], other[k], n) for k in (along_x, ~along_x))
        q = np.hypot(qx, qy)
        moved = float(np.max(np.abs(new - head)) / np.mean(new))
        head = new
        speed_face = (speed_face + np.maximum(np.abs(face), (q[one] + q[other]) / 2)) / 2
        extra = (extra + RHO_KG_M3 / 2 * ((q / h) ** 2 + lift)) / 2
        if moved < within:
            break
    else:
        raise RuntimeError(f"the slot did not settle: {moved:.2g} of its mean in the last round")
    leak = orifice * np.sqrt(2 * np.maximum(head + extra, 0) / RHO_KG_M3)
    raster = np.full(nx * ny, np.nan)
    raster[used] = head + extra
    return Field(
        *(x, y, area, head + extra, head, float(leak.sum()), flow),
        *(raster.reshape(nx, ny), (x0 + dx / 2, y0 + dy / 2), (dx, dy)),
    )


def _of_cells(face: Floats, one: NDArray[np.int64], other: NDArray[np.int64], n: int) -> Floats:
    """Mean of the flows through two opposite faces of each cell; a wall counts as a face without flow."""
    return (np.bincount(one, face, n) + np.bincount(other, face, n)) / 2


def _orifice(plenum: Plenum, floor: shapely.Polygon, x: Floats, y: Floats) -> Floats:
    """Cd times open area of each cell, m2: each small step of the outline is given to the nearest cell."""
    ring = floor.exterior
    steps = int(np.ceil(ring.length / (plenum.cell_m / 8)))
    at = (np.arange(steps) + 0.5) * ring.length / steps
    px, py = shapely.get_coordinates(shapely.line_interpolate_point(ring, at)).T
    gap = np.asarray(plenum.gap_m(px, py)) * np.ones(steps)
    nearest = NearestNDInterpolator(np.column_stack([x, y]), np.arange(len(x)))
    cell = nearest(np.column_stack([px, py])).astype(int)
    return np.bincount(cell, plenum.discharge * gap * ring.length / steps, len(x))


def drawn(
    seed: int,
    corners_mm: Sequence[tuple[float, float]],
    *,
    central_fan: bool | None = None,
    severity: float = 1.0,
    cell_m: float = 0.008,
) -> Plenum:
    """A slot drawn at random under a given floor.

    Height 3 to 9 mm with some rake, a skirt whose gap differs from place to place and has up to four bad
    places, one or two fans (a ``central_fan`` where asked) of 15 to 35 mm radius or more somewhere in the
    middle two thirds, mean suction of some 300 to 1500 Pa. ``severity`` multiplies the gap.
    """
    rng = np.random.default_rng([seed, 4711])
    corners = tuple((x / 1000, y / 1000) for x, y in corners_mm)
    floor = shapely.Polygon(corners)
    x0, y0, x1, y1 = floor.bounds
    height, rake = rng.uniform(0.003, 0.009), rng.uniform(-0.25, 0.25)

    def height_m(x: Floats, y: Floats) -> Floats:
        return height * (1 + rake * (2 * (x - x0) / (x1 - x0) - 1))

    ring = floor.exterior
    mean_gap = severity * np.exp(rng.uniform(np.log(0.0002), np.log(0.001)))
    bad = [
        (ring.interpolate(rng.uniform(0, ring.length)), rng.uniform(0.005, 0.04), rng.uniform(0.5, 4))
        for _ in range(rng.integers(0, 5))
    ]
    tilt = rng.uniform(-0.5, 0.5, 2)

    def gap_m(x: Floats, y: Floats) -> Floats:
        way = 1 + tilt[0] * (2 * (x - x0) / (x1 - x0) - 1) + tilt[1] * (2 * (y - y0) / (y1 - y0) - 1)
        for place, wide, much in bad:
            way = way + much * np.exp(-((x - place.x) ** 2 + (y - place.y) ** 2) / (2 * wide**2))
        return mean_gap * np.maximum(way, 0.05)

    px, py = shapely.get_coordinates(shapely.line_interpolate_point(ring, np.linspace(0, ring.length, 400))).T
    open_m2 = 0.61 * float(np.mean(gap_m(px, py))) * ring.length
    suction = np.exp(rng.uniform(np.log(300), np.log(1500)))
    flow = open_m2 * np.sqrt(2 * suction / RHO_KG_M3)
    central = bool(rng.random() < 0.4) if central_fan is None else central_fan
    radius = rng.uniform(0.015, 0.035)
    if central:
        places = [((x0 + x1) / 2, (y0 + y1) / 2)]
    else:
        x, y = x0 + (x1 - x0) * rng.uniform(0.2, 0.8), y0 + (y1 - y0) * rng.uniform(0.3, 0.7)
        places = [(x, y)] if rng.random() < 0.5 else [(x, y), (x, y0 + y1 - y)]
    # the air passes a fan with at most half of the suction that it makes as its dynamic pressure
    radius = max(radius, float(np.sqrt(flow / len(places) / np.pi / np.sqrt(suction / RHO_KG_M3))))
    fans = tuple(Fan(x, y, radius, flow / len(places)) for x, y in places)
    return Plenum(corners, height_m, gap_m, fans, float(rng.uniform(1, 3)), 0.61, cell_m)

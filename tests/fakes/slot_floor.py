"""Suction under a floor by somebody who had not seen the program: a slot on a raster, fans at points, a skirt
that leaks along four sides. It shares no formula with ``undertray.reduce.tapcover`` nor with ``floor_field``.

Between cells the air loses ``12 mu L/(W h^3) q`` (plane slot, laminar) and ``f L/(2 h) rho/2 (q/A)^2``
(Darcy-Weisbach); a metre of skirt lets in ``0.62 g sqrt(2 p/rho)``; a fan holds what its curve gives at the
flow of all. Handbook formulas, from memory. Suction under the fan itself is that of its cell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import spsolve

RHO_KG_M3, MU_PA_S = 1.19, 1.8e-5
LOW_MM, HIGH_MM = (-45.0, -82.0), (300.0, 82.0)
CORNERS_MM = ((-45.0, -82.0), (300.0, -82.0), (300.0, 82.0), (-45.0, 82.0))
CELLS = (29, 15)
FRICTION, DISCHARGE = 0.04, 0.62


@dataclass(frozen=True)
class Floor:
    """One drawn floor: places of its fans, mm, its height, mm, and the gap of the skirt at each side, mm."""

    fans_mm: tuple[tuple[float, float], ...]
    height_mm: float
    gaps_mm: tuple[float, float, float, float]


def draw(seed: int) -> Floor:
    """One fan on the middle line, two side by side or two in line; half of the floors alike all round."""
    rng = np.random.default_rng(seed)
    kind, x = int(rng.integers(3)), float(rng.uniform(100, 160)) if seed % 2 else 127.5
    fans = (((x, 0.0),), ((x, -40.0), (x, 40.0)), ((x - 90, 0.0), (x + 90, 0.0)))[kind]
    height = float(rng.uniform(*((1.6, 2.5), (2.5, 4.0), (4.0, 8.0))[seed % 3]))
    gaps = rng.uniform(0.3, 0.6) * (np.exp(rng.normal(0, 0.15, 4)) if seed % 4 < 2 else np.ones(4))
    return Floor(fans, height, tuple(gaps.tolist()))


class Field:
    """The suction of a floor, solved."""

    def __init__(self, floor: Floor) -> None:
        (nx, ny), size_mm = CELLS, np.subtract(HIGH_MM, LOW_MM)
        dx, dy = size_mm / CELLS / 1e3
        self._x_mm, self._y_mm = (
            low + (np.arange(n) + 0.5) * length / n
            for low, n, length in zip(LOW_MM, CELLS, size_mm, strict=True)
        )
        number, h = np.arange(nx * ny).reshape(CELLS), floor.height_mm / 1e3
        one = np.concatenate([number[:-1].ravel(), number[:, :-1].ravel()])
        other = np.concatenate([number[1:].ravel(), number[:, 1:].ravel()])
        along = np.arange(len(one)) < (nx - 1) * ny
        length, width = np.where(along, dx, dy), np.where(along, dy, dx)
        viscous = 12 * MU_PA_S * length / (width * h**3)
        turbulent = FRICTION * length / (2 * h) * RHO_KG_M3 / 2 / (width * h) ** 2
        rim = np.concatenate([number[0], number[-1], number[:, 0], number[:, -1]])
        edge_m = np.repeat([dy, dy, dx, dx], [ny, ny, nx, nx])
        leak = DISCHARGE * np.repeat(floor.gaps_mm, [ny, ny, nx, nx]) / 1e3 * edge_m * np.sqrt(2 / RHO_KG_M3)
        fans = [
            number[np.abs(self._x_mm - x).argmin(), np.abs(self._y_mm - y).argmin()] for x, y in floor.fans_mm
        ]
        pa, flow, sucked = np.full(nx * ny, 1000.0), np.full(len(one), 1e-4), 1000.0
        for _ in range(80):
            eases = 1 / (viscous + turbulent * np.abs(flow) + 1e-9)
            lets = leak / np.sqrt(np.maximum(pa[rim], 1e-3))
            rows = np.concatenate([one, other, one, other, rim])
            columns = np.concatenate([one, other, other, one, rim])
            matrix = coo_matrix(
                (np.concatenate([eases, eases, -eases, -eases, lets]), (rows, columns)), shape=(nx * ny,) * 2
            ).tolil()
            right = np.zeros(nx * ny)
            for cell in fans:
                matrix.rows[cell], matrix.data[cell], right[cell] = [cell], [1.0], sucked
            new_pa = spsolve(matrix.tocsr(), right)
            through = float((leak * np.sqrt(np.maximum(new_pa[rim], 0.0))).sum())
            gives = max(1700 * (1 - (through / 0.024) ** 1.7), 1.0)
            off = abs(gives - sucked) + float(np.abs(new_pa - pa).max())
            flow = (flow + (new_pa[other] - new_pa[one]) * eases) / 2
            pa, sucked = (pa + new_pa) / 2, 0.6 * sucked + 0.4 * gives
            if off < 0.02:
                break
        else:
            raise AssertionError(f"not settled: {off:.3g} Pa")
        self._pa, self._cell_m2 = pa.reshape(CELLS), dx * dy

    def loads_n(self, wheelbase_mm: float) -> tuple[float, float, float]:
        """Downforce, front and rear axle load, N."""
        whole = float(self._pa.sum()) * self._cell_m2
        rear = float((self._pa.sum(axis=1) * self._x_mm).sum()) * self._cell_m2 / wheelbase_mm
        return whole, whole - rear, rear

    def at(self, places_mm: list[tuple[float, float]]) -> np.ndarray:
        """Suction at some places, Pa, drawn straight between the cells."""
        out = []
        for x, y in places_mm:
            across = [np.interp(y, self._y_mm, row) for row in self._pa]
            out.append(float(np.interp(x, self._x_mm, across)))
        return np.array(out)

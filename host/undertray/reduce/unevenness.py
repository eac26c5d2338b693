"""How uneven the suction under a floor can be: the ways that physics leaves open, worked out for its
outline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.polygon import holds_point

__all__ = ["CASES", "Unevenness", "entering_air", "unevenness"]

Array = NDArray[np.float64]
Floor = tuple[tuple[float, float], ...]

CASES = 1000
"""Ways of being uneven that are worked out for a floor."""
_CELLS = 700  # over the box round the floor
_GAP_M, _HEIGHT_M, _SUCTION_PA = (0.0002, 0.0015), (0.003, 0.009), (300.0, 1500.0)
_FRICTION, _DISCHARGE = (0.03, 0.12), 0.61
_FAN = (0.1, 0.2)  # its radius as a share of the floor's width
_ALONG, _ACROSS = (0.15, 0.85), (0.3, 0.7)  # where it stands, as a share of length and width
_TILT, _SHUT = 0.5, 0.05  # the skirt from end to end and side to side; at its tightest, of its mean
_BAD_PLACES, _MOST_BAD, _BAD_WIDTH = 3, 4.0, (0.03, 0.2)
_LEAST = 0.05  # of the suction at the skirt: where there is hardly any, no more air enters
_PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67)
_MU_PA_S, _RHO_KG_M3 = 1.81e-5, 1.2  # air at 20 degC
_NEIGHBOURS = 4
_AT_ONCE = 125  # cases, for the memory


@dataclass(frozen=True, slots=True, eq=False)
class Unevenness:
    """Suction over one floor in every case, beside its mean.

    Attributes
    ----------
    places_mm : ndarray, shape (cells, 2)
        Middles of equal cells.
    excess : ndarray, shape (cases, cells)
        Suction less its mean over the floor, as a share of that mean.
    """

    places_mm: Array
    excess: Array

    def at(self, places_mm: Sequence[tuple[float, float]]) -> Array:
        """Excess at some places.

        Parameters
        ----------
        places_mm : sequence of (float, float)
            Where, mm.

        Returns
        -------
        ndarray, shape (cases, places)
            Of the four nearest cells, by the inverse square of their distance.
        """
        apart2 = np.square(np.asarray(places_mm, float)[:, None] - self.places_mm[None]).sum(axis=2)
        near = np.argsort(apart2, axis=1, kind="stable")[:, :_NEIGHBOURS]
        weight = 1 / (np.take_along_axis(apart2, near, axis=1) + 1e-3)
        weight /= weight.sum(axis=1, keepdims=True)
        return np.asarray(np.einsum("cpk,pk->cp", self.excess[:, near], weight))


@lru_cache(maxsize=8)
def unevenness(floor_mm: Floor) -> Unevenness:
    """Work out how suction can vary over a floor.

    Parameters
    ----------
    floor_mm : tuple of (float, float)
        Corners of the floor in order, mm.

    Returns
    -------
    Unevenness

    Notes
    -----
    Air enters through the skirt as through an orifice, ``q_e = Cd s V`` a metre of it with ``V = sqrt(2
    p/rho)`` and s the open gap, flows through the slot of height h under the floor and leaves where the fans
    are. With ``beta = Cd s/h`` the speed at the skirt is beta V. Let r be the flow anywhere as a multiple of
    q_e; it is the potential flow from the open skirt to the fans, solved on square cells of the outline.
    Beside the suction p at the skirt the suction at a place then differs by::

        Bernoulli      rho/2 (q/h)^2 / p               = (beta r)^2            rises towards a fan
        friction       f/(2h) rho/2 (q/h)^2 / p a metre = f beta^2/(2h) r^2     falls from fan to skirt
        viscosity      12 mu q/h^3 / p a metre          = 24 mu beta/(h^2 rho V) r
        into the fan   rho/2 (flow/disc)^2 / p          = (Cd s R)^2, R the skirt's length over the disc

    The head that friction takes is the potential that comes nearest to ``r`` times its friction along the
    flow. So how uneven a floor is goes with the square of gap over height, and its shape with where the fans
    and the leaks are. None of that is known of a car: it is taken evenly (the lengths, suction and friction
    by their logarithm) from what model cars have: gap 0.2 to 1.5 mm, height 3 to 9 mm, 300 to 1500 Pa, f 0.03
    to 0.12 (smooth to rough floors at Re 1e3 to 1e4), one fan in the middle or anywhere between 15 and 85 %
    of the length, or a pair side by side, of a radius of 10 to 20 % of the width; a skirt that is up to half
    tighter at one end or side, and stands open up to four times wider at up to three places. The ranges are
    common practice, no source.

    The cases are those of a Richtmyer sequence (fractions of multiples of the roots of primes): spread
    evenly, and the same everywhere.

    References
    ----------
    Plane slot flow, orifice and Darcy-Weisbach friction: any handbook of fluid mechanics. The sequence:
    R. D. Richtmyer, 1951 (from memory).
    """
    grid, u = _Grid(floor_mm), _numbers()
    excess = np.concatenate([_excess(grid, u[k : k + _AT_ONCE]) for k in range(0, CASES, _AT_ONCE)])
    excess.flags.writeable = False  # shared by all who ask for the same floor
    return Unevenness(grid.places_mm, excess)


@lru_cache(maxsize=8)
def entering_air(floor_mm: Floor) -> Array:
    """Where the air comes in under a floor in every case.

    Parameters
    ----------
    floor_mm : tuple of (float, float)
        Corners of the floor in order, mm.

    Returns
    -------
    ndarray, shape (cases, cells)
        Share of the air that enters at each cell of :func:`unevenness`, of sum 1; 0 but at the outline.
    """
    grid, u = _Grid(floor_mm), _numbers()
    entering = grid.entering(u[:, 8:])
    entering /= entering.sum(axis=1, keepdims=True)
    entering.flags.writeable = False
    return np.asarray(entering)


def _numbers() -> Array:
    """Numbers between 0 and 1 that every case stands for."""
    return np.asarray(np.modf(np.arange(1, CASES + 1)[:, None] * np.sqrt(_PRIMES))[0])


def _excess(grid: _Grid, u: Array) -> Array:
    """Excess of the cases that numbers between 0 and 1 stand for, shape (cases, cells)."""
    gap_m, height_m = _between(u[:, 0], _GAP_M), _between(u[:, 1], _HEIGHT_M)
    jet_m_s = np.sqrt(2 * _between(u[:, 2], _SUCTION_PA) / _RHO_KG_M3)
    beta = _DISCHARGE * gap_m / height_m
    entering_m = grid.entering(u[:, 8:])
    leaving_m = grid.leaving(u[:, 4:8]) * entering_m.sum(axis=1, keepdims=True)
    potential_m = grid.potential(leaving_m - entering_m)
    across_m = potential_m[:, grid.one] - potential_m[:, grid.other]
    flow = grid.speed(across_m / grid.cell_m)
    rubbed_m = (flow[:, grid.one] + flow[:, grid.other]) / 2 * across_m
    viscous = 24 * _MU_PA_S * beta / (height_m**2 * _RHO_KG_M3 * jet_m_s)
    turbulent = _between(u[:, 3], _FRICTION) * beta**2 / (2 * height_m)
    head = viscous * potential_m + turbulent * grid.potential(grid.gathered(rubbed_m))
    head -= (entering_m * head).sum(axis=1, keepdims=True) / entering_m.sum(axis=1, keepdims=True)
    rise = head + (beta * flow) ** 2 + (_DISCHARGE * gap_m * leaving_m / grid.cell_m**2) ** 2
    rise = np.maximum(rise, _LEAST - 1)
    mean = rise.mean(axis=1, keepdims=True)
    return np.asarray((rise - mean) / (1 + mean))


def _between(u: Array, ends: tuple[float, float]) -> Array:
    """Even in the logarithm, as a column."""
    return np.asarray(ends[0] * (ends[1] / ends[0]) ** u[:, None])


class _Grid:
    """Square cells whose middles lie in a floor, and the faces between them."""

    def __init__(self, floor_mm: Floor) -> None:
        corners = np.asarray(floor_mm)
        self._low_mm, self._size_mm = corners.min(axis=0), np.ptp(corners, axis=0)
        side = float(np.sqrt(self._size_mm.prod() / _CELLS))
        nx, ny = (min(_CELLS, max(1, round(size / side))) for size in self._size_mm.tolist())
        steps = [(np.arange(n) + 0.5) / n for n in (nx, ny)]
        middles = self._low_mm + np.stack(np.meshgrid(*steps, indexing="ij"), axis=-1) * self._size_mm
        inside = np.array([[holds_point(floor_mm, (x, y)) for x, y in row] for row in middles.tolist()])
        if not inside.any():
            inside[:] = True  # a sliver that no middle falls into: its box stands for it
        self.places_mm, self.cell_m = middles[inside], side / 1000
        self._cells = n = int(inside.sum())
        number = np.full((nx, ny), -1)
        number[inside] = np.arange(n)
        pairs = ((number[:-1], number[1:]), (number[:, :-1], number[:, 1:]))
        faces = [np.stack([a[both], b[both]]) for a, b in pairs for both in [(a >= 0) & (b >= 0)]]
        self.one, self.other = np.concatenate(faces, axis=1)
        self._along_x = np.arange(len(self.one)) < faces[0].shape[1]
        neighbours = np.bincount(self.one, minlength=n) + np.bincount(self.other, minlength=n)
        self._open_m = (4 - neighbours) * self.cell_m
        matrix = np.full((n, n), 1.0 / n) + np.diag(neighbours + 1e-9)
        np.add.at(matrix, (self.one, self.other), -1.0)
        np.add.at(matrix, (self.other, self.one), -1.0)
        self._inverse = np.linalg.inv(matrix)

    def potential(self, taken: Array) -> Array:
        """The potential, of mean 0, whose flow brings to each cell what is taken there."""
        return np.asarray(taken @ self._inverse)

    def gathered(self, face: Array) -> Array:
        """Sum over the faces of each cell, with their sign."""
        out = np.zeros((self._cells, len(face)))
        np.add.at(out, self.one, face.T)
        np.add.at(out, self.other, -face.T)
        return out.T

    def speed(self, face: Array) -> Array:
        """Size of the flow in each cell: of the mean of two opposite faces, a wall being one without flow."""
        both = np.zeros((2, self._cells, len(face)))
        for out, some in zip(both, (self._along_x, ~self._along_x), strict=True):
            np.add.at(out, self.one[some], face.T[some] / 2)
            np.add.at(out, self.other[some], face.T[some] / 2)
        return np.asarray(np.hypot(*both).T)

    def entering(self, u: Array) -> Array:
        """Open skirt of each cell, m, at the mean gap."""
        rim = np.flatnonzero(self._open_m)
        at_mm = self.places_mm[rim]
        way = 2 * (at_mm - self._low_mm) / self._size_mm - 1
        wide = 1 + _TILT * (2 * u[:, :2] - 1) @ way.T
        for k in range(_BAD_PLACES):
            where, size, much = u[:, 2 + 3 * k : 5 + 3 * k].T
            place = at_mm[(where * len(rim)).astype(int)]
            reach_mm = _between(size, _BAD_WIDTH) * self._size_mm.min()
            apart2 = np.square(at_mm[None] - place[:, None]).sum(axis=2)
            wide += _MOST_BAD * np.maximum(2 * much - 1, 0)[:, None] * np.exp(-apart2 / (2 * reach_mm**2))
        out = np.zeros((len(u), self._cells))
        out[:, rim] = self._open_m[rim] * np.maximum(wide, _SHUT)
        return out

    def leaving(self, u: Array) -> Array:
        """Share of the flow that each cell's fan takes: one fan in the middle, one anywhere, or a pair."""
        x = _ALONG[0] + (_ALONG[1] - _ALONG[0]) * u[:, 0]
        y = _ACROSS[0] + (_ACROSS[1] - _ACROSS[0]) * u[:, 1]
        middle, pair = u[:, 3] < 1 / 3, u[:, 3] > 2 / 3
        x, y = np.where(middle, 0.5, x), np.where(middle, 0.5, y)
        radius_mm = _between(u[:, 2], _FAN) * self._size_mm.min()
        out = np.zeros((len(u), self._cells))
        for side in (y, np.where(pair, 1 - y, y)):
            place = self._low_mm + np.stack([x, side], axis=1) * self._size_mm
            apart = np.sqrt(np.square(self.places_mm[None] - place[:, None]).sum(axis=2))
            disc = np.clip((radius_mm - apart) / (1000 * self.cell_m) + 0.5, 0, 1)
            disc += 1e-6 * (apart == apart.min(axis=1, keepdims=True))
            out += disc / disc.sum(axis=1, keepdims=True) / 2
        return out

"""How uneven suction can be under a floor, what taps miss of it, and where the next tap helps most."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from undertray.errors import ReductionError
from undertray.reduce.car import MOST_TAPS, Car, Tap
from undertray.reduce.geometry import holds_point
from undertray.reduce.loads import load_matrix

__all__ = [
    "CASES",
    "ForceBounds",
    "NextTap",
    "TapLayout",
    "Unevenness",
    "bounds",
    "entering_air",
    "force_bounds",
    "next_taps",
    "tap_layout",
    "unevenness",
    "unspanned",
]


# How uneven the suction under a floor can be: the ways that physics leaves open, worked out for its
# outline.

Array = NDArray[np.float64]
Floor = tuple[tuple[float, float], ...]

CASES = 1000
"""Ways of being uneven that are worked out for a floor."""
_CELLS = 700  # over the box round the floor
_GAP_M, _HEIGHT_M, _SUCTION_PA = (0.0002, 0.0015), (0.0025, 0.009), (300.0, 1500.0)
_FRICTION, _DISCHARGE = (0.03, 0.12), 0.61
_FAN = (0.1, 0.2)  # its radius as a share of the floor's width
_FANS = (
    0.35,
    0.65,
    0.95,
)  # up to where one stands in the middle, one anywhere, two side by side; else in line
_ALONG, _ACROSS = (0.15, 0.85), (0.3, 0.7)  # where it stands, as a share of length and width
_TILT, _SHUT = 0.5, 0.05  # the skirt from end to end and side to side; at its tightest, of its mean
_EVEN = 0.1  # of the skirts stand open alike all round
_BAD_PLACES, _MOST_BAD, _BAD_WIDTH = 3, 4.0, (0.03, 0.2)
_LEAST = 0.05  # of the suction at the skirt: where there is hardly any, no more air enters
_PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71)
_MU_PA_S, _RHO_KG_M3 = 1.81e-5, 1.2  # air at 20 degC
_NEIGHBOURS = 4
_AT_ONCE = 125  # cases, for the memory


@dataclass(frozen=True, slots=True, eq=False)
class Unevenness:
    """Suction over one floor in every case, beside its mean."""

    places_mm: Array
    excess: Array

    def at(self, places_mm: Sequence[tuple[float, float]]) -> Array:
        """Excess at some places."""
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
    by their logarithm) from what model cars have: gap 0.2 to 1.5 mm, height 2.5 to 9 mm, 300 to 1500 Pa,
    f 0.03 to 0.12 (smooth to rough floors at Re 1e3 to 1e4), one fan in the middle or anywhere between 15 and
    85 % of the length, or a pair side by side or in line, of a radius of 10 to 20 % of the width; a skirt
    that is up to half tighter at one end or side, and stands open up to four times wider at up to three
    places, or, in one of ten, alike all round: taps placed alike round a fan then agree, however much they
    miss. The ranges are common practice, no source.

    The cases are those of a Richtmyer sequence (fractions of multiples of the roots of primes): spread
    evenly, and the same everywhere.

    References
    ----------
    Plane slot flow, orifice and Darcy-Weisbach friction: any handbook of fluid mechanics. The sequence:
    R. D. Richtmyer, 1951 (from memory).
    """
    grid, u = _Grid(floor_mm), _numbers()
    excess = np.empty((CASES, len(grid.places_mm)))
    for k in range(0, CASES, _AT_ONCE):
        excess[k : k + _AT_ONCE] = _excess(grid, u[k : k + _AT_ONCE]).T
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
    entering = np.ascontiguousarray(grid.entering(u[:, 8:]).T)
    entering /= entering.sum(axis=1, keepdims=True)
    entering.flags.writeable = False
    return np.asarray(entering)


def _numbers() -> Array:
    """Numbers between 0 and 1 that every case stands for."""
    return np.asarray(np.modf(np.arange(1, CASES + 1)[:, None] * np.sqrt(_PRIMES))[0])


def _excess(grid: _Grid, u: Array) -> Array:
    """Excess of the cases that numbers between 0 and 1 stand for, shape (cells, cases)."""
    gap_m, height_m = _between(u[:, 0], _GAP_M), _between(u[:, 1], _HEIGHT_M)
    jet_m_s = np.sqrt(2 * _between(u[:, 2], _SUCTION_PA) / _RHO_KG_M3)
    beta = _DISCHARGE * gap_m / height_m
    entering_m = grid.entering(u[:, 8:])
    leaving_m = grid.leaving(u[:, 4:8]) * entering_m.sum(axis=0)
    potential_m = grid.potential(leaving_m - entering_m)
    across_m = grid.across(potential_m)
    flow = grid.speed(across_m / grid.cell_m)
    rubbed_m = grid.between(flow) * across_m
    viscous = 24 * _MU_PA_S * beta / (height_m**2 * _RHO_KG_M3 * jet_m_s)
    turbulent = _between(u[:, 3], _FRICTION) * beta**2 / (2 * height_m)
    head = viscous * potential_m + turbulent * grid.potential(grid.gathered(rubbed_m))
    head -= (entering_m * head).sum(axis=0) / entering_m.sum(axis=0)
    rise = head + (beta * flow) ** 2 + (_DISCHARGE * gap_m * leaving_m / grid.cell_m**2) ** 2
    rise = np.maximum(rise, _LEAST - 1)
    mean = rise.mean(axis=0)
    return np.asarray((rise - mean) / (1 + mean))


def _between(u: Array, ends: tuple[float, float]) -> Array:
    """Even in the logarithm."""
    return np.asarray(ends[0] * (ends[1] / ends[0]) ** u)


def _apart2(one_mm: Array, other_mm: Array) -> Array:
    """Squared distance of each place from each other, shape (places, others)."""
    x, y = (np.subtract.outer(one_mm[:, axis], other_mm[:, axis]) for axis in (0, 1))
    return np.asarray(x * x + y * y)


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
        # faces across the length, then across the width: in each a cell is at most once the one and the other
        pairs = ((number[:-1], number[1:]), (number[:, :-1], number[:, 1:]))
        self._faces = [np.stack([a[both], b[both]]) for a, b in pairs for both in [(a >= 0) & (b >= 0)]]
        self._along = slice(0, self._faces[0].shape[1]), slice(self._faces[0].shape[1], None)
        self._one, self._other = np.concatenate(self._faces, axis=1)
        neighbours = np.bincount(self._one, minlength=n) + np.bincount(self._other, minlength=n)
        self._open_m = (4 - neighbours) * self.cell_m
        self._columns = np.concatenate([[0], np.cumsum(inside.sum(axis=1))]).tolist()
        self._eliminate(neighbours)

    def _eliminate(self, neighbours: NDArray[np.int64]) -> None:
        """Column by column of cells, as each has to do with the next one only."""
        n = self._cells
        matrix = np.diag(neighbours + 1e-9)
        matrix[self._one, self._other] = matrix[self._other, self._one] = -1.0
        columns = [slice(a, b) for a, b in pairwise(self._columns) if a < b]
        self._inverse: list[Array] = [np.asarray(np.linalg.inv(matrix[columns[0], columns[0]]))]
        self._passed = [np.zeros((columns[0].stop, 0))]
        for before, here in pairwise(columns):
            passed = matrix[here, before] @ self._inverse[-1]
            self._passed.append(passed)
            self._inverse.append(
                np.asarray(np.linalg.inv(matrix[here, here] - passed @ matrix[before, here]))
            )
        self._next = [matrix[here, after] for here, after in pairwise([*columns, slice(n, n)])]
        self._columns = columns

    def potential(self, taken: Array) -> Array:
        """The potential, of mean 0, whose flow brings to each cell what is taken there; (cells, cases)."""
        left, before = np.empty_like(taken), slice(0, 0)
        for passed, here in zip(self._passed, self._columns, strict=True):
            left[here] = taken[here] - passed @ left[before]
            before = here
        after = slice(self._cells, self._cells)
        for here, inverse, coupled in zip(
            self._columns[::-1], self._inverse[::-1], self._next[::-1], strict=True
        ):
            left[here] = inverse @ (left[here] - coupled @ left[after])
            after = here
        left -= left.mean(axis=0)
        return left

    def across(self, cell: Array) -> Array:
        """Difference over each face."""
        return np.asarray(cell[self._one] - cell[self._other])

    def between(self, cell: Array) -> Array:
        """Mean of the cells on both sides of each face."""
        return np.asarray((cell[self._one] + cell[self._other]) / 2)

    def gathered(self, face: Array) -> Array:
        """Sum over the faces of each cell, with their sign."""
        out = np.zeros((self._cells, face.shape[1]))
        for (one, other), some in zip(self._faces, self._along, strict=True):
            out[one] += face[some]
            out[other] -= face[some]
        return out

    def speed(self, face: Array) -> Array:
        """Size of the flow in each cell: of the mean of two opposite faces, a wall being one without flow."""
        both = np.zeros((2, self._cells, face.shape[1]))
        for out, (one, other), some in zip(both, self._faces, self._along, strict=True):
            out[one] += face[some] / 2
            out[other] += face[some] / 2
        return np.asarray(np.sqrt(np.square(both, out=both).sum(axis=0)))

    def entering(self, u: Array) -> Array:
        """Open skirt of each cell, m, at the mean gap."""
        rim = np.flatnonzero(self._open_m)
        at_mm = self.places_mm[rim]
        way = 2 * (at_mm - self._low_mm) / self._size_mm - 1
        uneven = (u[:, 2 + 3 * _BAD_PLACES] > _EVEN).astype(float)
        wide = 1 + _TILT * way @ (2 * u[:, :2] - 1).T * uneven
        for k in range(_BAD_PLACES):
            where, size, much = u[:, 2 + 3 * k : 5 + 3 * k].T
            place = at_mm[(where * len(rim)).astype(int)]
            reach_mm = _between(size, _BAD_WIDTH) * self._size_mm.min()
            apart2 = _apart2(at_mm, place)
            wide += uneven * _MOST_BAD * np.maximum(2 * much - 1, 0) * np.exp(-apart2 / (2 * reach_mm**2))
        out = np.zeros((self._cells, len(u)))
        out[rim] = self._open_m[rim, None] * np.maximum(wide, _SHUT)
        return out

    def leaving(self, u: Array) -> Array:
        """Share of the flow that each cell's fan takes: one fan in the middle, one anywhere, or a pair."""
        x = _ALONG[0] + (_ALONG[1] - _ALONG[0]) * u[:, 0]
        y = _ACROSS[0] + (_ACROSS[1] - _ACROSS[0]) * u[:, 1]
        kind = np.searchsorted(_FANS, u[:, 3])
        middle, beside, behind = kind == 0, kind == 2, kind == 3
        x, y = np.where(middle, 0.5, x), np.where(middle | behind, 0.5, y)
        radius_mm = _between(u[:, 2], _FAN) * self._size_mm.min()
        out = self._disc(x, y, radius_mm)
        pair = beside | behind
        other = self._disc(
            np.where(behind, 1 - x, x)[pair], np.where(beside, 1 - y, y)[pair], radius_mm[pair]
        )
        out[:, pair] = (out[:, pair] + other) / 2
        return out

    def _disc(self, x: Array, y: Array, radius_mm: Array) -> Array:
        """Share of one fan that each cell takes."""
        place = self._low_mm + np.stack([x, y], axis=1) * self._size_mm
        apart = np.sqrt(_apart2(self.places_mm, place))
        disc = np.clip((radius_mm - apart) / (1000 * self.cell_m) + 0.5, 0, 1)
        disc += 1e-6 * (apart == apart.min(axis=0))
        return np.asarray(disc / disc.sum(axis=0))


# How well the taps of a car can know its force: what they do not see of the floor.

_ALIKE = 0.25  # of the logarithm: cases whose taps differ a quarter more or less still count
_SAME = 0.003  # differences of taps below it say nothing
_FEW = 5  # the most uneven cases, beyond which taps speak for themselves
_COVERED = 0.95
_SPAN = 0.1  # of the floor's length or width


@dataclass(frozen=True, slots=True, eq=False)
class TapLayout:
    """What some taps of a car read and miss in every case of an uneven floor."""

    spread: Array
    missed: Array

    def alike(self, pa: Array) -> tuple[Array, float]:
        """Weigh the cases by how well they go with some readings."""
        if len(pa) < 2:
            return np.full(len(self.spread), 1 / len(self.spread)), 1.0
        of_mean = float(pa.std()) / max(abs(float(pa.mean())), 1e-9 * float(np.abs(pa).max()), 1e-12)
        seen, cases = np.log(of_mean + _SAME), np.log(self.spread + _SAME)
        most = float(np.sort(cases)[-_FEW:].mean())
        weights = np.exp(-np.square((min(seen, most) - cases) / _ALIKE) / 2)
        return weights / weights.sum(), float(np.exp(max(0.0, seen - most)))


@dataclass(frozen=True, slots=True)
class ForceBounds:
    """Half widths of the 95 % intervals of downforce, front and rear load, N for 1 Pa of mean suction."""

    downforce_n: float
    front_n: float
    rear_n: float


def bounds(missed: Array, weights: Array) -> Array:
    """What numbers are off by in 95 % of the cases."""
    size = np.abs(missed)
    order = np.argsort(size, axis=0, kind="stable")
    # between the cases it is drawn straight, so that a last digit nowhere makes a step
    up_to = np.cumsum(weights[order], axis=0) - weights[order] / 2
    ranked = np.take_along_axis(size, order, axis=0)
    return np.array([np.interp(_COVERED, up_to[:, k], ranked[:, k]) for k in range(size.shape[1])])


def tap_layout(car: Car, taps_present: Collection[str] | None = None) -> TapLayout:
    """What the taps of a car read and miss where suction is uneven.

    Parameters
    ----------
    car : Car
        Floor and taps.
    taps_present : collection of str or None
        Names of the taps whose readings are good; all if left out.

    Returns
    -------
    TapLayout

    Raises
    ------
    ReductionError
        When no tap is left.

    Notes
    -----
    In each case of :func:`undertray.reduce.tapcover.unevenness` the taps read what stands at their places,
    the load matrix M makes of it what it makes of a run, and the sum over the cells is the truth: the
    difference is what the taps miss. An even suction misses nothing.

    Of a run only the readings are known. So the cases are weighed by how much their taps would differ beside
    how much those of the run do (a bell in the logarithm of the standard deviation over the mean, 0.25 wide),
    and what 95 % of the weight misses at most is the uncertainty. Few taps, or taps that lie alike, read
    alike in many cases that miss much: then it is large however well they agree. Where the taps differ more
    than in the most uneven cases it grows in proportion.
    """
    return _layout(car, None if taps_present is None else frozenset(taps_present))


@lru_cache(maxsize=256)
def _layout(car: Car, present: frozenset[str] | None) -> TapLayout:
    matrix = load_matrix(car, present)
    floor = unevenness(car.floor_mm)
    places = {tap.name: (tap.x_mm, tap.y_mm) for tap in car.taps}
    excess = floor.at([places[name] for name in matrix.taps])
    area_m2 = float(matrix.area_m2.sum())
    felt = np.einsum("ct,rt->cr", excess, matrix.matrix)
    missed = felt - area_m2 * _true(car.floor_mm, car.wheelbase_mm)
    read_pa = 1 + felt[:, 0] / area_m2
    return TapLayout((1 + excess).std(axis=1) / (1 + excess.mean(axis=1)), missed / read_pa[:, None])


@lru_cache(maxsize=8)
def _true(floor_mm: tuple[tuple[float, float], ...], wheelbase_mm: float) -> Array:
    """Rows of a load matrix for the excess of every case on 1 m2 of floor, shape (cases, 7)."""
    floor = unevenness(floor_mm)
    x, y = floor.places_mm.T
    one, right = np.ones(len(x)), np.where(y > 0, 1.0, np.where(y < 0, 0.0, 0.5))
    rear = x / wheelbase_mm
    rows = np.stack([one, one - rear, rear, x * 1e-3, y * 1e-3, one - right, right])
    return np.asarray(np.einsum("cx,rx->cr", floor.excess, rows) / len(x))


def unspanned(car: Car, taps_present: Collection[str] | None = None) -> frozenset[str]:
    """Which numbers no pair of taps spans: they would be those of an assumption."""
    places = np.array([(t.x_mm, t.y_mm) for t in car.taps if taps_present is None or t.name in taps_present])
    along, across = np.ptp(places, axis=0) >= _SPAN * np.ptp(np.array(car.floor_mm), axis=0)
    y = places[:, 1]
    sides = across and (y < 0).any() and (y > 0).any()
    out = [] if along else ["x_mm"]
    out += [] if across else ["y_mm"]
    return frozenset([*out, *([] if sides else ["left_n", "right_n"])])


def force_bounds(car: Car) -> ForceBounds:
    """How far off the loads may be by what the taps do not see, before any run."""
    layout = tap_layout(car)
    weights = np.full(len(layout.missed), 1 / len(layout.missed))
    return ForceBounds(*bounds(layout.missed[:, :3], weights).tolist())


_STEPS = (13, 8)  # places tried along and across the floor
_FROM_RIM, _APART = 0.08, 0.12  # of the floor's width


@dataclass(frozen=True, slots=True)
class NextTap:
    """A tap that is not there yet."""

    x_mm: float
    y_mm: float
    known: ForceBounds


def next_taps(car: Car, count: int) -> list[NextTap]:
    """Propose places for further taps.

    Parameters
    ----------
    car : Car
        Floor and the taps that are there.
    count : int
        How many more, at least 1.

    Returns
    -------
    list of NextTap
        In the order they are to be added.

    Raises
    ------
    ReductionError
        When areas are given for the taps, when there would be too many taps, or there is no room.

    Notes
    -----
    One after another, each where the sum of what both axles may be off by becomes least. Places are tried on
    a raster over the floor, to whole millimetres, no nearer than 8 % of the floor's width to its outline and
    12 % to a tap.
    """
    if car.load == "areas":
        raise ReductionError(
            "no place for a further tap where areas are given",
            where=car.name,
            seen='load = "areas"',
            do="leave 'load' out: the areas then follow from the places",
        )
    if len(car.taps) + count > MOST_TAPS:
        raise ReductionError(
            "too many taps",
            where=car.name,
            seen=len(car.taps) + count,
            expected=f"at most {MOST_TAPS}",
            do="ask for fewer",
        )
    found: list[NextTap] = []
    for _ in range(count):
        tried = [
            (NextTap(tap.x_mm, tap.y_mm, force_bounds(grown)), grown)
            for tap in _room(car)
            for grown in [replace(car, taps=(*car.taps, tap))]
        ]
        if not tried:
            raise ReductionError(
                "no room for a further tap",
                where=car.name,
                seen=f"{len(car.taps)} taps",
                expected="a place well inside the outline and away from the others",
                do="ask for fewer",
            )
        best, car = min(tried, key=lambda one: one[0].known.front_n + one[0].known.rear_n)
        found.append(best)
    return found


def _room(car: Car) -> Iterator[Tap]:
    corners = np.array(car.floor_mm)
    low, size = corners.min(axis=0), np.ptp(corners, axis=0)
    steps = _STEPS if size[0] >= size[1] else _STEPS[::-1]
    rim, apart = _FROM_RIM * float(size.min()), _APART * float(size.min())
    name = f"tap {len(car.taps) + 1} of {car.taps[0].name}"
    for i in range(steps[0]):
        for j in range(steps[1] + 1):
            x = round(float(low[0] + size[0] * (i + 0.5) / steps[0]))
            y = round(float(low[1] + size[1] * (j + 0.5) / (steps[1] + 1)))
            around = [(x + a * rim, y + b * rim) for a in (-1, 0, 1) for b in (-1, 0, 1)]
            clear = all(np.hypot(x - t.x_mm, y - t.y_mm) >= apart for t in car.taps)
            if clear and all(holds_point(car.floor_mm, point) for point in around):
                yield Tap(name, name, float(x), float(y))

"""How far off the means of a run may be: every source, every headline number."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.calibration import Calibration
from undertray.calibrate.distributions import NORMAL, student_quantile, student_tail
from undertray.quantiles import middle
from undertray.reduce.car import Car
from undertray.reduce.loads import ROWS, Loads, Part, load_matrix
from undertray.reduce.longtable import Table
from undertray.reduce.reading import TapSuction
from undertray.reduce.summary import Estimate
from undertray.reduce.tapcover import CASES, bounds, tap_layout, unspanned
from undertray.reduce.zero import Zero

__all__ = [
    "QUANTITIES",
    "MeanUncertainty",
    "Means",
    "Scatter",
    "Sensitivity",
    "coverage_factor",
    "mean_scatter",
    "mean_uncertainty",
]


# How much the noise of a run leaves in its means: batch means, so that autocorrelation counts.

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

BATCH_S = 0.25
_LEAST_BATCHES = 8
_MOST_BATCHES, _MOST_ALIKE, _LEAST_WORTH = 20, 0.9, 3.0
_FEW = 6.0  # independent batches from which on one figure for their correlation will do
_ROUNDED = 1e-12
_OUTSIDE = 0.05
_ANGLES = np.linspace(0.0, np.arcsin(0.99), 60)
_ROWS = 8192  # worked on at a time: what is made of them stays in a core's own cache
_TO_SD = 1.482602 / 6**0.5  # median absolute second difference of batch means to their standard deviation


@dataclass(frozen=True, slots=True, eq=False)
class Batches:
    """Readings of m taps in K batches that follow each other.

    Attributes
    ----------
    taps : ndarray, shape (m, K)
        Means of each batch.
    within : ndarray, shape (K,)
        Mean square of one weighted sum of the taps about its mean in each batch.
    mean : ndarray, shape (m,)
        Means of all readings, those after the last whole batch as well.
    rows : int
        How many readings.
    """

    taps: Array
    within: Array
    mean: Array
    rows: int


@dataclass(frozen=True, slots=True, eq=False)
class Scatter:
    """Noise of the means of some sums of readings."""

    standard: Array
    effective_rows: float
    batches: int
    dof: int = 1
    slow: bool = False


def mean_scatter(
    readings: Array | Table, weights: Array, rate_hz: float, rows: Ints | None = None, steady: bool = False
) -> Scatter:
    """Noise that stays in the means of some weighted sums of readings.

    Parameters
    ----------
    readings : Table or ndarray, shape (n, m)
        Readings that follow each other; no NaN in any that is used.
    weights : ndarray, shape (k, m)
        The sums, one a row.
    rate_hz : float
        Sample rate, Hz.
    rows : ndarray of int64, or None
        Which readings to use, ascending; all if None.
    steady : bool
        Whether nothing was asked of the car in them: then what is slower than a batch is noise as well.

    Returns
    -------
    Scatter

    Notes
    -----
    The readings are cut into batches of a quarter of a second, of less where there would be fewer than 8
    (noise that is slower than such a batch then counts for too little). What a batch mean scatters by, s_B,
    is taken from second differences of the batch means by the median absolute deviation, so that throttle
    work, losses and slow changes (which are no noise) drop out, while noise that is correlated from row to
    row counts for what it does over a batch. The mean of K batches then has the standard uncertainty
    ``s_B/sqrt(K)``, and ``(s_within^2 + s_B^2) K/s_B^2`` is the effective number of rows. Noise slower than
    a batch looks like the car, and is not in it.

    In a steady stretch it is: there at most 20 longer batches are made of these, taken for AR(1) noise with
    the correlation r of neighbours (without its bias, ``(1 + 3 r)/K``; 0 to 0.9), and count as
    ``K (1 - r)/(1 + r)``. Where those are six and fewer, r is too badly known for one figure of it: the
    interval is then that of the mean over all r from 0 to 0.99, each by how well it explains the batches
    (:func:`_over_correlations`). It is wide, for good reason.

    References
    ----------
    Batch means: a standard method for the output of simulations (A. M. Law, Simulation Modeling and
    Analysis; from memory). Effective number of rows: G. V. Bayley and J. M. Hammersley, J. R. Stat. Soc.
    Suppl. 8 (1946) 184 (from memory); for AR(1) noise it is ``n (1 - phi)/(1 + phi)``. Bias of r: M. G.
    Kendall, Biometrika 41 (1954) 403 (from memory). Prior of r: J. O. Berger, R.-Y. Yang, Econometric
    Theory 10 (1994) 461 (from memory).
    """
    return _scatter(_batches(readings, weights[0], rate_hz, rows), weights, steady)


def _batches(
    readings: Array | Table,
    watched: Array,
    rate_hz: float,
    rows: Ints | None = None,
    taps: Sequence[int] | slice = slice(None),
) -> Batches:
    """Cut readings into batches, in one pass."""
    chosen = len(readings) if rows is None else len(rows)
    size = max(1, min(round(BATCH_S * rate_hz), chosen // _LEAST_BATCHES))
    count, even = chosen // size, np.full(size, 1.0 / size)
    means, within, total = np.empty((len(watched), count)), np.empty(count), np.zeros(len(watched))
    for a in range(0, count, at_once := max(1, _ROWS // size)):
        b = min(count, a + at_once)
        here = slice(a * size, b * size)
        # a tap lies in memory row by row: so its batches are the rows of a matrix
        cut = np.ascontiguousarray(readings[here if rows is None else rows[here], taps].T)
        means[:, a:b] = cut.reshape(len(cut), b - a, size) @ even
        apart = (watched @ cut).reshape(b - a, size)
        apart -= (watched @ means[:, a:b])[:, None]
        np.einsum("ij,ij->i", apart, apart, out=within[a:b])
        total += means[:, a:b].sum(axis=1) * size
    if count * size < chosen:
        here = slice(count * size, chosen)
        total += readings[here if rows is None else rows[here], taps].sum(axis=0)
    within /= size
    return Batches(means, within, total / max(chosen, 1), chosen)


def _scatter(batches: Batches, weights: Array, steady: bool) -> Scatter:
    """Noise of the means of some weighted sums; the first is the one that was watched."""
    count = len(batches.within)
    if count < _LEAST_BATCHES:
        return Scatter(np.zeros(len(weights)), float(batches.rows), 0)
    means, within2 = weights @ batches.taps, float(middle(batches.within))
    if steady:
        return _slow(means, within2, batches.rows)
    second = np.abs(np.diff(means, 2, axis=1))
    batch = _TO_SD * np.array([middle(row) for row in second])
    whole2 = (within2 + batch[0] ** 2) * count
    effective = whole2 / batch[0] ** 2 if batch[0] > 0 else float(batches.rows)
    return Scatter(batch / count**0.5, float(min(effective, batches.rows)), count, max(1, (count - 2) // 2))


def _slow(means: Array, within2: float, rows: int) -> Scatter:
    """Noise of the means of a steady stretch, correlated over as long as it may be."""
    each = max(1, means.shape[1] // _MOST_BATCHES)
    count = means.shape[1] // each
    batches = means[:, : count * each].reshape(len(means), count, each).mean(axis=2)
    off = batches - batches.mean(axis=1, keepdims=True)
    square = np.square(off).sum(axis=1)
    # readings that never change leave only what sums of doubles are rounded by
    square[square <= count * (_ROUNDED * np.abs(batches).max(axis=1)) ** 2] = 0.0
    neighbours = (off[:, 1:] * off[:, :-1]).sum(axis=1)
    r = np.divide(neighbours, square, out=np.zeros(len(means)), where=square > 0)
    r = np.clip(r + (1 + 3 * r) / count, 0.0, _MOST_ALIKE)
    alike = (1 + r) / (1 - r)
    worth = np.maximum(_LEAST_WORTH, count / alike)
    # batches that hang together scatter less about their own mean than about the true one
    variance = square / (count - 1) / np.maximum(0.2, 1 - 1 / worth) * (1 - 1 / count) / worth
    standard, dof = np.sqrt(variance), max(1, int(worth.min()) - 1)
    few = (count / alike <= _FEW) & (square > 0)
    if few.any():
        standard[few] = _over_correlations(batches[few]) / student_quantile(dof)
    whole2 = within2 + square[0] / (count - 1)
    effective = whole2 / standard[0] ** 2 if standard[0] > 0 else float(rows)
    return Scatter(
        standard, float(min(effective, rows)), count, dof, bool(r[0] >= _MOST_ALIKE and square[0] > 0)
    )


def _over_correlations(batches: Array) -> Array:
    """Half width of the 95 % interval of each mean, whatever the correlation of AR(1) noise may be."""
    count = batches.shape[1]
    x = batches - batches.mean(axis=1, keepdims=True)
    inner, ends = x[:, 1:-1], x[:, :1] + x[:, -1:]
    r = np.sin(_ANGLES)
    one = (count - (count - 2) * r) / (1 + r)
    mean = (ends + (1 - r) * inner.sum(axis=1, keepdims=True)) / (1 + r) / one
    sums = (np.square(x), np.square(inner), x[:, 1:] * x[:, :-1])
    every, within, products = (each.sum(axis=1, keepdims=True) for each in sums)
    squares = (every + r**2 * within - 2 * r * products) / (1 - r**2) - one * mean**2
    likely = -(count - 1) / 2 * np.log(squares * (1 - r**2)) - np.log(one) / 2
    weight = np.exp(likely - likely.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    error = np.sqrt(squares / (count - 1) / one)
    low, high = np.zeros((len(x), 1)), 1e3 * error.max(axis=1, keepdims=True)
    for _ in range(50):
        half = (low + high) / 2
        above, below = ((half - side * mean) / error for side in (1, -1))
        outside = _beyond(above, count - 1) + _beyond(below, count - 1)
        wide = (weight * outside).sum(axis=1, keepdims=True) <= _OUTSIDE
        low, high = np.where(wide, low, half), np.where(wide, half, high)
    return np.asarray(high[:, 0])


def _beyond(t: Array, dof: int) -> Array:
    """Probability that Student's t is above t."""
    half = student_tail(t, dof) / 2
    return np.asarray(np.where(t >= 0, half, 1 - half))


# How the numbers of a run hang on the calibration of each column and on its zero.

_MOST_COEFFICIENTS = 3


class Sensitivity:
    """Change of some numbers with every calibration coefficient and every zero."""

    def __init__(self, quantities: int, car: Car, calibration: Calibration, zero: Zero) -> None:
        self._columns = [calibration.columns[tap.column] for tap in car.taps]
        self._zero = zero
        self._powers = [np.zeros((quantities, len(c.coefficients))) for c in self._columns]
        self._per_pa = np.zeros((quantities, len(self._columns)))
        self._own = np.zeros((quantities, len(self._columns)))

    def powers(self, part: Part, nominal: Table) -> list[Array]:
        """Mean powers of the nominal suction of each tap of some rows."""
        columns = [self._columns[i] for i in part.taps]
        # the mean of the squares is not the square of the mean
        bent = [k for k, one in enumerate(columns) if len(one.coefficients) == _MOST_COEFFICIENTS]
        means, squares = part.moments(nominal, bent)
        found = [one.powers(mean) for one, mean in zip(columns, means, strict=True)]
        for k, square in zip(bent, squares.tolist(), strict=True):
            found[k][2] = square
        return found

    def add(self, taps: Sequence[int], per_pa: Array, mean_powers: Sequence[Array]) -> None:
        """Take in some rows."""
        for k, (i, powers) in enumerate(zip(taps, mean_powers, strict=True)):
            zero_pa = self._zero.nominal_pa
            off = 0.0 if zero_pa is None else self._columns[i].powers(zero_pa[i])
            self._powers[i] += np.outer(per_pa[:, k], powers - off)
            self._per_pa[:, i] += per_pa[:, k]
            self._own[:, i] += per_pa[:, k] * float(self._columns[i].own_uncertainty_pa(powers[1]))

    def variances(self) -> tuple[Array, Array]:
        """Variances of the numbers."""
        count = len(self._per_pa)
        alone2, own = np.zeros(count), np.zeros_like(self._own)
        together = np.zeros((count, _MOST_COEFFICIENTS))
        common: dict[str, Array] = {}
        for i, (column, rows) in enumerate(zip(self._columns, self._powers, strict=True)):
            covariance = np.array(column.covariance, float)
            for name, shift in column.shared.items():
                covariance -= np.outer(shift, shift)
                common[name] = common.get(name, np.zeros(count)) + rows @ shift
            # a factor above the normal one says that few points are behind this column
            fewer = column.coverage_factor / NORMAL
            parts = fewer * rows @ _root(covariance)
            together[:, : parts.shape[1]] += parts
            alone2 += np.square(parts).sum(axis=1)
            own[:, i] = fewer * self._own[:, i]
        # sensors of one make bend and loop alike, and come to a suction from the same side; others may not
        alike2 = np.maximum(np.square(own.sum(axis=1)), np.square(own).sum(axis=1))
        own2 = np.maximum(alone2, np.square(together).sum(axis=1)) + alike2
        shared2 = np.square(list(common.values())).sum(axis=0) if common else 0.0
        return own2 + shared2, self._zero.variance(self._per_pa)


def _root(covariance: Array) -> Array:
    """A matrix R with R R^T the covariance; what rounding made negative counts as 0."""
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(root @ vectors.T)


Bools = NDArray[np.bool_]

QUANTITIES = ("suction_pa", "downforce_n", "front_n", "rear_n", "left_n", "right_n", "x_mm", "y_mm")
"""What a mean and an uncertainty are given for: the suction of the taps, what the floor feels, its centre."""
_CLOSE_TO_NORMAL = 200


@dataclass(frozen=True, slots=True)
class Means:
    """Means of some rows of a run, in the units of their names."""

    suction_pa: float
    downforce_n: float
    front_n: float
    rear_n: float
    left_n: float | None
    right_n: float | None
    x_mm: float | None
    y_mm: float | None


@dataclass(frozen=True, slots=True)
class MeanUncertainty:
    """Means, and half widths of their 95 % intervals."""

    means: Means
    u95: Mapping[str, float | None]
    sources_n: Mapping[str, float] = field(default_factory=dict)
    effective_rows: float = 0.0
    notices: tuple[str, ...] = ()
    taps_pa: Mapping[str, Estimate] = field(default_factory=dict)


def mean_uncertainty(
    rows: Bools,
    loads: Loads,
    suction: TapSuction,
    zero: Zero,
    car: Car,
    calibration: Calibration | None,
    rate_hz: float,
    steady: bool = False,
) -> MeanUncertainty:
    """Means over some rows of a run and their uncertainty.

    Parameters
    ----------
    rows : ndarray of bool, shape (n,)
        Which rows; all with loads, at least one.
    loads : Loads
        Loads of the run.
    suction : TapSuction
        Suctions they come from.
    zero : Zero
        What was done about the zero.
    car : Car
        Floor and taps.
    calibration : Calibration or None
        The calibration used.
    rate_hz : float
        Sample rate, Hz.
    steady : bool
        Whether nothing was asked of the car in them, so that whatever moves is noise.

    Returns
    -------
    MeanUncertainty

    Notes
    -----
    Every number is linear in the tap suctions, ``q = m s``, with m a row of the load matrix (for the centre,
    its derivative), so ``u^2(q) = m C m^T``. C holds, for each column, the covariance of its coefficients,
    its own course and loop (alike in sensors of one make), and what the zero leaves; what the columns
    share (ruler, water, gravity) is added before squaring, so it does not average down over the taps.
    Columns calibrated together also share the height that was read, and a certificate does not say how
    much of a column's own part is that: all of it or none of it is taken, whichever gives more. A zero
    that was taken off takes the calibration's offset with it: the row of powers is then ``J(x) - J(x0)``.

    Noise is that of the same sums of readings (:func:`undertray.reduce.uncertainty.mean_scatter`).

    How the suction runs between and beyond the taps is not known. What that leaves is the 95 % bound of what
    the taps miss over all the ways of being uneven that go with their readings
    (:func:`undertray.reduce.tapcover.tap_layout`); rows with other good taps miss what those miss, in the
    same way of being uneven.

    Of a steady stretch each tap is told as well, over the rows with most taps alike; those that were not good
    in them are left out. What lies beside a tap is in the forces, not there.

    The interval is ``sqrt((t(nu) u)^2 + bound^2)``, u of the other sources with the effective degrees of
    freedom nu of Welch and Satterthwaite: those of the scatter for the noise, many for the rest.

    References
    ----------
    JCGM 100:2008 (GUM), equations 13 and G.2b.
    """
    parts = list(loads.parts(rows))
    total = sum(part.rows for part in parts)
    area_m2 = float(load_matrix(car).area_m2.sum())
    cut = [
        _batches(suction.pa, part.matrix.matrix[0] / area_m2, rate_hz, part.chosen, part.taps)
        for part in parts
    ]
    means_pa = [one.mean for one in cut]
    # the noise of most rows, those with the same good taps, is taken for that of all
    most = max(range(len(parts)), key=lambda i: parts[i].rows)
    main = parts[most]
    mean_loads = np.zeros(len(ROWS))
    for part, pa in zip(parts, means_pa, strict=True):
        mean_loads += part.rows / total * part.matrix.matrix @ pa
    functional = _functional(mean_loads, area_m2)
    x_mm, y_mm = (1e3 * mean_loads[3:5] / mean_loads[0]).tolist() if mean_loads[0] > 0 else (None, None)
    means = [*(functional[:6] @ mean_loads).tolist(), x_mm, y_mm]
    known = {name for part in parts for name in part.matrix.taps}
    found = Means(**dict(zip(QUANTITIES, means, strict=True)) | dict.fromkeys(unspanned(car, known)))
    if calibration is None:
        taps_pa = {n: Estimate(pa, None) for n, pa in zip(main.matrix.taps, means_pa[most], strict=True)}
        return MeanUncertainty(found, dict.fromkeys(QUANTITIES), taps_pa=taps_pa)
    columns = Sensitivity(len(QUANTITIES), car, calibration, zero)
    powers = [columns.powers(part, suction.nominal) for part in parts]
    missed: Array = np.zeros((CASES, len(ROWS)))
    force: list[float] = []
    for part, pa, mean_powers in zip(parts, means_pa, powers, strict=True):
        share = part.rows / total
        columns.add(part.taps, share * functional @ part.matrix.matrix, mean_powers)
        felt_pa = float(part.matrix.area_m2 @ pa) / float(part.matrix.area_m2.sum())
        missed += share * felt_pa * tap_layout(car, part.matrix.taps).missed
        force.append(share * abs(felt_pa))
    scatter = _scatter(cut[most], functional @ main.matrix.matrix, steady)
    noise = scatter.standard * np.sqrt(main.rows / total)
    strongest = int(np.argmax(force))  # fans at rest tell nothing of how uneven suction is
    weights, beyond = tap_layout(car, parts[strongest].matrix.taps).alike(means_pa[strongest])
    # by einsum, as the products of layout.py: threads that go round waiting cost more than so small a product
    unseen = beyond * bounds(np.einsum("cr,qr->cq", missed, functional), weights)
    unseen[QUANTITIES.index("suction_pa")] = 0.0  # it is what the taps read
    calibrated2, zero2 = columns.variances()
    u2 = np.stack([calibrated2, zero2, noise**2])
    total2 = u2.sum(axis=0)
    dof = _welch(u2[2:], total2, np.array([scatter.dof]))
    factor = np.array([coverage_factor(nu) for nu in dof.tolist()])
    half = np.hypot(factor * np.sqrt(total2), unseen)
    u95 = {
        name: float(h) if getattr(found, name) is not None else None
        for name, h in zip(QUANTITIES, half, strict=True)
    }
    sources = ("calibration", "zero", "noise", "unseen floor")
    said = []
    if not scatter.batches:
        said.append(f"{main.rows} rows are too few to estimate their noise: it is not in the uncertainty")
    if scatter.slow and u2[2, 0] > u2[:2, 0].sum():
        said.append(
            f"the steady suction changes about as slowly as its {main.rows / rate_hz:.0f} s are long: another"
            " stretch may have another mean; hold the throttle for longer"
        )
    return MeanUncertainty(
        found,
        u95,
        dict(zip(sources, [*np.sqrt(u2[:, 1]).tolist(), float(unseen[1]) / NORMAL], strict=True)),
        scatter.effective_rows * total / main.rows,
        tuple(said),
        _taps(main, cut[most], Sensitivity(len(main.taps), car, calibration, zero), powers[most])
        if steady
        else {},
    )


def _taps(
    part: Part, batches: Batches, columns: Sensitivity, mean_powers: Sequence[Array]
) -> Mapping[str, Estimate]:
    """Mean suction of each tap, with what calibration, zero and noise leave."""
    each = np.eye(len(part.taps))
    columns.add(part.taps, each, mean_powers)
    noise = _scatter(batches, each, steady=True).standard
    half_pa = NORMAL * np.sqrt(sum(columns.variances()) + noise**2)
    told = zip(part.matrix.taps, batches.mean.tolist(), half_pa.tolist(), strict=True)
    return {name: Estimate(pa, u95) for name, pa, u95 in told}


def _functional(mean_loads: Array, area_m2: float) -> Array:
    """Rows that give :data:`QUANTITIES` (the centre: its change) from the rows of a load matrix."""
    at = {name: i for i, name in enumerate(ROWS)}
    out = np.zeros((len(QUANTITIES), len(ROWS)))
    out[0, at["downforce_n"]] = 1 / area_m2
    for i, name in enumerate(QUANTITIES[1:6]):
        out[1 + i, at[name]] = 1.0
    force = mean_loads[0]
    if force > 0:
        for i, name in ((6, "pitch_nm"), (7, "roll_nm")):
            out[i, at[name]] = 1e3 / force
            out[i, 0] = -1e3 * mean_loads[at[name]] / force**2
    return out


def coverage_factor(dof: float) -> float:
    """Coverage factor for 95 %; the degrees of freedom are cut to a whole number (GUM, G.4.1)."""
    if dof > _CLOSE_TO_NORMAL:
        return NORMAL + (NORMAL**3 + NORMAL) / (4 * dof)  # first term of the expansion: to 2e-5
    return _student(int(dof))


@cache
def _student(dof: int) -> float:
    return student_quantile(dof)


def _welch(u2: Array, total2: Array, dof: Array) -> Array:
    """Effective degrees of freedom; many where nothing weak is in."""
    weak = (u2**2 / dof[:, None]).sum(axis=0)
    dof_total = np.divide(total2**2, weak, out=np.full(len(weak), np.inf), where=weak > 0)
    return np.asarray(np.maximum(1.0, dof_total))

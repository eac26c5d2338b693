"""How far off the means of a run may be: every source, every headline number."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.certificate import Calibration
from undertray.calibrate.distributions import student_quantile
from undertray.reduce.car import Car
from undertray.reduce.floor import ROWS, load_matrix
from undertray.reduce.layout import bounds, tap_layout, unspanned
from undertray.reduce.loads import Loads
from undertray.reduce.reading import TapSuction
from undertray.reduce.scatter import mean_scatter
from undertray.reduce.sensitivity import NORMAL, Sensitivity
from undertray.reduce.unevenness import CASES
from undertray.reduce.zero import Zero

__all__ = ["QUANTITIES", "MeanUncertainty", "Means", "mean_uncertainty"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

QUANTITIES = ("suction_pa", "downforce_n", "front_n", "rear_n", "left_n", "right_n", "x_mm", "y_mm")
"""What a mean and an uncertainty are given for: the suction of the taps, what the floor feels, its centre."""
_CLOSE_TO_NORMAL = 200


@dataclass(frozen=True, slots=True)
class Means:
    """Means of some rows of a run, in the units of their names.

    None where there is no force (centre), and where no two taps span it (centre, halves of the floor).
    """

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
    """Means, and half widths of their 95 % intervals.

    Attributes
    ----------
    means : Means
        The means.
    u95 : mapping of str to float or None
        By :data:`QUANTITIES`; None for a run without a calibration and for what is not measured.
    sources_n : mapping of str to float
        Standard uncertainty of the downforce by source, N: ``calibration``, ``zero``, ``noise``,
        ``unseen floor``. Empty without a calibration.
    effective_rows : float
        Independent rows that the noise is worth.
    notices : tuple of str
        What has to be said about them.
    """

    means: Means
    u95: Mapping[str, float | None]
    sources_n: Mapping[str, float] = field(default_factory=dict)
    effective_rows: float = 0.0
    notices: tuple[str, ...] = ()


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

    Noise is that of the same sums of readings (:func:`undertray.reduce.scatter.mean_scatter`).

    How the suction runs between and beyond the taps is not known. What that leaves is the 95 % bound of what
    the taps miss over all the ways of being uneven that go with their readings
    (:func:`undertray.reduce.layout.tap_layout`); rows with other good taps miss what those miss, in the same
    way of being uneven.

    The interval is ``sqrt((t(nu) u)^2 + bound^2)``, u of the other sources with the effective degrees of
    freedom nu of Welch and Satterthwaite: those of the scatter for the noise, many for the rest.

    References
    ----------
    JCGM 100:2008 (GUM), equations 13 and G.2b.
    """
    parts = list(loads.parts(rows))
    total = sum(part.rows for part in parts)
    means_pa = [part.mean(suction.pa) for part in parts]
    mean_loads = np.zeros(len(ROWS))
    for part, pa in zip(parts, means_pa, strict=True):
        mean_loads += part.rows / total * part.matrix.matrix @ pa
    functional = _functional(mean_loads, float(load_matrix(car).area_m2.sum()))
    x_mm, y_mm = (1e3 * mean_loads[3:5] / mean_loads[0]).tolist() if mean_loads[0] > 0 else (None, None)
    means = [*(functional[:6] @ mean_loads).tolist(), x_mm, y_mm]
    known = {name for part in parts for name in part.matrix.taps}
    found = Means(**dict(zip(QUANTITIES, means, strict=True)) | dict.fromkeys(unspanned(car, known)))
    if calibration is None:
        return MeanUncertainty(found, dict.fromkeys(QUANTITIES))
    columns = Sensitivity(len(QUANTITIES), car, calibration, zero)
    missed: Array = np.zeros((CASES, len(ROWS)))
    force: list[float] = []
    for part, pa in zip(parts, means_pa, strict=True):
        share = part.rows / total
        columns.add(part, share * functional @ part.matrix.matrix, suction.nominal)
        felt_pa = float(part.matrix.area_m2 @ pa) / float(part.matrix.area_m2.sum())
        missed += share * felt_pa * tap_layout(car, part.matrix.taps).missed
        force.append(share * abs(felt_pa))
    # the noise of most rows, those with the same good taps, is taken for that of all
    main = max(parts, key=lambda part: part.rows)
    readings, chosen = main.readings(suction.pa)
    scatter = mean_scatter(readings, functional @ main.matrix.matrix, rate_hz, chosen, steady)
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
    factor = np.array([_factor(nu) for nu in dof.tolist()])
    half = np.hypot(factor * np.sqrt(total2), unseen)
    u95 = {
        name: float(h) if getattr(found, name) is not None else None
        for name, h in zip(QUANTITIES, half, strict=True)
    }
    names = ("calibration", "zero", "noise", "unseen floor")
    said = []
    if not scatter.batches:
        said.append(f"{main.rows} rows are too few to tell their noise: it is not in the uncertainty")
    if scatter.slow and u2[2, 0] > u2[:2, 0].sum():
        said.append(
            f"the steady suction changes about as slowly as its {main.rows / rate_hz:.0f} s are long: another"
            " stretch may have another mean; hold the throttle for longer"
        )
    return MeanUncertainty(
        found,
        u95,
        dict(zip(names, [*np.sqrt(u2[:, 1]).tolist(), float(unseen[1]) / NORMAL], strict=True)),
        scatter.effective_rows * total / main.rows,
        tuple(said),
    )


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


def _factor(dof: float) -> float:
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

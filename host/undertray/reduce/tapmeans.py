"""What each tap read in the steady part of a run."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.calibration import Calibration
from undertray.reduce.car import Car
from undertray.reduce.loads import Loads
from undertray.reduce.reading import TapSuction
from undertray.reduce.summary import Estimate
from undertray.reduce.uncertainty import NORMAL, Sensitivity, mean_scatter
from undertray.reduce.zero import Zero

__all__ = ["tap_means"]

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]


def tap_means(
    rows: Bools,
    loads: Loads,
    suction: TapSuction,
    zero: Zero,
    car: Car,
    calibration: Calibration | None,
    rate_hz: float,
) -> Mapping[str, Estimate]:
    """Mean suction of each tap over some steady rows.

    Parameters
    ----------
    rows : ndarray of bool, shape (n,)
        Which rows; all with loads, at least one.
    loads : Loads
        Loads of the run, for which taps were good when.
    suction : TapSuction
        Suctions.
    zero : Zero
        What was done about the zero.
    car : Car
        Its taps.
    calibration : Calibration or None
        The calibration used.
    rate_hz : float
        Sample rate, Hz.

    Returns
    -------
    mapping of str to Estimate
        By the tap's name, in Pa, over the rows with most taps alike; those that were not good in them are
        left out. Without a half width where there is no calibration.

    Notes
    -----
    Calibration, zero and noise as in :func:`undertray.reduce.uncertainty.mean_uncertainty`. It is asked for
    each tap itself: what lies beside it is in the forces, not here.
    """
    part = max(loads.parts(rows), key=lambda one: one.rows)
    means, names = part.mean(suction.pa), [car.taps[i].name for i in part.taps]
    if calibration is None:
        return {name: Estimate(pa, None) for name, pa in zip(names, means.tolist(), strict=True)}
    each = np.eye(len(part.taps))
    columns = Sensitivity(len(part.taps), car, calibration, zero)
    columns.add(part, each, suction.nominal)
    readings, chosen = part.readings(suction.pa)
    noise = mean_scatter(readings, each, rate_hz, chosen, steady=True).standard
    half = NORMAL * np.sqrt(sum(columns.variances()) + noise**2)
    return {
        name: Estimate(pa, u95) for name, pa, u95 in zip(names, means.tolist(), half.tolist(), strict=True)
    }

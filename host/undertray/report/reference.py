"""What the reference skirt gives at a throttle, taken from a good run on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from undertray.errors import ReductionError
from undertray.reduce.steady import run_blocks
from undertray.report.fanpicture import BIN_US, Reference, throttle_bins

if TYPE_CHECKING:
    from undertray.reduce.run import Reduction

__all__ = ["reference_curve"]

Array = NDArray[np.float64]


def reference_curve(reduction: Reduction) -> Reference:
    """Take the reference curve from a run.

    Parameters
    ----------
    reduction : Reduction
        A good run on the reference skirt, steady at one throttle or more (a sweep is best).

    Returns
    -------
    callable
        From throttle in µs, an array of any shape, to suction in Pa; 0 below idle.

    Raises
    ------
    ReductionError
        When the run logged no throttle, or was never steady for a second.

    Notes
    -----
    By the fan laws dp ~ N^2 on a fixed leak, so the square root of suction over throttle is close to a
    straight line. It is taken through idle (no suction) and the run's steady levels, and goes
    on beyond the last one with its last slope. Pack voltage is not taken into account: compare runs
    on packs that are equally full.
    """
    blocks = run_blocks(reduction.series, reduction.events)
    bins = throttle_bins(blocks)
    throttle_us = reduction.series.throttle_us
    if not bins or not np.isfinite(throttle_us).any():
        raise ReductionError(
            "no reference curve can be taken from this run",
            where=reduction.run,
            expected="a throttle that stands still for two seconds, with suction",
            do="choose a run with a sweep or a firm hold",
        )
    idle_us = float(np.nanmin(throttle_us))
    levels = sorted(
        (float(blocks.throttle_us[rows].mean()), float(np.sqrt(max(0.0, np.median(blocks.suction_pa[rows])))))
        for rows in bins.values()
    )
    levels = [level for level in levels if level[0] > idle_us + BIN_US] or levels
    at_us = np.array([min(idle_us, levels[0][0] - BIN_US), *(u for u, _ in levels)])
    root = np.array([0.0, *(r for _, r in levels)])
    last = (root[-1] - root[-2]) / (at_us[-1] - at_us[-2])

    def curve(asked_us: Array) -> Array:
        beyond = np.maximum(asked_us - at_us[-1], 0.0) * max(last, 0.0)
        suction: Array = (np.interp(asked_us, at_us, root) + beyond) ** 2
        return np.where(np.isfinite(asked_us), suction, np.nan)

    return curve

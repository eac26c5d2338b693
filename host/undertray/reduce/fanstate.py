"""The fans and the seal of one run: lag, seal index, equivalent leak."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.car import Car
from undertray.reduce.dwells import FanLag, fan_lag
from undertray.reduce.fan import FanReference
from undertray.reduce.leakage import fan_speed, leak_area_m2, leak_notices
from undertray.reduce.loss import Loss
from undertray.reduce.series import Series
from undertray.reduce.steady import Blocks

__all__ = ["FanState", "SealIndexSpread", "fan_state", "seal_index"]

Array = NDArray[np.float64]

_LEAST_PA = 50.0


@dataclass(frozen=True, slots=True)
class SealIndexSpread:
    """The seal index of a run where the throttle stood still: 1 is as good as the reference."""

    median: float
    least: float
    last: float


@dataclass(frozen=True, slots=True)
class FanState:
    """What a run tells of fans and seal.

    Attributes
    ----------
    lag : FanLag
        How the fans follow the throttle.
    seal_index : SealIndexSpread or None
        None without a reference, or where the throttle never stood still.
    leak_mm2 : float or None
        Median area of the sharp-edged opening that leaks as the seal does, over the steady parts, mm2; None
        without a fan curve, or where it does not reach.
    notices : tuple of str
        What that area does not rest on.
    """

    lag: FanLag
    seal_index: SealIndexSpread | None
    leak_mm2: float | None
    notices: tuple[str, ...]


def seal_index(blocks: Blocks, reference: FanReference) -> Array:
    """Suction over what the reference gives, block by block.

    Parameters
    ----------
    blocks : Blocks
        The run.
    reference : FanReference
        The car on its good seal.

    Returns
    -------
    ndarray, shape (k,)
        NaN where the throttle was not still (the fans are still following it) or asks for less than
        50 Pa, where a ratio says nothing.

    Notes
    -----
    By the fan laws dp/N^2 is constant on a fixed leak: the index falls when a leak opens, and not when the
    throttle or the pack falls.
    """
    expected = reference.suction_pa(blocks.throttle_us, blocks.pack_mv)
    good = blocks.still & (np.nan_to_num(expected) > _LEAST_PA)
    return np.where(good, blocks.suction_pa / np.where(good, expected, np.nan), np.nan)


def fan_state(
    series: Series, events: Sequence[Loss], blocks: Blocks, car: Car, reference: FanReference | None
) -> FanState:
    """Work out the state of fans and seal.

    Parameters
    ----------
    series : Series
        The run over time.
    events : sequence of Loss
        What happened in it.
    blocks : Blocks
        The same run in blocks.
    car : Car
        The car.
    reference : FanReference or None
        The car on its good seal.

    Returns
    -------
    FanState
    """
    spread = None
    if reference is not None:
        index = seal_index(blocks, reference)
        index = index[np.isfinite(index)]
        if len(index):
            spread = SealIndexSpread(float(np.median(index)), float(index.min()), float(index[-1]))
    steady = blocks.steady & np.isfinite(blocks.throttle_us)
    pack_mv = blocks.pack_mv[steady]
    speed = fan_speed(car, blocks.throttle_us[steady], pack_mv, reference)
    area = leak_area_m2(car, blocks.suction_pa[steady], speed)
    notices = leak_notices(car, bool(np.isfinite(pack_mv).any()), area)
    area = area[np.isfinite(area)]
    leak_mm2 = 1e6 * float(np.median(area)) if len(area) else None
    return FanState(fan_lag(series, events), spread, leak_mm2, notices)

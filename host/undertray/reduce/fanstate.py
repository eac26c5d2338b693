"""The fans and the seal of one run: lag, seal index, equivalent leak."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.car import Car
from undertray.reduce.dwells import FanLag, fan_lag
from undertray.reduce.fan import FanReference
from undertray.reduce.leakage import fan_speed, leak_area_m2, leak_notices
from undertray.reduce.loss import Loss
from undertray.reduce.series import Series
from undertray.reduce.steady import Blocks

__all__ = ["FanState", "SealIndexSpread", "fan_state", "seal_index", "with_doubt"]

Array = NDArray[np.float64]

_LEAST_PA = 50.0
_NORMAL = 1.959964
_SHARP, _CURVE = 0.01 / 0.61, 0.1


@dataclass(frozen=True, slots=True)
class SealIndexSpread:
    """The seal index of a run where the throttle stood still: 1 is as good as the reference.

    Attributes
    ----------
    median, least, last : float
        Of its blocks.
    u95 : float or None
        Half width of the 95 % interval of the median; None without a calibration.
    """

    median: float
    least: float
    last: float
    u95: float | None = None


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
    leak_u95_mm2 : float or None
        Half width of its 95 % interval; None without a calibration.
    """

    lag: FanLag
    seal_index: SealIndexSpread | None
    leak_mm2: float | None
    notices: tuple[str, ...]
    leak_u95_mm2: float | None = None


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


def with_doubt(
    found: FanState,
    blocks: Blocks,
    car: Car,
    reference: FanReference | None,
    suction_pa: float,
    u95_pa: float | None,
) -> FanState:
    """Give seal index and leak area their uncertainty.

    Parameters
    ----------
    found : FanState
        As :func:`fan_state` found it.
    blocks : Blocks
        The run in blocks.
    car : Car
        The car, for its fans.
    reference : FanReference or None
        The car on its good seal.
    suction_pa : float
        Mean suction of the steady part, Pa.
    u95_pa : float or None
        Half width of its 95 % interval.

    Returns
    -------
    FanState

    Notes
    -----
    The index is a ratio of two suctions: that of this run has its own uncertainty; the reference's is
    taken as large, and the misfit of its dwells, a standard deviation, comes on top. The area ``A =
    Q(p)/(Cd sqrt(2 p/rho))`` has that of the suction, by which the curve is read (by differences of 2
    %), a tenth of the flow for a maker's curve (common practice, no source), and 0.01 of the 0.61 of a
    sharp edge (handbooks give 0.60 to 0.62), rectangles both.
    """
    if u95_pa is None or suction_pa <= 0:
        return found
    own = u95_pa / suction_pa
    index, leak = found.seal_index, found.leak_mm2
    if index is not None and reference is not None:
        share = np.sqrt(2 * own**2 + (_NORMAL * reference.misfit) ** 2)
        index = replace(index, u95=float(index.median * share))
    leak_u95 = None
    if leak is not None:
        sharp, curve = _NORMAL * _SHARP / 3**0.5, _NORMAL * _CURVE / 3**0.5
        share = np.sqrt((_steepness(blocks, car, reference) * own) ** 2 + sharp**2 + curve**2)
        leak_u95 = float(leak * share) if np.isfinite(share) else None
    return replace(found, seal_index=index, leak_u95_mm2=leak_u95)


def _steepness(blocks: Blocks, car: Car, reference: FanReference | None) -> float:
    """How many per cent the leak area changes with one per cent of suction; NaN beyond the curve."""
    steady = blocks.steady & np.isfinite(blocks.throttle_us)
    speed = fan_speed(car, blocks.throttle_us[steady], blocks.pack_mv[steady], reference)
    ends = [leak_area_m2(car, side * blocks.suction_pa[steady], speed) for side in (0.98, 1.02)]
    change = np.log(ends[0] / ends[1]) / np.log(1.02 / 0.98)
    change = change[np.isfinite(change)]
    return float(np.median(change)) if len(change) else float("nan")

"""The leak behind a suction: flow through openings, and the area of the one that leaks as much."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from undertray.calibrate.distributions import NORMAL
from undertray.errors import ReductionError
from undertray.quantiles import middle
from undertray.reduce.car import Car
from undertray.reduce.fan import FanLag, FanReference, fan_lag
from undertray.reduce.loss import Loss
from undertray.reduce.series import Series
from undertray.reduce.steady import Blocks

__all__ = [
    "AIR_KG_M3",
    "FanState",
    "LeakLaw",
    "SealIndexSpread",
    "fan_flow_m3_s",
    "fan_speed",
    "fan_state",
    "fit_leak",
    "leak_area_m2",
    "leak_notices",
    "orifice_flow_m3_s",
    "seal_index",
    "with_doubt",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

AIR_KG_M3 = 1.2
"""Density of air at about 20 degC near sea level. 5 % either way is 2.5 % of a leak area."""


def orifice_flow_m3_s(
    area_m2: ArrayLike, suction_pa: ArrayLike, discharge: float = 0.61, density_kg_m3: float = AIR_KG_M3
) -> Array:
    """Flow through a sharp-edged opening."""
    flow = discharge * np.asarray(area_m2, float) * np.sqrt(2 * np.asarray(suction_pa, float) / density_kg_m3)
    return np.asarray(flow)


def fan_speed(
    car: Car, throttle_us: ArrayLike, pack_mv: ArrayLike, reference: FanReference | None = None
) -> Array:
    """Fan speed over that of the fans' curve.

    Parameters
    ----------
    car : Car
        With the throttle and the pack voltage that the curve holds at.
    throttle_us, pack_mv : array, any shape
        Pulse width, µs, and pack voltage, mV; NaN where the voltage was not measured.
    reference : FanReference or None
        How the fans follow the throttle; in proportion above the car's idle where there is none.

    Returns
    -------
    ndarray
        0 at idle; 1 at full throttle on a pack as that of the curve.

    Notes
    -----
    ``r = ((u - idle)/(full - idle))^(n/2) V/V_curve``, n = 2 without a reference: on one leak the suction
    goes with r^2, and by a reference with the nth power of the throttle above its idle. What a controller
    gives a motor is a share of the pack's voltage, and the speed goes with it. Where either voltage is not
    known they are taken as the same.
    """
    idle_us, exponent = (
        (car.fan_idle_us, 2.0) if reference is None else (reference.idle_us, reference.exponent)
    )
    share = np.maximum(np.asarray(throttle_us, float) - idle_us, 0.0) / max(car.fan_full_us - idle_us, 1.0)
    share = share ** (exponent / 2)
    if car.fan_pack_mv is None:
        return np.asarray(share)
    return np.asarray(share * np.nan_to_num(np.asarray(pack_mv, float) / car.fan_pack_mv, nan=1.0))


def fan_flow_m3_s(car: Car, suction_pa: ArrayLike, *speeds: ArrayLike) -> Array:
    """What the car's fans move.

    Parameters
    ----------
    car : Car
        With the fans' curve at full speed.
    suction_pa : array, any shape
        Suction under the car, Pa.
    *speeds : array, any shape
        Fan speed over that of the curve: one for all fans, or one for each of two.

    Returns
    -------
    ndarray
        m3/s; NaN beyond the ends of the curve of any fan, at a speed of 0, and without a curve.

    Notes
    -----
    By the fan laws, flow goes with the speed and pressure with its square: ``Q = r Q_c(dp/r^2)``. The curve
    is that of all fans together; each of two moves half of it, and the flows add.
    """
    flows = [_alike_m3_s(car, suction_pa, speed) for speed in speeds]
    return np.asarray(sum(flows) / len(flows))


def _alike_m3_s(car: Car, suction_pa: ArrayLike, speed: ArrayLike) -> Array:
    pa, r = np.broadcast_arrays(np.asarray(suction_pa, float), np.asarray(speed, float))
    out = np.full(pa.shape, np.nan)
    if len(car.fan_curve) < 2:
        return out
    curve_pa, curve_m3_s = np.array(car.fan_curve).T
    at = np.divide(pa, r * r, out=np.full(pa.shape, np.nan), where=r > 0)
    within = (at >= curve_pa[0]) & (at <= curve_pa[-1])
    out[within] = r[within] * np.interp(at[within], curve_pa, curve_m3_s)
    return out


def leak_area_m2(car: Car, suction_pa: ArrayLike, *speeds: ArrayLike) -> Array:
    """Area of the sharp-edged opening that leaks as the seal does.

    Parameters
    ----------
    car : Car
        With the fans' curve and the discharge number.
    suction_pa : array, any shape
        Suction under the car, Pa.
    *speeds : array, any shape
        As for :func:`fan_flow_m3_s`.

    Returns
    -------
    ndarray
        m2; NaN where the flow is not known or nothing is sucked.

    Notes
    -----
    The flow of the fans goes through ``A = Q/(Cd sqrt(2 dp/rho))``.
    """
    pa = np.asarray(suction_pa, float)
    with np.errstate(divide="ignore", invalid="ignore"):
        area = fan_flow_m3_s(car, pa, *speeds) / orifice_flow_m3_s(
            1.0, np.where(pa > 0, pa, np.nan), car.discharge
        )
    return np.asarray(area)


def leak_notices(car: Car, pack_measured: bool, area_m2: Array) -> tuple[str, ...]:
    """Say what a leak area does not rest on."""
    if not car.fan_curve or not len(area_m2):
        return ()
    if not np.isfinite(area_m2).any():
        most_pa = car.fan_curve[-1][0]
        return (
            f"the fan curve ends at {most_pa:.0f} Pa at full throttle and does not reach what was measured: "
            "no leak area is told",
        )
    if car.fan_pack_mv is None and pack_measured:
        return ("[fan] in the car file has no 'pack': the leak area is as if the curve were of this pack",)
    if car.fan_pack_mv is not None and not pack_measured:
        volts = car.fan_pack_mv / 1000
        return (f"no pack voltage in the log: the leak area is as if the pack had the curve's {volts:g} V",)
    return ()


@dataclass(frozen=True, slots=True)
class LeakLaw:
    """Flow through a leak, ``Q = C dp^n``."""

    coefficient: float
    exponent: float

    def area_m2(
        self, reference_pa: float = 4.0, discharge: float = 1.0, density_kg_m3: float = 1.2041
    ) -> float:
        """Effective leakage area at a reference pressure.

        Parameters
        ----------
        reference_pa : float
            4 Pa with a discharge number of 1 is the usual pair for buildings, 10 Pa with 0.611 another.
        discharge : float
            Discharge number of the opening.
        density_kg_m3 : float
            Of the air.

        Returns
        -------
        float
            m2.

        Notes
        -----
        ``A = C dp^(n - 1/2) sqrt(rho/2)/Cd``.

        References
        ----------
        ASTM E779; ISO 9972; ASHRAE Handbook, Fundamentals, ventilation and infiltration.
        """
        return float(
            self.coefficient * reference_pa ** (self.exponent - 0.5) * np.sqrt(density_kg_m3 / 2) / discharge
        )


def fit_leak(flow_m3_s: ArrayLike, suction_pa: ArrayLike) -> LeakLaw:
    """Fit a leak law through flows at several suctions.

    Parameters
    ----------
    flow_m3_s, suction_pa : array, shape (k,)
        Flow in m3/s and suction in Pa, above 0; three or more.

    Returns
    -------
    LeakLaw

    Raises
    ------
    ReductionError
        When there are fewer than three, or they do not differ.

    Notes
    -----
    A straight line through the logarithms, as ASTM E779 fits it.
    """
    flow, pa = np.asarray(flow_m3_s, float), np.asarray(suction_pa, float)
    if len(flow) < 3 or not (flow > 0).all() or not (pa > 0).all() or np.ptp(np.log(pa)) < 0.05:
        raise ReductionError(
            "too few flows for a leak law",
            seen=len(flow),
            expected="3 or more, at different suctions above 0",
        )
    x, y = np.log(pa), np.log(flow)
    exponent = float((x - x.mean()) @ (y - y.mean()) / ((x - x.mean()) @ (x - x.mean())))
    return LeakLaw(float(np.exp(y.mean() - exponent * x.mean())), exponent)


# The fans and the seal of one run: lag, seal index, equivalent leak.

_LEAST_PA = 50.0
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
    expected = reference.driven_pa(blocks.drives())
    good = blocks.still & (np.nan_to_num(expected) > _LEAST_PA)
    return np.where(good, blocks.suction_pa / np.where(good, expected, np.nan), np.nan)


def fan_state(
    series: Series, events: Sequence[Loss], blocks: Blocks, car: Car, reference: FanReference | None
) -> FanState:
    """Work out the state of fans and seal."""
    spread = None
    if reference is not None:
        index = seal_index(blocks, reference)
        index = index[np.isfinite(index)]
        if len(index):
            spread = SealIndexSpread(middle(index), float(index.min()), float(index[-1]))
    steady = blocks.steady & np.isfinite(blocks.throttle_us)
    area = leak_area_m2(car, blocks.suction_pa[steady], *_speeds(blocks, steady, car, reference))
    notices = leak_notices(car, bool(np.isfinite(blocks.pack_mv[steady]).any()), area)
    area = area[np.isfinite(area)]
    leak_mm2 = 1e6 * middle(area) if len(area) else None
    return FanState(fan_lag(series, events), spread, leak_mm2, notices)


def _speeds(blocks: Blocks, some: Mask, car: Car, reference: FanReference | None) -> list[Array]:
    return [fan_speed(car, one.throttle_us[some], one.pack_mv[some], reference) for one in blocks.drives()]


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
        share = np.sqrt(2 * own**2 + (NORMAL * reference.misfit) ** 2)
        index = replace(index, u95=float(index.median * share))
    leak_u95 = None
    if leak is not None:
        sharp, curve = NORMAL * _SHARP / 3**0.5, NORMAL * _CURVE / 3**0.5
        share = np.sqrt((_steepness(blocks, car, reference) * own) ** 2 + sharp**2 + curve**2)
        leak_u95 = float(leak * share) if np.isfinite(share) else None
    return replace(found, seal_index=index, leak_u95_mm2=leak_u95)


def _steepness(blocks: Blocks, car: Car, reference: FanReference | None) -> float:
    """How many per cent the leak area changes with one per cent of suction; NaN beyond the curve."""
    steady = blocks.steady & np.isfinite(blocks.throttle_us)
    speeds = _speeds(blocks, steady, car, reference)
    ends = [leak_area_m2(car, side * blocks.suction_pa[steady], *speeds) for side in (0.98, 1.02)]
    change = np.log(ends[0] / ends[1]) / np.log(1.02 / 0.98)
    change = change[np.isfinite(change)]
    return middle(change) if len(change) else float("nan")

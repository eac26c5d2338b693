"""The leak behind a suction: flow through openings, and the area of the one that leaks as much."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from undertray.errors import ReductionError
from undertray.reduce.car import Car
from undertray.reduce.fan import FanReference

__all__ = [
    "AIR_KG_M3",
    "LeakLaw",
    "fan_flow_m3_s",
    "fan_speed",
    "fit_leak",
    "leak_area_m2",
    "leak_notices",
    "orifice_flow_m3_s",
]

Array = NDArray[np.float64]

AIR_KG_M3 = 1.2
"""Density of air at about 20 degC near sea level. 5 % either way is 2.5 % of a leak area."""


def orifice_flow_m3_s(
    area_m2: ArrayLike, suction_pa: ArrayLike, discharge: float = 0.61, density_kg_m3: float = AIR_KG_M3
) -> Array:
    """Flow through a sharp-edged opening.

    Parameters
    ----------
    area_m2, suction_pa : array, any shape
        Area in m2 and pressure difference in Pa, 0 and up.
    discharge : float
        Discharge number: 0.60 to 0.62 for a sharp edge (pi/(pi + 2) = 0.611 for a free jet from a slit).
    density_kg_m3 : float
        Of the air.

    Returns
    -------
    ndarray
        m3/s: ``Q = Cd A sqrt(2 dp/rho)``.
    """
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


def fan_flow_m3_s(car: Car, suction_pa: ArrayLike, speed: ArrayLike) -> Array:
    """What the car's fans move.

    Parameters
    ----------
    car : Car
        With the fans' curve at full speed.
    suction_pa : array, any shape
        Suction under the car, Pa.
    speed : array, any shape
        Fan speed over that of the curve.

    Returns
    -------
    ndarray
        m3/s; NaN beyond the ends of the curve, at a speed of 0, and without a curve.

    Notes
    -----
    By the fan laws, flow goes with the speed and pressure with its square: ``Q = r Q_c(dp/r^2)``.
    """
    pa, r = np.broadcast_arrays(np.asarray(suction_pa, float), np.asarray(speed, float))
    out = np.full(pa.shape, np.nan)
    if len(car.fan_curve) < 2:
        return out
    curve_pa, curve_m3_s = np.array(car.fan_curve).T
    at = np.divide(pa, r * r, out=np.full(pa.shape, np.nan), where=r > 0)
    within = (at >= curve_pa[0]) & (at <= curve_pa[-1])
    out[within] = r[within] * np.interp(at[within], curve_pa, curve_m3_s)
    return out


def leak_area_m2(car: Car, suction_pa: ArrayLike, speed: ArrayLike) -> Array:
    """Area of the sharp-edged opening that leaks as the seal does.

    Parameters
    ----------
    car : Car
        With the fans' curve and the discharge number.
    suction_pa, speed : array, any shape
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
        area = fan_flow_m3_s(car, pa, speed) / orifice_flow_m3_s(
            1.0, np.where(pa > 0, pa, np.nan), car.discharge
        )
    return np.asarray(area)


def leak_notices(car: Car, pack_measured: bool, area_m2: Array) -> tuple[str, ...]:
    """Say what a leak area does not rest on.

    Parameters
    ----------
    car : Car
        The car.
    pack_measured : bool
        Whether the board measured the pack.
    area_m2 : ndarray
        What :func:`leak_area_m2` found while the throttle stood still.

    Returns
    -------
    tuple of str
        Plain sentences; none without a fan curve.
    """
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
    """Flow through a leak, ``Q = C dp^n``.

    Attributes
    ----------
    coefficient : float
        C, m3/s at 1 Pa.
    exponent : float
        n: 0.5 for sharp edges, 1 for narrow smooth gaps.
    """

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

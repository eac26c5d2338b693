"""A height of water, read on a ruler, as a pressure.

A column height is not the unit inH2O: it goes through the density of the water at its
temperature, the air it displaces and the local gravity, and comes out up to 0.4 % below
what the conventional unit would give.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.column import Conditions
from undertray.errors import CalibrationError

__all__ = ["column_pressure_pa"]

Height = TypeVar("Height", float, NDArray[np.float64])


def column_pressure_pa(
    height_mm: Height,
    water_c: float,
    latitude_deg: float = 45,
    height_m: float = 0,
) -> Height:
    """Pressure of a water column in air.

    Parameters
    ----------
    height_mm : float or ndarray of float64, any shape
        Vertical height difference of the two menisci, mm. Its sign is kept.
    water_c : float
        Temperature of the water (and of the air beside it), degrees Celsius, 0 to 40.
    latitude_deg : float
        Geodetic latitude, degrees (45 if left out).
    height_m : float
        Height above the sea, m (0 if left out).

    Returns
    -------
    float or ndarray of float64
        Pressure difference, Pa, in the shape of ``height_mm``.

    Raises
    ------
    CalibrationError
        When a height is no finite number, or a condition is out of its range.

    Notes
    -----
    ``P = (rho_water - rho_air) g h``. The air is taken at the water's temperature, 50 %
    relative humidity and the standard atmosphere's pressure at ``height_m``; together these
    can be wrong by some 5 % of the air's density, which is 6e-5 of the result.

    References
    ----------
    Tanaka 2001 for the water, CIPM-2007 for the air, WGS 84 for gravity; see
    :func:`undertray.calibrate.fluid.water_density_kg_m3`,
    :func:`undertray.calibrate.air.air_density_kg_m3` and
    :func:`undertray.calibrate.gravity.normal_gravity_m_s2`.
    """
    if not np.all(np.isfinite(height_mm)):
        raise CalibrationError("no finite column height", seen=height_mm, expected="mm")
    return height_mm * Conditions(water_c, latitude_deg, height_m).pa_per_mm

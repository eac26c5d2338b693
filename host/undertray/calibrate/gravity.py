"""Local acceleration of free fall from latitude and height."""

from __future__ import annotations

import math

from undertray.errors import CalibrationError

__all__ = ["normal_gravity_m_s2"]

# WGS 84, NIMA TR8350.2 (3rd edition), tables 3.1, 3.3 and 3.4
_G_EQUATOR_M_S2 = 9.7803253359
_K = 0.00193185265241
_E2 = 0.00669437999013
_A_M = 6378137.0
_F = 1 / 298.257223563
_M = 0.00344978650684


def normal_gravity_m_s2(latitude_deg: float, height_m: float = 0.0) -> float:
    """Acceleration of free fall of the WGS 84 reference ellipsoid.

    Parameters
    ----------
    latitude_deg : float
        Geodetic latitude, degrees, -90 to 90; north and south are alike.
    height_m : float
        Height above the sea, m, -500 to 9000.

    Returns
    -------
    float
        Normal gravity, m/s2.

    Raises
    ------
    CalibrationError
        When latitude or height is outside its range or no finite number.

    Notes
    -----
    With s = sin(latitude): ``g0 = ge (1 + k s^2) / sqrt(1 - e^2 s^2)`` and
    ``g(h) = g0 [1 - 2 h/a (1 + f + m - 2 f s^2) + 3 (h/a)^2]``. Real gravity differs from it
    by some tens of parts per million, near mountains by up to some 100 (from memory, no
    source at hand): the uncertainty budget carries that.

    References
    ----------
    NIMA TR8350.2, Department of Defense World Geodetic System 1984, 3rd edition (2000),
    equations 4-1 and 4-3.
    """
    if not -90 <= latitude_deg <= 90:
        raise CalibrationError(
            "no latitude on Earth",
            seen=latitude_deg,
            expected="degrees from -90 to 90",
            do="check --latitude",
        )
    if not -500 <= height_m <= 9000:
        raise CalibrationError(
            "height above the sea out of range",
            seen=height_m,
            expected="m from -500 to 9000",
            do="check --height-m",
        )
    s2 = math.sin(math.radians(latitude_deg)) ** 2
    at_sea = _G_EQUATOR_M_S2 * (1 + _K * s2) / math.sqrt(1 - _E2 * s2)
    ratio = height_m / _A_M
    return at_sea * (1 - 2 * ratio * (1 + _F + _M - 2 * _F * s2) + 3 * ratio**2)

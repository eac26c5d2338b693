"""Density of moist air, and the pressure to expect at a height."""

from __future__ import annotations

import math

from undertray.errors import CalibrationError

__all__ = ["air_density_kg_m3", "standard_pressure_pa"]

_R = 8.314472  # J/(mol K), the value CIPM-2007 was written with
_M_VAPOUR = 18.01528e-3  # kg/mol
_M_DRY = 28.96546e-3  # kg/mol at 400 umol/mol of carbon dioxide


def air_density_kg_m3(
    pressure_pa: float = 101325.0, temperature_c: float = 20.0, humidity: float = 0.5
) -> float:
    """Density of moist air by the CIPM-2007 formula.

    Parameters
    ----------
    pressure_pa : float
        Air pressure, Pa, 30 000 to 110 000.
    temperature_c : float
        Air temperature, degrees Celsius, 0 to 40.
    humidity : float
        Relative humidity, 0 to 1.

    Returns
    -------
    float
        Density, kg/m3.

    Raises
    ------
    CalibrationError
        When an input is outside its range or no finite number.

    Notes
    -----
    ``rho = p Ma / (Z R T) [1 - xv (1 - Mv/Ma)]`` with the mole fraction of vapour
    ``xv = h f psv / p``, for 400 umol/mol of carbon dioxide. The authors give 22 ppm for
    600 to 1100 hPa and 15 to 27 degC. Beyond that it is an extrapolation, good enough
    here: the air is 0.12 % of a water column's pressure.

    References
    ----------
    A. Picard, R. S. Davis, M. Glaeser, K. Fujii, "Revised formula for the density of moist
    air (CIPM-2007)", Metrologia 45 (2008) 149-155, equations 1 and 2 and appendix A1.
    """
    for name, value, low, high in (
        ("air pressure in Pa", pressure_pa, 30e3, 110e3),
        ("air temperature in degC", temperature_c, 0, 40),
        ("relative humidity", humidity, 0, 1),
    ):
        if not low <= value <= high:
            raise CalibrationError(f"{name} out of range", seen=value, expected=f"{low:g} to {high:g}")
    t, kelvin, p = temperature_c, temperature_c + 273.15, pressure_pa
    saturation_pa = math.exp(
        1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin
    )
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    x = humidity * enhancement * saturation_pa / p
    ratio = p / kelvin
    compressibility = (
        1
        - ratio
        * (
            1.58123e-6
            - 2.9331e-8 * t
            + 1.1043e-10 * t**2
            + (5.707e-6 - 2.051e-8 * t) * x
            + (1.9898e-4 - 2.376e-6 * t) * x**2
        )
        + ratio**2 * (1.83e-11 - 0.765e-8 * x**2)
    )
    return p * _M_DRY / (compressibility * _R * kelvin) * (1 - x * (1 - _M_VAPOUR / _M_DRY))


def standard_pressure_pa(height_m: float) -> float:
    """Air pressure of the standard atmosphere at a height.

    Parameters
    ----------
    height_m : float
        Height above the sea, m, -500 to 9000.

    Returns
    -------
    float
        Pressure, Pa.

    Raises
    ------
    CalibrationError
        When the height is outside its range or no finite number.

    Notes
    -----
    ``p = 101325 (1 - 0.0065 h / 288.15)^5.25588``, the layer below 11 km. Weather moves the
    real pressure by some per cent, which is some 1e-5 of a water column's pressure.

    References
    ----------
    ISO 2533:1975, Standard Atmosphere, clause 2 (constants and the barometric formula).
    """
    if not -500 <= height_m <= 9000:
        raise CalibrationError(
            "height above the sea out of range", seen=height_m, expected="m from -500 to 9000"
        )
    return 101325.0 * math.pow(1 - 0.0065 * height_m / 288.15, 5.25588)

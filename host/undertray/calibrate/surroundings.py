"""What surrounds a column: gravity, the air beside it, and the liquid in the tube."""

from __future__ import annotations

import math
from dataclasses import dataclass

from undertray.errors import CalibrationError

__all__ = [
    "WATER",
    "Fluid",
    "air_density_kg_m3",
    "normal_gravity_m_s2",
    "standard_pressure_pa",
    "water_density_kg_m3",
]


# Local acceleration of free fall from latitude and height.

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

    Examples
    --------
    >>> round(normal_gravity_m_s2(45), 5)
    9.8062
    """
    if not -90 <= latitude_deg <= 90:
        raise CalibrationError(
            "not a latitude on Earth",
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


# Density of moist air, and the pressure to expect at a height.

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

    Examples
    --------
    >>> round(air_density_kg_m3(101325, 20, 0.5), 4)
    1.1993
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

    Examples
    --------
    >>> round(standard_pressure_pa(1000))
    89875
    """
    if not -500 <= height_m <= 9000:
        raise CalibrationError(
            "height above the sea out of range", seen=height_m, expected="m from -500 to 9000"
        )
    return 101325.0 * math.pow(1 - 0.0065 * height_m / 288.15, 5.25588)


def water_density_kg_m3(water_c: float) -> float:
    """Density of pure water without dissolved air, at 101 325 Pa.

    Parameters
    ----------
    water_c : float
        Water temperature, degrees Celsius (ITS-90), 0 to 40.

    Returns
    -------
    float
        Density, kg/m3.

    Raises
    ------
    CalibrationError
        When the temperature is outside 0 to 40 or no finite number.

    Notes
    -----
    ``rho = a5 [1 - (t + a1)^2 (t + a2) / (a3 (t + a4))]``. Dissolved air lowers it by
    2.5 ppm at 20 degC; a 10 kPa higher pressure raises it by 5 ppm; tap water with 0.5 g/kg
    of salts is 0.04 % denser; 100 ppm by mass of a dye change it by 0.01 % at the very most.

    References
    ----------
    M. Tanaka, G. Girard, R. Davis, A. Peuto, N. Bignell, "Recommended table for the density
    of water between 0 degC and 40 degC", Metrologia 38 (2001) 301-309, equation 1.

    Examples
    --------
    >>> round(water_density_kg_m3(20), 3)
    998.207
    """
    if not 0 <= water_c <= 40:
        raise CalibrationError(
            "water temperature out of range",
            seen=water_c,
            expected="degrees Celsius from 0 to 40",
            do="measure the water in the tube and give its temperature",
        )
    t = water_c
    return 999.974950 * (1 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


@dataclass(frozen=True, slots=True)
class Fluid:
    """A liquid for a column."""

    name: str = "water"
    density_kg_m3: float | None = None
    reference_c: float = 20.0
    expansion_per_k: float = 0.0
    density_half_width: float = 5e-4

    def __post_init__(self) -> None:
        if self.density_kg_m3 is not None and not 500 <= self.density_kg_m3 <= 14000:
            raise CalibrationError(
                "density of the liquid out of range",
                seen=self.density_kg_m3,
                expected="kg/m3 from 500 to 14000",
                do="give grams per litre, not grams per cubic centimetre",
            )
        if not 0 <= self.density_half_width <= 0.1:
            raise CalibrationError(
                "doubt of the liquid's density out of range",
                seen=self.density_half_width,
                expected="0 to 0.1",
            )
        if not 0 <= self.expansion_per_k <= 0.01:
            raise CalibrationError(
                "expansion of the liquid out of range", seen=self.expansion_per_k, expected="0 to 0.01 per K"
            )

    def density_at(self, fluid_c: float) -> float:
        """Density at a temperature.

        Parameters
        ----------
        fluid_c : float
            Temperature of the liquid, degrees Celsius, 0 to 40.

        Returns
        -------
        float
            Density, kg/m3.

        Raises
        ------
        CalibrationError
            When the temperature is outside 0 to 40 or no finite number.

        Notes
        -----
        Water by :func:`water_density_kg_m3`; any other liquid linearly,
        ``rho = rho_ref [1 - beta (t - t_ref)]``.
        """
        if self.density_kg_m3 is None:
            return water_density_kg_m3(fluid_c)
        if not 0 <= fluid_c <= 40:
            raise CalibrationError(
                f"temperature of the {self.name} out of range",
                seen=fluid_c,
                expected="degrees Celsius, 0 to 40",
            )
        return self.density_kg_m3 * (1 - self.expansion_per_k * (fluid_c - self.reference_c))


WATER = Fluid()
"""Water, its density by Tanaka 2001."""

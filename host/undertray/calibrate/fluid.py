"""The liquid in the tube: its density and how surely that is known."""

from __future__ import annotations

from dataclasses import dataclass

from undertray.errors import CalibrationError

__all__ = ["WATER", "Fluid", "water_density_kg_m3"]


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
    """A liquid for a column.

    Attributes
    ----------
    name : str
        What the certificate calls it.
    density_kg_m3 : float or None
        Density at ``reference_c``, 500 to 14000; None for water, which has its own formula.
    reference_c : float
        Temperature at which that density holds, degrees Celsius.
    expansion_per_k : float
        Relative loss of density per kelvin (1e-3 is usual for light oils and alcohols:
        common practice, no source).
    density_half_width : float
        Relative half width within which the density is known. The default covers salts in tap
        water (0.5 g/kg is +0.04 %) and a dye (100 ppm by mass is 0.01 % at most).
    """

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

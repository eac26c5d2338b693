"""What can be wrong with a column's pressure, source by source."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.column import Conditions, Tube
from undertray.errors import CalibrationError

__all__ = ["Budget"]

Array = NDArray[np.float64]
_RECTANGULAR = 1 / math.sqrt(3)


@dataclass(frozen=True, slots=True)
class Budget:
    """Half widths within which each input of the column is taken to lie.

    Each stands for a rectangular distribution: standard uncertainty = half width / sqrt(3).
    The reading is new at every point; all others are wrong by the same amount all along one
    calibration, so more points do not average them down.

    Attributes
    ----------
    reading_mm : float
        Reading of one meniscus, mm. Half a millimetre by eye is one text's advice for
        manometers, else common practice, no source.
    zero_mm : float
        Zero mark of the column, mm of reading.
    ruler : float
        Length of the ruler, relative (half a millimetre in a metre if left out).
    temperature_k : float
        Temperature of the liquid, K.
    air : float
        Density of the air, relative.
    gravity : float
        Acceleration of free fall, relative (100 ppm if left out: the formula against the real
        field, from memory).
    tilt_deg : float
        Angle of the tube against the one stated, degrees.
    sensor_pa : float
        *Standard* uncertainty of one steady reading of the sensor, Pa: noise left in the mean,
        and resolution.

    References
    ----------
    JCGM 100:2008 (GUM), 4.3.7 (rectangular distribution) and F.1.2.3 (shared inputs).
    """

    reading_mm: float = 0.5
    zero_mm: float = 0.5
    ruler: float = 5e-4
    temperature_k: float = 1.0
    air: float = 0.05
    gravity: float = 1e-4
    tilt_deg: float = 1.0
    sensor_pa: float = 0.5

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not 0 <= value <= 100:
                raise CalibrationError(
                    f"uncertainty '{field.name}' out of range",
                    seen=value,
                    expected="0 to 100",
                    do="give a half width",
                )

    def reading_pa(self, tube: Tube, conditions: Conditions) -> float:
        """Standard uncertainty of one height from reading the column, Pa.

        Parameters
        ----------
        tube : Tube
            How the column is built and read.
        conditions : Conditions
            Liquid and surroundings.

        Returns
        -------
        float
            ``gain sqrt(limbs) reading_mm / sqrt(3)`` as a pressure, Pa.
        """
        return tube.gain * math.sqrt(tube.limbs) * self.reading_mm * _RECTANGULAR * conditions.pa_per_mm

    def shared_pa(
        self, height_mm: Array, tube: Tube, conditions: Conditions, zero_open: bool
    ) -> Mapping[str, Array]:
        """What one standard uncertainty of each shared source does to the column's pressures.

        Parameters
        ----------
        height_mm : ndarray of float64, shape (n,)
            Readings of the column, mm along the tube.
        tube : Tube
            How the column is built and read.
        conditions : Conditions
            Liquid and surroundings.
        zero_open : bool
            At height 0 both ports were open: no source of the column acts there.

        Returns
        -------
        mapping of str to ndarray of float64, shape (n,)
            Pa, one array a source.
        """
        pressure = height_mm * tube.gain * conditions.pa_per_mm
        zero = np.full(height_mm.shape, self.zero_mm * tube.gain * conditions.pa_per_mm)
        if zero_open:
            zero[height_mm == 0] = 0.0
        liquid, air = conditions.density_kg_m3, conditions.air_density_kg_m3
        buoyancy = liquid - air
        relative = {
            "ruler": self.ruler,
            "temperature": self._temperature(conditions) / buoyancy,
            "liquid": conditions.fluid.density_half_width * liquid / buoyancy,
            "air": self.air * air / buoyancy,
            "gravity": self.gravity,
            "tilt": tube.tilt_error(self.tilt_deg),
        }
        return {"zero": zero * _RECTANGULAR} | {
            name: pressure * (half_width * _RECTANGULAR) for name, half_width in relative.items()
        }

    def _temperature(self, conditions: Conditions) -> float:
        """Largest change of the liquid's density within the half width, kg/m3."""
        here = conditions.fluid_c
        ends = (max(0.0, here - self.temperature_k), min(40.0, here + self.temperature_k))
        return max(abs(conditions.fluid.density_at(end) - conditions.density_kg_m3) for end in ends)

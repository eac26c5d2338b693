"""A liquid column: from the reading on its ruler to a pressure, and what can be wrong with it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.surroundings import (
    WATER,
    Fluid,
    air_density_kg_m3,
    normal_gravity_m_s2,
    standard_pressure_pa,
)
from undertray.errors import CalibrationError

__all__ = ["Budget", "Conditions", "Tube", "column_pressure_pa"]


# A liquid column of any usual build: from the reading on its ruler to a pressure.


@dataclass(frozen=True, slots=True)
class Conditions:
    """What turns a vertical height of liquid into a pressure, besides the height."""

    fluid_c: float = 20.0
    latitude_deg: float = 45.0
    height_m: float = 0.0
    fluid: Fluid = WATER
    gravity_m_s2: float | None = None
    air_pressure_pa: float | None = None
    humidity: float = 0.5

    def __post_init__(self) -> None:
        if self.gravity_m_s2 is not None and not 9.7 <= self.gravity_m_s2 <= 9.9:
            raise CalibrationError(
                "local gravity out of range", seen=self.gravity_m_s2, expected="m/s2 from 9.7 to 9.9"
            )

    @property
    def gravity(self) -> float:
        """Acceleration of free fall used, m/s2."""
        if self.gravity_m_s2 is not None:
            return self.gravity_m_s2
        return normal_gravity_m_s2(self.latitude_deg, self.height_m)

    @property
    def density_kg_m3(self) -> float:
        """Density of the liquid, kg/m3."""
        return self.fluid.density_at(self.fluid_c)

    @property
    def air_density_kg_m3(self) -> float:
        """Density of the air beside the column, kg/m3 (CIPM-2007)."""
        pressure = self.air_pressure_pa
        if pressure is None:
            pressure = standard_pressure_pa(self.height_m)
        return air_density_kg_m3(pressure, self.fluid_c, self.humidity)

    @property
    def pa_per_mm(self) -> float:
        """Pressure of 1 mm of vertical height, Pa: ``(rho_liquid - rho_air) g / 1000``."""
        return (self.density_kg_m3 - self.air_density_kg_m3) * self.gravity / 1000


@dataclass(frozen=True, slots=True)
class Tube:
    """How the column is built and read.

    Attributes
    ----------
    limbs : int
        2: both menisci are read and the reading is their distance along the tube. 1: only one
        is read, from its own zero mark.
    incline_deg : float
        Angle of the read tube to the horizontal, degrees; 90 is upright.
    bore_mm : float or None
        Bore of the tube that is read, mm; only with ``limbs`` 1.
    well_mm : float or None
        Inner diameter of the well, or of the limb that is not read, mm.
    leaning : str
        What ``incline_deg`` is of: ``both`` limbs, or ``one``, the other standing upright. Empty takes
        both where both are read, and the one that is read otherwise.

    Notes
    -----
    The vertical height of a reading R is ``h = R gain``. Both limbs read: ``gain = sin(incline)`` where both
    lean, ``(1 + sin(incline))/2`` where one does, each meniscus having moved by half the reading. One read:
    ``sin(incline) + (bore / well)^2``, as what rises in the tube has left the well, or ``sin(incline) (1 +
    (bore / well)^2)`` where the other leans as well. Without bores a tube read on one limb is taken as two
    equal limbs, (bore / well) = 1. A scale that has the well's fall built in is read as ``limbs`` 2.
    """

    limbs: int = 2
    incline_deg: float = 90.0
    bore_mm: float | None = None
    well_mm: float | None = None
    leaning: str = ""

    def __post_init__(self) -> None:
        if self.limbs not in (1, 2):
            raise CalibrationError("number of limbs read", seen=self.limbs, expected="1 or 2")
        if self.leaning not in ("", "both", "one"):
            raise CalibrationError("limbs that lean", seen=self.leaning, expected="both or one")
        if not 5 <= self.incline_deg <= 90:
            raise CalibrationError(
                "incline of the tube out of range",
                seen=self.incline_deg,
                expected="degrees to the horizontal from 5 to 90",
                do="set it steeper: below 5 degrees the meniscus is too long to be read",
            )
        if (self.bore_mm is None) != (self.well_mm is None):
            raise CalibrationError(
                "only one of the two bores is given", expected="the bore of the tube and that of the well"
            )
        if self.bore_mm is None or self.well_mm is None:
            return
        if self.limbs == 2:
            raise CalibrationError(
                "bores with both limbs read", expected="no bores, as they cancel, or one limb read"
            )
        if not 0 < self.bore_mm <= 1000 or not 0 < self.well_mm <= 10000:
            raise CalibrationError(
                "bore out of range", seen=(self.bore_mm, self.well_mm), expected="mm above 0"
            )

    @property
    def area_ratio(self) -> float:
        """Area of the read tube over that of the well: the fall there for a rise of 1 here."""
        if self.limbs == 2:
            return 0.0
        if self.bore_mm is None or self.well_mm is None:
            return 1.0
        return (self.bore_mm / self.well_mm) ** 2

    @property
    def both_lean(self) -> bool:
        """Whether ``incline_deg`` is of both limbs."""
        return self.leaning == "both" or (not self.leaning and self.limbs == 2)

    @property
    def gain(self) -> float:
        """Vertical height per reading along the tube, mm/mm."""
        return self._gain(self.incline_deg)

    def _gain(self, incline_deg: float) -> float:
        rise = math.sin(math.radians(incline_deg))
        fall = rise if self.both_lean else 1.0
        return (rise + fall) / 2 if self.limbs == 2 else rise + self.area_ratio * fall

    def tilt_error(self, tilt_deg: float) -> float:
        """Largest relative error of the height when the tube stands wrong by up to an angle."""
        return (
            max(abs(self._gain(self.incline_deg + side * tilt_deg) - self.gain) for side in (-1, 1))
            / self.gain
        )


# A height of water, read on a ruler, as a pressure.
# A column height is not the unit inH2O: it goes through the density of the water at its
# temperature, the air it displaces and the local gravity, and comes out up to 0.4 % below
# what the conventional unit would give.

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
        When a height is not a finite number, or a condition is out of its range.

    Notes
    -----
    ``P = (rho_water - rho_air) g h``. The air is taken at the water's temperature, 50 %
    relative humidity and the standard atmosphere's pressure at ``height_m``; together these
    can be wrong by some 5 % of the air's density, which is 6e-5 of the result.

    References
    ----------
    Tanaka 2001 for the water, CIPM-2007 for the air, WGS 84 for gravity; see
    :func:`undertray.calibrate.surroundings.water_density_kg_m3`,
    :func:`undertray.calibrate.surroundings.air_density_kg_m3` and
    :func:`undertray.calibrate.surroundings.normal_gravity_m_s2`.

    Examples
    --------
    >>> from undertray import column_pressure_pa
    >>> round(column_pressure_pa(100, water_c=20), 2)  # 100 mm of water at 45 degrees of latitude
    977.69
    """
    if not np.all(np.isfinite(height_mm)):
        raise CalibrationError("not a finite column height", seen=height_mm, expected="mm")
    return height_mm * Conditions(water_c, latitude_deg, height_m).pa_per_mm


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
        """Standard uncertainty of one height from reading the column, Pa."""
        return tube.gain * math.sqrt(tube.limbs) * self.reading_mm * _RECTANGULAR * conditions.pa_per_mm

    def shared_pa(
        self, height_mm: Array, tube: Tube, conditions: Conditions, zero_open: bool
    ) -> Mapping[str, Array]:
        """What one standard uncertainty of each shared source does to the column's pressures."""
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

"""A liquid column of any usual build: from the reading on its ruler to a pressure."""

from __future__ import annotations

import math
from dataclasses import dataclass

from undertray.calibrate.air import air_density_kg_m3, standard_pressure_pa
from undertray.calibrate.fluid import WATER, Fluid
from undertray.calibrate.gravity import normal_gravity_m_s2
from undertray.errors import CalibrationError

__all__ = ["Conditions", "Tube"]


@dataclass(frozen=True, slots=True)
class Conditions:
    """What turns a vertical height of liquid into a pressure, besides the height.

    Attributes
    ----------
    fluid_c : float
        Temperature of the liquid, and of the air beside it, degrees Celsius, 0 to 40.
    latitude_deg : float
        Geodetic latitude, degrees.
    height_m : float
        Height above the sea, m.
    fluid : Fluid
        The liquid in the tube.
    gravity_m_s2 : float or None
        Local gravity where it is known, 9.7 to 9.9; None takes it from latitude and height.
    air_pressure_pa : float or None
        Air pressure where it is known; None takes the standard atmosphere at ``height_m``.
    humidity : float
        Relative humidity of the air, 0 to 1.
    """

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
        """Largest relative error of the height when the tube stands wrong by up to an angle.

        Parameters
        ----------
        tilt_deg : float
            Largest deviation from ``incline_deg``, degrees, 0 and up.

        Returns
        -------
        float
            ``max |gain(incline +- tilt) - gain| / gain``. Upright and read on both limbs it
            is ``1 - cos(tilt)``.
        """
        return (
            max(abs(self._gain(self.incline_deg + side * tilt_deg) - self.gain) for side in (-1, 1))
            / self.gain
        )

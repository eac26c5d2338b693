"""Readings of the demo car's sensors on a water column, as a person would have taken them."""

from __future__ import annotations

from undertray.calibrate.water import column_pressure_pa
from undertray.virtual.physics import Noise
from undertray.virtual.stories import CAR

__all__ = ["HEIGHTS_MM", "LATITUDE_DEG", "MADE_UTC", "WATER_C", "column_readings"]

WATER_C = 21.0
"""Water temperature of the invented session, degC."""
LATITUDE_DEG = 47.0
"""Latitude of the invented workshop, degrees."""
MADE_UTC = "2026-05-01T18:00:00Z"
"""When the invented session was held."""
HEIGHTS_MM = (0, 20, 40, 60, 80, 100, 120, 140)
"""Column heights read on the way up, mm; on the way down the same ones again."""

_SEED = 97
_READING_MM = 0.25  # standard deviation of one reading of the column
_SENSOR_PA = 0.3  # of the mean of a steady second: 4 Pa of noise over 200 readings


def column_readings() -> str:
    """Make up the column session of the demo.

    Returns
    -------
    str
        The text of a ``points.csv``: height in mm, direction, and what each sensor of the demo
        board read in Pa by its own scale.

    Notes
    -----
    A sensor reads offset + gain * pressure with the errors of :data:`undertray.virtual.stories.CAR`;
    height and reading have normal errors of 0.25 mm and 0.3 Pa. The zero is taken with both
    ports open, so it has no error of height.
    """
    noise = Noise(_SEED)
    columns = range(len(CAR["tap_shares"]))
    lines = [
        "# Invented readings of the demo car's four sensors on a U-tube; zero with both ports open.",
        "height_mm,direction," + ",".join(f"p{i + 1}_pa" for i in columns),
    ]
    downward = HEIGHTS_MM[-2::-1]
    for direction, heights_mm in (("up", HEIGHTS_MM), ("down", downward)):
        for height_mm in heights_mm:
            true_mm = height_mm + (noise.normal() * _READING_MM if height_mm else 0.0)
            true_pa = float(column_pressure_pa(true_mm, WATER_C, LATITUDE_DEG)) if height_mm else 0.0
            readings = (
                CAR["sensor_offset_pa"][i] + CAR["sensor_gain"][i] * true_pa + noise.normal() * _SENSOR_PA
                for i in columns
            )
            lines.append(f"{height_mm},{direction}," + ",".join(f"{reading:.2f}" for reading in readings))
    return "\n".join(lines) + "\n"

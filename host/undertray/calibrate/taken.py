"""A point of a guided calibration as it was taken, and as its journal keeps it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from undertray.calibrate.json_values import number, numbers, plain
from undertray.calibrate.plan import MOST_MM
from undertray.calibrate.steady import SteadyMean
from undertray.errors import CalibrationError

__all__ = ["TakenPoint", "point_event"]


@dataclass(frozen=True, slots=True)
class TakenPoint:
    """A point as it was taken.

    Attributes
    ----------
    step : int
        Which step of the plan it belongs to.
    height_mm : float
        Column reading, mm.
    nominal_pa, mean_sd_pa : tuple of float, length N
        Mean nominal suction of each sensor and its standard deviation, Pa.
    steady : bool
        Whether the program found it steady; if not, the person took it all the same.
    reason : str or None
        Why it was taken back; None while it counts.
    doubts : tuple of str, length N or 0
        What spoke against each sensor's reading, and was kept all the same; empty texts where
        nothing did.
    """

    step: int
    height_mm: float
    nominal_pa: tuple[float, ...]
    mean_sd_pa: tuple[float, ...]
    steady: bool
    reason: str | None = None
    doubts: tuple[str, ...] = ()

    @classmethod
    def from_event(cls, event: Mapping[str, Any], step: int, size: int, where: str) -> TakenPoint:
        """Check an event of the journal.

        Parameters
        ----------
        event : mapping
            The decoded line.
        step : int
            Its step, checked before.
        size : int
            Number of sensors.
        where : str
            For the error line.

        Returns
        -------
        TakenPoint

        Raises
        ------
        CalibrationError
            When a value is missing or impossible.
        """
        doubts = plain(event.get("doubts", []), "doubts", where)
        good = isinstance(doubts, list) and all(isinstance(doubt, str) for doubt in doubts)
        if not good or len(doubts) not in (0, size):
            raise CalibrationError("bad 'doubts'", where=where, seen=doubts, expected=f"{size} texts or none")
        return cls(
            step,
            number(event, "height_mm", where, 0, MOST_MM),
            numbers(event, "nominal_pa", where, size, 1e6),
            numbers(event, "mean_sd_pa", where, size, 1e6),
            event.get("steady") is True,
            doubts=tuple(doubts),
        )


def point_event(step: int, height_mm: float, mean: SteadyMean, doubts: tuple[str, ...]) -> dict[str, Any]:
    """What :meth:`TakenPoint.from_event` reads back.

    Parameters
    ----------
    step : int
        Which step of the plan.
    height_mm : float
        Column reading, mm.
    mean : SteadyMean
        The sensors' readings.
    doubts : tuple of str, length N or 0
        What spoke against each sensor's reading.

    Returns
    -------
    dict
        The event; JSON can hold it where every sensor gave a reading.
    """
    event = {
        "event": "point",
        "step": step,
        "height_mm": float(height_mm),
        "nominal_pa": [float(f"{value:.6g}") for value in mean.nominal_pa.tolist()],
        "mean_sd_pa": [float(f"{value:.3g}") for value in mean.mean_sd_pa.tolist()],
        "steady": mean.steady,
    }
    return event | ({"doubts": list(doubts)} if any(doubts) else {})

"""The order in which a column is brought to its heights: up, and down again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from undertray.errors import CalibrationError

__all__ = ["MOST_MM", "MOST_STEPS", "Step", "plan"]

MOST_STEPS = 400
"""Longest plan."""
MOST_MM = 10_000.0
"""Highest column, mm."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the plan.

    Attributes
    ----------
    height_mm : float
        Column reading to bring about, mm; 0 is both ports open.
    upward : bool
        Whether to come from below.
    """

    height_mm: float
    upward: bool


def plan(heights_mm: Sequence[float]) -> tuple[Step, ...]:
    """Steps up through the heights and down again.

    Parameters
    ----------
    heights_mm : sequence of float
        Heights, mm, in any order; 0 is added when it is not there.

    Returns
    -------
    tuple of Step
        Each height from 0 upwards, then all but the highest downwards.

    Raises
    ------
    CalibrationError
        When there are fewer than two heights above 0, too many, or one is out of range.
    """
    heights = sorted({0.0, *map(float, heights_mm)})
    if not 3 <= len(heights) <= MOST_STEPS // 2 or not all(0 <= height <= MOST_MM for height in heights):
        raise CalibrationError(
            "heights that make no calibration",
            seen=", ".join(f"{height:g}" for height in heights[:10]),
            expected=f"2 to {MOST_STEPS // 2 - 1} different heights above 0, up to {MOST_MM:g} mm",
        )
    return tuple(Step(h, True) for h in heights) + tuple(Step(h, False) for h in heights[-2::-1])

"""What a part is good for by its own scale, and how a calibration compares with that."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from undertray.acquire.device import Column
from undertray.calibrate.calibration import ColumnCalibration

__all__ = [
    "NOMINAL_SHARE",
    "depart_together",
    "departs",
    "made_worse",
    "nominal_accuracies_pa",
    "worse_heading",
    "worst_u95_pa",
]

NOMINAL_SHARE = 0.02
"""Of the span from the lowest to the highest pressure of a part: what its reading may be off by as it comes.

The data sheets of the parts this firmware knows state total error bands of 1 to 2 % of span (from memory; SSC
2 %, HSC, MS4525DO and DLHR 1 %, ABP2 1.5 %).
"""

_MOST = 2.0**53  # as undertray.calibrate.scale takes; what is no scale tells nothing of a part
_COLUMN = "the liquid (--density, --water-c) and how heights were read (--limbs, the scale of the ruler)"


def nominal_accuracies_pa(columns: Sequence[Column]) -> dict[str, float]:
    """What each part may be off by, by its own scale."""
    spans = {column.name: _span_pa(column.scale) for column in columns}
    return {name: NOMINAL_SHARE * span for name, span in spans.items() if span is not None}


def _span_pa(scale: Mapping[str, Any]) -> float | None:
    def plain(key: str) -> bool:
        value = scale.get(key)
        return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= _MOST

    if plain("range_pa"):  # a part that the host compensates: as far down as up
        return 2 * float(scale["range_pa"])
    if all(plain(key) for key in ("min", "max", "pa_per_count")):
        return abs(float((scale["max"] - scale["min"]) * scale["pa_per_count"]))
    return None


def worst_u95_pa(column: ColumnCalibration) -> tuple[float, float]:
    """The largest expanded uncertainty of the calibrated suction."""
    low, high = column.range_pa
    working_pa = column.facts.get("working_pa")
    grid = np.linspace(low, high if working_pa is None else min(high, working_pa), 101)
    expanded = column.coverage_factor * column.standard_uncertainty_pa(grid)
    worst = int(np.argmax(expanded))
    return float(expanded[worst]), float(grid[worst])


def made_worse(column: ColumnCalibration) -> str:
    """Whether the part is better off without this calibration."""
    accuracy_pa = column.facts.get("nominal_accuracy_pa")
    u95_pa, _ = worst_u95_pa(column)
    if accuracy_pa is None or u95_pa <= accuracy_pa:
        return ""
    return (
        f"±{u95_pa:.0f} Pa with this calibration, ±{accuracy_pa:.0f} Pa by the part's own scale"
        f" ({_share(column)})"
    )


def _share(column: ColumnCalibration) -> str:
    """Where the accuracy of the part itself is taken from."""
    known = column.facts.get("nominal_accuracy_known") is True
    span = "of its span" if known else "of a span that just holds these points: --log gives the real one"
    return f"{100 * NOMINAL_SHARE:g} % {span}"


def _departure_pa(column: ColumnCalibration) -> tuple[float, float]:
    """The largest difference of calibrated and nominal suction, both from the zero, and where it is, Pa."""
    grid = np.linspace(*column.range_pa, 101)
    suction_pa = column.apply(grid)
    # the lowest reading is that of the zero: every calibration has one
    apart = (suction_pa - suction_pa[0]) - (grid - grid[0])
    worst = int(np.argmax(np.abs(apart)))
    return float(apart[worst]), float(grid[worst])


def _factor(column: ColumnCalibration) -> float:
    low, high = column.range_pa
    return float(np.ptp(column.apply(np.array([low, high])))) / (high - low)


def departs(column: ColumnCalibration) -> str:
    """Whether a calibration says more against the part than the part can be blamed for.

    Parameters
    ----------
    column : ColumnCalibration
        The calibration.

    Returns
    -------
    str
        How far the calibrated suction is from the nominal one and what to look at; empty where that is
        no more than the part may be off by, or nothing is known of the part.

    Notes
    -----
    The zero is taken out of both. What is left of a sound part's error is less than its whole accuracy,
    which is the limit: a part beyond it is broken, or the column was not what it was taken for. A part
    that is used over a small piece of its span may so be off by 10 % and more, and nothing is said.
    """
    accuracy_pa = column.facts.get("nominal_accuracy_pa")
    if accuracy_pa is None:
        return ""
    apart_pa, at_pa = _departure_pa(column)
    if abs(apart_pa) <= accuracy_pa:
        return ""
    return (
        f"the column says {_factor(column):.3f} times what the part reads, {apart_pa:+.0f} Pa at"
        f" {at_pa:.0f} Pa, and the part itself should be within {accuracy_pa:.0f} Pa ({_share(column)});"
        f" look at {_COLUMN}, then at the sensor and its range in board.json"
    )


def depart_together(columns: Mapping[str, ColumnCalibration]) -> str:
    """Whether all sensors depart from their own scales in one way."""
    if len(columns) < 2 or not all(departs(column) for column in columns.values()):
        return ""
    factors = [_factor(column) for column in columns.values()]
    low, high = min(factors), max(factors)
    shared = max(low - 1, 1 - high)  # negative where one is above 1 and another below
    if shared < high - low:
        return ""
    return (
        f"all sensors depart from their own scales by about the same factor ({low:.3f} to {high:.3f}):"
        f" that points to the column, not to the sensors; look at {_COLUMN}"
    )


def worse_heading(column: ColumnCalibration) -> str:
    """What to call a calibration that :func:`made_worse` speaks of."""
    known = column.facts.get("nominal_accuracy_known") is True
    return "worse than no calibration" if known else "perhaps worse than no calibration"

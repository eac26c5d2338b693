"""What a part is good for by its own scale, and whether a calibration betters that."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from undertray.acquire.device import Column
from undertray.calibrate.column_calibration import ColumnCalibration

__all__ = ["NOMINAL_SHARE", "made_worse", "nominal_accuracies_pa", "worse_heading", "worst_u95_pa"]

NOMINAL_SHARE = 0.02
"""Of the span from the lowest to the highest pressure of a part: what its reading may be off by as it comes.

The data sheets of the parts this firmware knows state total error bands of 1 to 2 % of span (from memory; SSC
2 %, HSC, MS4525DO and DLHR 1 %, ABP2 1.5 %).
"""


def nominal_accuracies_pa(columns: Sequence[Column]) -> dict[str, float]:
    """What each part may be off by, by its own scale.

    Parameters
    ----------
    columns : sequence of Column
        The pressure columns as the board describes them.

    Returns
    -------
    dict of str to float
        Pa, by the name of the column; a column whose scale does not tell its span is left out.
    """
    spans = {column.name: _span_pa(column.scale) for column in columns}
    return {name: NOMINAL_SHARE * span for name, span in spans.items() if span is not None}


def _span_pa(scale: Mapping[str, Any]) -> float | None:
    def plain(key: str) -> bool:
        return isinstance(scale.get(key), int | float)

    if plain("range_pa"):  # a part that the host compensates: as far down as up
        return 2 * float(scale["range_pa"])
    if all(plain(key) for key in ("min", "max", "pa_per_count")):
        return abs(float((scale["max"] - scale["min"]) * scale["pa_per_count"]))
    return None


def worst_u95_pa(column: ColumnCalibration) -> tuple[float, float]:
    """The largest expanded uncertainty of the calibrated suction.

    Parameters
    ----------
    column : ColumnCalibration
        The calibration.

    Returns
    -------
    u95_pa, at_pa : float
        Pa, for 95 % coverage, and the nominal suction where it is, among 101 over the range
        covered, or over as much of it as the working range takes.
    """
    low, high = column.range_pa
    working_pa = column.facts.get("working_pa")
    grid = np.linspace(low, high if working_pa is None else min(high, working_pa), 101)
    expanded = column.coverage_factor * column.standard_uncertainty_pa(grid)
    worst = int(np.argmax(expanded))
    return float(expanded[worst]), float(grid[worst])


def made_worse(column: ColumnCalibration) -> str:
    """Whether the part is better off without this calibration.

    Parameters
    ----------
    column : ColumnCalibration
        The calibration.

    Returns
    -------
    str
        Both figures in words; empty where the calibration betters the part's own scale, or
        nothing is known of that.
    """
    accuracy_pa = column.facts.get("nominal_accuracy_pa")
    u95_pa, _ = worst_u95_pa(column)
    if accuracy_pa is None or u95_pa <= accuracy_pa:
        return ""
    known = column.facts.get("nominal_accuracy_known") is True
    span = "of its span" if known else "of a span that just holds these points: --log tells the real one"
    return (
        f"±{u95_pa:.0f} Pa with this calibration, ±{accuracy_pa:.0f} Pa by the part's own scale"
        f" ({100 * NOMINAL_SHARE:g} % {span})"
    )


def worse_heading(column: ColumnCalibration) -> str:
    """What to call a calibration that :func:`made_worse` speaks of.

    Parameters
    ----------
    column : ColumnCalibration
        The calibration.

    Returns
    -------
    str
        Without "perhaps" only where the span of the part is known.
    """
    known = column.facts.get("nominal_accuracy_known") is True
    return "worse than no calibration" if known else "perhaps worse than no calibration"

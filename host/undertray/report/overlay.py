"""Two runs over one another, from the same moment on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from undertray.errors import ReductionError
from undertray.reduce.loss import LOSS_KINDS
from undertray.report.display import SI, Display
from undertray.report.picture import Picture, Thinner
from undertray.report.style import GRID, INK, LEGEND_ROW_IN, LIMIT, SERIES, settings, short, stacked

if TYPE_CHECKING:
    from undertray.reduce.summary import Reduction

__all__ = ["overlay", "zero_s"]

_LEAST_STEP_US = (
    50.0  # between fans at rest and up; a receiver's pulse trembles by less (our choice, no source)
)
_LINES: tuple[Any, ...] = ("-", (0, (5, 2)))


def zero_s(reduction: Reduction, align: str) -> float:
    """Find the moment from which a run is laid over another.

    Parameters
    ----------
    reduction : Reduction
        The run.
    align : str
        ``start``: where the throttle is first half way up; ``onset``: the onset of the first loss.

    Returns
    -------
    float
        Board time, s.

    Raises
    ------
    ReductionError
        When the run has no such moment.
    """
    if align == "onset":
        onsets = [event.onset_s for event in reduction.events if event.kind in LOSS_KINDS]
        if onsets:
            return min(onsets)
        raise ReductionError(
            "the run has no loss to be laid over another by", where=reduction.run, do="use --align start"
        )
    throttle_us = reduction.series.throttle_us
    known = throttle_us[np.isfinite(throttle_us)]
    low_us, high_us = (float(known.min()), float(known.max())) if len(known) else (0.0, 0.0)
    if high_us - low_us < _LEAST_STEP_US:
        raise ReductionError(
            "the throttle of the run never goes up in its log, so it has no start",
            where=reduction.run,
            seen=f"{low_us:.0f} to {high_us:.0f} µs" if len(known) else "no throttle",
            do="use --align onset",
        )
    with np.errstate(invalid="ignore"):
        up = throttle_us >= (low_us + high_us) / 2
    return float(reduction.series.t_s[int(np.argmax(up))])


def overlay(one: Reduction, other: Reduction, align: str = "start", units: Display = SI) -> Picture:
    """Draw two runs over one another: mean suction, margin of the worse axle, throttle."""
    table: dict[str, Any] = {name: [] for name in ("run", "time s", "what", "lowest", "highest")}
    panels_of = ("suction", units.pressure), ("margin", units.force), ("throttle", "µs")
    starts_s = [zero_s(run, align) for run in (one, other)]
    with settings():
        figure, panels = stacked(7.6, (1.8, 1.4, 0.7), (LEGEND_ROW_IN + 0.15, 0.2, 0.14))
        spans = []
        for place, (run, start_s) in enumerate(zip((one, other), starts_s, strict=True)):
            t_s = run.series.t_s - start_s
            spans.append((float(t_s[0]), float(t_s[-1])))
            thinner = Thinner(t_s)
            for panel, (what, unit), values in zip(panels, panels_of, _lines(run, units), strict=True):
                panel.plot(
                    thinner.t_s,
                    thinner.zigzag(values),
                    color=SERIES[place],
                    linestyle=_LINES[place],
                    linewidth=1.2,
                    label=short(run.run, 40),
                )
                lowest, highest = thinner.ends(values)
                table["run"] += [run.run] * len(lowest)
                table["time s"] += list(thinner.time())
                table["what"] += [f"{what} {unit}"] * len(lowest)
                table["lowest"] += list(lowest)
                table["highest"] += list(highest)
        for panel, (what, unit) in zip(panels, panels_of, strict=True):
            panel.set_ylabel(f"{what} / {unit}", color=INK)
            panel.axvline(0.0, color=LIMIT, linewidth=1.0)
            panel.grid(visible=True, color=GRID, linewidth=0.6)
            panel.set_axisbelow(True)
        panels[1].axhline(0.0, color=LIMIT, linewidth=1.0, linestyle=(0, (5, 2)))
        panels[2].set_xlim(min(first for first, _ in spans), max(last for _, last in spans))
        from_what = "the onset of the first loss" if align == "onset" else "the throttle going up"
        panels[2].set_xlabel(f"time from {from_what} / s")
        panels[0].legend(
            loc="lower left",
            bbox_to_anchor=(0, 1.0),
            ncols=2,
            fontsize=8,
            frameon=False,
            borderaxespad=0.1,
            handlelength=4,
        )
    names = f"{short(one.run, 40)} and {short(other.run, 40)}"
    return Picture(
        key="overlay",
        title=f"{names}, one over the other",
        caption="Mean suction over the floor, margin of the worse axle with the allowance, and throttle; both"
        f" runs from {from_what} on.",
        words="; ".join(
            f"{run.run}: zero at {start_s:.2f} s of its own time"
            for run, start_s in zip((one, other), starts_s, strict=True)
        )
        + ".",
        figure=figure,
        table=table,
    )


def _lines(run: Reduction, units: Display) -> tuple[NDArray[np.float64], ...]:
    series, axles = run.series, run.axles
    margin_n = np.fmin(series.front_n - axles["front"].required_n, series.rear_n - axles["rear"].required_n)
    return series.mean_suction_pa[:] / units.pressure_pa, margin_n / units.force_n, series.throttle_us

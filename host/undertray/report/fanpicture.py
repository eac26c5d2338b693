"""Suction against throttle, and the seal index through a run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.leakage import seal_index
from undertray.report.display import SI, Display
from undertray.report.picture import Picture, Thinner, svg_text
from undertray.report.style import GRID, LIMIT, SERIES, settings, stacked
from undertray.report.timeline import mark_events, time_axis

if TYPE_CHECKING:
    from undertray.reduce.fan import FanReference
    from undertray.reduce.run import Reduction
    from undertray.reduce.steady import Blocks

__all__ = ["BIN_US", "fan_picture", "index_picture", "own_index", "throttle_bins"]

Array = NDArray[np.float64]
BIN_US = 20.0
_LEAST_BLOCKS = 10
_MOST_DOTS, _MOST_BEYOND, _PIECES = 400, 40, 400


def throttle_bins(blocks: Blocks) -> dict[int, Array]:
    """Sort the steady blocks of a run by throttle."""
    steady = np.flatnonzero(blocks.steady & np.isfinite(blocks.throttle_us))
    bins = np.round(blocks.throttle_us[steady] / BIN_US).astype(np.int64)
    found = {int(b): steady[bins == b] for b in np.unique(bins)}
    return {b: rows for b, rows in found.items() if len(rows) >= _LEAST_BLOCKS}


def own_index(blocks: Blocks) -> Array:
    """Seal index of a run by its own measure.

    Parameters
    ----------
    blocks : Blocks
        The run.

    Returns
    -------
    ndarray of float64, shape (k,)
        Suction over the run's own median steady suction at that throttle; NaN where the run
        was never steady at it, and while the throttle moves and the fans follow it.

    Notes
    -----
    By the fan laws suction at one throttle falls only when the leak grows (or the pack sags),
    so no law needs to be known for this index.
    """
    index = np.full(len(blocks.t_s), np.nan)
    known = np.isfinite(blocks.throttle_us) & blocks.still
    bins = np.full(len(blocks.t_s), np.iinfo(np.int64).min)
    bins[known] = np.round(blocks.throttle_us[known] / BIN_US).astype(np.int64)
    for number, rows in throttle_bins(blocks).items():
        usual_pa = float(np.median(blocks.suction_pa[rows]))
        if usual_pa > 0:
            here = bins == number
            index[here] = blocks.suction_pa[here] / usual_pa
    return index


def fan_picture(blocks: Blocks, reference: FanReference | None = None, units: Display = SI) -> Picture:
    """Draw suction against throttle."""
    table: dict[str, Any] = {"throttle us": [], f"suction {units.pressure}": [], "steady": []}
    with settings():
        figure, (panel,) = stacked(4.2, (2.4,), (0.12,))
        kinds = (
            (~blocks.steady, "not steady", ".", SERIES[7], 0.35),
            (blocks.steady, "steady", "o", SERIES[0], 0.9),
        )
        for mask, name, marker, colour, alpha in kinds:
            rows = np.flatnonzero(mask & np.isfinite(blocks.throttle_us) & np.isfinite(blocks.suction_pa))
            rows = rows[:: max(1, -(-len(rows) // _MOST_DOTS))]
            throttle_us, suction = blocks.throttle_us[rows], blocks.suction_pa[rows] / units.pressure_pa
            panel.plot(
                throttle_us, suction, marker, color=colour, alpha=alpha, markersize=3.5, label=name, mew=0
            )
            table["throttle us"] += throttle_us.tolist()
            table[f"suction {units.pressure}"] += suction.tolist()
            table["steady"] += [int(name == "steady")] * len(rows)
        said = "No reference curve."
        if reference is not None:
            known = blocks.throttle_us[np.isfinite(blocks.throttle_us)]
            at_us = np.linspace(float(known.min()), float(known.max()), 60)
            curve = reference.suction_pa(at_us) / units.pressure_pa
            low_us = reference.idle_us if reference.low_us is None else reference.low_us
            measured = (at_us >= low_us) & (at_us <= reference.top_us)
            look: Any = {"color": SERIES[1], "linewidth": 1.4}
            panel.plot(at_us, np.where(measured, curve, np.nan), label="reference skirt", **look)
            beyond = np.where(measured, np.nan, curve)
            beyond[1:-1] = np.where(measured[:-2] != measured[2:], curve[1:-1], beyond[1:-1])
            panel.plot(at_us, beyond, linestyle=(0, (3, 2)), label="where it was not measured", **look)
            table["throttle us"] += at_us.tolist()
            table[f"suction {units.pressure}"] += curve.tolist()
            table["steady"] += [float("nan")] * len(at_us)
            said = "The line is the reference skirt, dashed where it was not measured."
        panel.set_xlabel("throttle / µs")
        panel.set_ylabel(f"mean suction / {units.pressure}")
        panel.grid(visible=True, color=GRID, linewidth=0.6)
        panel.legend(fontsize=8, frameon=False)
    levels = "; ".join(
        f"{number * BIN_US:.0f} µs: {units.pa(float(blocks.suction_pa[rows].mean()))}"
        for number, rows in list(throttle_bins(blocks).items())[:12]
    )
    return Picture(
        key="throttle",
        title="Suction against throttle",
        caption="Each dot is a tenth of a second. On one skirt and one pack the steady dots lie on one "
        "curve; dots below it are a leak, a sagging pack or fans still spinning up.",
        words=f"Mean steady suction by throttle: {levels or 'never steady'}. {said}",
        svg=svg_text(figure),
        table=table,
        size="middle",
    )


def _index_range(index: Array) -> tuple[float, float]:
    """Ends of the axis: a change by a twentieth is to be seen, so what lies far off is only marked."""
    known = index[np.isfinite(index)]
    if not len(known):
        return 0.8, 1.1
    middle = float(np.median(known))
    low, high = min(0.8, middle - 0.2), max(1.1, middle + 0.1)
    return max(0.0, round(low, 2)), round(high, 2)


def index_picture(reduction: Reduction, blocks: Blocks, reference: FanReference | None = None) -> Picture:
    """Draw the seal index through a run."""
    if reference is None:
        index = own_index(blocks)
        against = "what this run usually gave at that throttle (the car has no reference curve)"
    else:
        index = seal_index(blocks, reference)
        against = "what the reference skirt gives at that throttle"
    from matplotlib.ticker import MultipleLocator

    thinner = Thinner(blocks.t_s, _PIECES)
    with settings():
        figure, (panel,) = stacked(4.2, (2.2,), (0.14,))
        panel.plot(thinner.t_s, thinner.zigzag(index), color=SERIES[0], linewidth=1.1)
        panel.axhline(1.0, color=LIMIT, linewidth=1.0, linestyle=(0, (5, 2)))
        low, high = _index_range(index)
        panel.set_ylim(low, high)
        outside = np.isfinite(index) & ((index < low) | (index > high))
        for mask, edge, marker in ((index < low, low, "v"), (index > high, high, "^")):
            at_s = blocks.t_s[mask]
            if len(at_s):
                at_s = at_s[:: max(1, -(-len(at_s) // _MOST_BEYOND))]
                panel.plot(
                    at_s, np.full(len(at_s), edge), marker, color=SERIES[0], markersize=5, clip_on=False
                )
        if len(blocks.t_s) > 1:
            time_axis(panel, float(blocks.t_s[0]), float(blocks.t_s[-1]))
        panel.set_ylabel("seal index")
        panel.yaxis.set_major_locator(MultipleLocator(0.05))
        panel.grid(visible=True, color=GRID, linewidth=0.6)
        mark_events([panel], reduction, numbered=False)
    known = index[np.isfinite(index)]
    spread = f"median {np.median(known):.2f}, lowest {known.min():.2f}" if len(known) else "not known"
    return Picture(
        key="seal-index",
        title="Seal index",
        caption=f"Mean suction over {against}. A leak lowers it; the throttle alone does not."
        + (" Triangles at an edge: beyond it." if outside.any() else ""),
        words=f"Index over time: {spread}.",
        svg=svg_text(figure),
        table={"time s": thinner.time(), **thinner.columns("seal index", index)},
        size="middle",
    )

"""Least margin against the gap, a line for each pack."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from undertray.report.display import SI, Display
from undertray.report.picture import Picture, svg_text
from undertray.report.ridewords import gap_text
from undertray.report.style import DASHES, GRID, LIMIT, MARKERS, SERIES, settings, short

if TYPE_CHECKING:
    from undertray.predict.fanlaw import LawRange
    from undertray.predict.forecast import Curve

__all__ = ["margin_picture"]

_IN_MM = 25.4


def margin_picture(curves: Sequence[Curve], measured: LawRange | None, units: Display = SI) -> Picture:
    """Draw least margin against gap."""
    from matplotlib.figure import Figure

    per = 1.0 if units.name == "si" else _IN_MM
    length = "mm" if units.name == "si" else "in"
    table: dict[str, Any] = {"pack": [], f"gap {length}": []}
    table |= {f"{what} {units.force}": [] for what in ("least margin", "from", "to")}
    words = []
    with settings():
        figure = Figure(figsize=(5.0, 3.4))
        panel = figure.add_axes((0.14, 0.15, 0.83, 0.8))
        if measured is not None and measured.high > measured.low:
            panel.axvspan(measured.low / per, measured.high / per, color=GRID, alpha=0.35, linewidth=0)
            panel.text(
                measured.low / per, 0.96, " measured", transform=panel.get_xaxis_transform(), fontsize=7
            )
        panel.axhline(0.0, color=LIMIT, linewidth=1.0, linestyle=(0, (5, 2)))
        for place, curve in enumerate(curves):
            look = place % len(SERIES)
            gap = [mm / per for mm in curve.gap_mm]
            value, low, high = (
                [n / units.force_n for n in part] for part in (curve.margin_n, curve.low_n, curve.high_n)
            )
            name = short(curve.name)
            panel.fill_between(gap, low, high, color=SERIES[look], alpha=0.13, linewidth=0)
            panel.plot(
                gap,
                value,
                color=SERIES[look],
                linestyle=DASHES[look],
                marker=MARKERS[look],
                markevery=4,
                markersize=4,
                linewidth=1.5,
                label=name,
            )
            table["pack"] += [curve.name] * len(gap)
            for key, part in zip(list(table)[1:], (gap, value, low, high), strict=True):
                table[key] += part
            words.append(
                f"{curve.name}: "
                + ", ".join(
                    f"{units.n(curve.margin_n[k], signed=True)} at {gap_text(curve.gap_mm[k], units)}"
                    for k in (0, -1)
                )
                + "."
            )
        panel.set_xlabel(f"gap as set / {length}")
        panel.set_ylabel(f"least margin / {units.force}")
        panel.grid(visible=True, color=GRID, linewidth=0.6)
        panel.set_axisbelow(True)
        panel.legend(fontsize=8, frameon=False)
    return Picture(
        key="margin-gap",
        title="Margin against gap",
        caption="Least margin of the axles for each pack; bands hold 95 %. Below the dashed line it lets go."
        " Outside of the grey band no gap was measured.",
        words=" ".join(words),
        svg=svg_text(figure),
        table=table,
        size="middle",
    )

"""The picture of a comparison: groups with their intervals, and the runs in order."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from undertray.report.display import SI, Display
from undertray.report.picture import Picture, svg_text
from undertray.report.style import GRID, INK, LIMIT, MARKERS, SERIES, settings, short

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from undertray.report.comparison import Comparison, Estimate

__all__ = ["comparison_picture"]

_NAME = 30
_FRONT, _REAR = 6, 7  # signs that no group has unless there are more than six
_MOST_RUNS = 200


def comparison_picture(found: Comparison, units: Display = SI) -> Picture:
    """Draw a comparison."""
    from matplotlib.figure import Figure

    groups = found.groups[:12]
    rows_in, runs_in, bottom_in, between_in = 0.42 * len(groups) + 0.2, 1.7, 0.5, 0.85
    height_in = 0.3 + rows_in + between_in + runs_in + bottom_in
    table: dict[str, Any] = {"group": [], "quantity": [], "unit": [], "value": [], "low": [], "high": []}
    with settings():
        figure = Figure(figsize=(7.6, height_in))
        upper = ((bottom_in + runs_in + between_in) / height_in, rows_in / height_in)
        left = figure.add_axes((0.29, upper[0], 0.31, upper[1]))
        right = figure.add_axes((0.67, upper[0], 0.31, upper[1]))
        lower = figure.add_axes((0.10, bottom_in / height_in, 0.88, runs_in / height_in))
        for place, group in enumerate(groups):
            _bar(left, place, group.suction_pa, units.pressure_pa, place)
            _bar(
                right,
                place - 0.12,
                group.front_margin_n,
                units.force_n,
                _FRONT,
            )
            _bar(
                right,
                place + 0.12,
                group.rear_margin_n,
                units.force_n,
                _REAR,
            )
            for what, unit, factor, estimate in (
                ("suction", units.pressure, units.pressure_pa, group.suction_pa),
                ("front margin", units.force, units.force_n, group.front_margin_n),
                ("rear margin", units.force, units.force_n, group.rear_margin_n),
                ("seal index", "1", 1.0, group.seal_index),
                ("losses per minute", "1/min", 1.0, group.losses_per_min),
                ("warning", "s", 1.0, group.warning_s),
            ):
                for name, value in (("group", group.value), ("quantity", what), ("unit", unit)):
                    table[name].append(value)
                for name in ("value", "low", "high"):
                    number = getattr(estimate, name)
                    table[name].append(float("nan") if number is None else number / factor)
        for panel in (left, right):
            panel.set_ylim(len(groups) - 0.5, -0.5)
            panel.grid(visible=True, axis="x", color=GRID, linewidth=0.6)
            panel.set_axisbelow(True)
        left.set_yticks(range(len(groups)), [short(g.value, _NAME) for g in groups])
        right.set_yticks(range(len(groups)), [""] * len(groups))
        left.set_xlabel(f"suction at the same throttle / {units.pressure}")
        right.set_xlabel(f"margin / {units.force}")
        right.axvline(0, color=LIMIT, linewidth=1.0)
        for style, name in ((_FRONT, "front axle"), (_REAR, "rear axle")):  # whichever groups show them
            right.plot([], [], MARKERS[style], color=SERIES[style], markersize=6, label=name)
        right.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=2, fontsize=8, frameon=False)
        _runs(lower, found)
    said = "; ".join(
        f"{g.value}: {units.pa(g.suction_pa.value)}, margins {units.n(g.front_margin_n.value)} front and "
        f"{units.n(g.rear_margin_n.value)} rear"
        for g in groups
    )
    return Picture(
        key="comparison",
        title=f"By {found.by}",
        caption="Bars are 95 % intervals. Below, each run over the mean of all groups, in order; a line joins"
        " the runs of one mounting.",
        words=said,
        svg=svg_text(figure),
        table=table,
    )


def _bar(panel: Axes, at: float, estimate: Estimate, factor: float, style: int) -> None:
    if estimate.value is None:
        return
    colour, marker = SERIES[style % len(SERIES)], MARKERS[style % len(MARKERS)]
    if estimate.low is not None and estimate.high is not None:
        panel.plot([estimate.low / factor, estimate.high / factor], [at, at], color=colour, linewidth=2.0)
    panel.plot([estimate.value / factor], [at], marker, color=colour, markersize=6)


def _runs(panel: Axes, found: Comparison) -> None:
    places = {group.value: place for place, group in enumerate(found.groups[:12])}
    shown = found.runs[:_MOST_RUNS]
    mountings: dict[tuple[str, int], list[tuple[int, float]]] = {}
    for number, ((_, name, share), mounting) in enumerate(zip(shown, found.run_mountings, strict=False), 1):
        if name in places:
            mountings.setdefault((name, mounting), []).append((number, share))
    for (name, _), points in mountings.items():
        place = places[name]
        panel.plot(
            *zip(*points, strict=True),
            marker=MARKERS[place % len(MARKERS)],
            color=SERIES[place % len(SERIES)],
            linewidth=1.4,
            markersize=5,
        )
    panel.axhline(1.0, color=LIMIT, linewidth=1.0, linestyle=(0, (5, 2)))
    panel.set_xlabel("run, in order of recording")
    panel.set_ylabel("suction / mean of all", color=INK)
    panel.set_xlim(0.5, max(len(shown), 1) + 0.5)
    panel.xaxis.get_major_locator().set_params(integer=True)  # type: ignore[call-arg]
    panel.grid(visible=True, color=GRID, linewidth=0.6)
    panel.set_axisbelow(True)

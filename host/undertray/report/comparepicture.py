"""The picture of a comparison: groups with their intervals, and the runs in order."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from undertray.report.comparewords import estimate_words
from undertray.report.display import SI, Display
from undertray.report.picture import Picture, svg_text
from undertray.report.style import GRID, INK, LIMIT, MARKERS, SERIES, settings, short

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from undertray.report.comparison import Comparison, Estimate, Group

__all__ = ["comparison_picture", "draw_comparison"]

_NAME = 32
_FRONT, _REAR = 6, 7  # signs that no group has unless there are more than six
_MOST_GROUPS, _MOST_RUNS, _MOST_NAMED = 12, 200, 14
_TOP_IN, _ROW_IN, _BETWEEN_IN, _RUNS_IN, _NUMBERS_IN, _LETTER_IN = 0.75, 0.5, 0.95, 1.8, 0.5, 0.042


def comparison_picture(found: Comparison, units: Display = SI) -> Picture:
    """Draw a comparison."""
    said = "; ".join(
        f"{g.value}: {units.pa(g.suction_pa.value)}, margins {units.n(g.front_margin_n.value)} front and "
        f"{units.n(g.rear_margin_n.value)} rear"
        for g in found.groups[:_MOST_GROUPS]
    )
    return Picture(
        key="comparison",
        title=f"By {found.by}",
        caption="Above, the means of the groups; bars are 95 % intervals, from the scatter of the mountings,"
        " and one mounting has none. Below, each run beside the mean of all groups, in order of recording;"
        " a line joins the runs of one mounting, and m is the mounting as noted.",
        words=said,
        svg=svg_text(draw_comparison(found, units)),
        table=_table(found, units),
    )


def draw_comparison(found: Comparison, units: Display = SI) -> Figure:
    """Draw the groups above, the runs in order below."""
    from matplotlib.figure import Figure

    groups = found.groups[:_MOST_GROUPS]
    named = len(found.runs) <= _MOST_NAMED
    rows_in, bottom_in = _ROW_IN * len(groups), _NUMBERS_IN
    if named:  # at a slant
        bottom_in = 0.3 + _LETTER_IN * max((len(_run_name(run)) for run, *_ in found.runs), default=0)
    height_in = _TOP_IN + rows_in + _BETWEEN_IN + _RUNS_IN + bottom_in
    at = " and ".join(f"{t:.0f}" for t in found.throttle_us if t < float("inf"))
    title = f"By {short(found.by, _NAME)}" + (f", steady at {at} µs of throttle" if at else "")
    with settings():
        figure = Figure(figsize=(7.6, height_in))
        figure.text(0.02, 1 - 0.12 / height_in, title, va="top", fontsize=11, weight="bold")
        upper = ((bottom_in + _RUNS_IN + _BETWEEN_IN) / height_in, rows_in / height_in)
        left = figure.add_axes((0.31, upper[0], 0.30, upper[1]))
        right = figure.add_axes((0.67, upper[0], 0.31, upper[1]))
        lower = figure.add_axes((0.10, bottom_in / height_in, 0.88, _RUNS_IN / height_in))
        for place, group in enumerate(groups):
            _bar(left, place + 0.12, group.suction_pa, units.pressure_pa, place)
            _bar(right, place - 0.12, group.front_margin_n, units.force_n, _FRONT)
            _bar(right, place + 0.12, group.rear_margin_n, units.force_n, _REAR)
            if group.suction_pa.value is not None:
                value = estimate_words(group.suction_pa, units.pressure_pa, units.pressure)
                spot = group.suction_pa.value / units.pressure_pa
                left.text(spot, place - 0.08, value, ha="center", va="bottom", fontsize=8)
        for panel in (left, right):
            panel.set_ylim(len(groups) - 0.5, -0.5)
            panel.grid(visible=True, axis="x", color=GRID, linewidth=0.6)
            panel.set_axisbelow(True)
            panel.margins(x=0.2)
        left.set_yticks(range(len(groups)), [_name(group) for group in groups])
        left.locator_params(axis="x", nbins=5)
        right.set_yticks(range(len(groups)), [""] * len(groups))
        left.set_xlabel(f"suction / {units.pressure}")
        right.set_xlabel(f"margin / {units.force}")
        right.axvline(0, color=LIMIT, linewidth=1.0)
        for style, name in ((_FRONT, "front axle"), (_REAR, "rear axle")):  # whichever groups show them
            right.plot([], [], MARKERS[style], color=SERIES[style], markersize=6, label=name)
        right.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=2, fontsize=8, frameon=False)
        _runs(lower, found, named)
    return figure


def _name(group: Group) -> str:
    counts = (("run", len(group.runs)), ("mounting", group.mountings))
    said = ", ".join(f"{n} {what}{'' if n == 1 else 's'}" for what, n in counts)
    return f"{short(group.value, _NAME)}\n{said}"


def _run_name(run: str) -> str:
    return short(run, 18)


def _table(found: Comparison, units: Display) -> dict[str, Any]:
    table: dict[str, Any] = {"group": [], "quantity": [], "unit": [], "value": [], "low": [], "high": []}
    for group in found.groups[:_MOST_GROUPS]:
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
    return table


def _bar(panel: Axes, at: float, estimate: Estimate, factor: float, style: int) -> None:
    if estimate.value is None:
        return
    colour, marker = SERIES[style % len(SERIES)], MARKERS[style % len(MARKERS)]
    if estimate.low is not None and estimate.high is not None:
        panel.plot([estimate.low / factor, estimate.high / factor], [at, at], color=colour, linewidth=2.0)
    panel.plot([estimate.value / factor], [at], marker, color=colour, markersize=6)


def _runs(panel: Axes, found: Comparison, named: bool) -> None:
    places = {group.value: place for place, group in enumerate(found.groups[:_MOST_GROUPS])}
    shown = found.runs[:_MOST_RUNS]
    mountings: dict[tuple[str, int], list[tuple[int, float, str | None]]] = {}
    for number, ((_, name, share), mounting, noted) in enumerate(
        zip(shown, found.run_mountings, found.noted_mountings, strict=False), 1
    ):
        if name in places:
            mountings.setdefault((name, mounting), []).append((number, 100 * (share - 1), noted))
    for (name, _), points in mountings.items():
        place = places[name]
        numbers, shares, noted_as = zip(*points, strict=True)
        panel.plot(
            numbers,
            shares,
            marker=MARKERS[place % len(MARKERS)],
            color=SERIES[place % len(SERIES)],
            linewidth=1.4,
            markersize=5,
        )
        if named and noted_as[0] is not None:
            label = f"m {short(noted_as[0], 8)}"
            panel.annotate(
                label, (numbers[0], shares[0]), (0, 5), textcoords="offset points", ha="center", fontsize=8
            )
    panel.axhline(0.0, color=LIMIT, linewidth=1.0, linestyle=(0, (5, 2)))
    panel.set_ylabel("suction beside mean / %", color=INK)
    panel.margins(y=0.18)
    panel.set_xlim(0.5, max(len(shown), 1) + 0.5)
    if named:
        names = [_run_name(run) for run, *_ in shown]
        panel.set_xticks(range(1, len(shown) + 1), names, rotation=30, ha="right", fontsize=8)
    else:
        panel.set_xlabel("run, in order of recording")
        panel.xaxis.get_major_locator().set_params(integer=True)  # type: ignore[call-arg]
    panel.grid(visible=True, color=GRID, linewidth=0.6)
    panel.set_axisbelow(True)

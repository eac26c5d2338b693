"""The history of a skirt: its runs in order of recording, mounting by mounting."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from undertray.report.display import SI, Display
from undertray.report.page import Grid
from undertray.report.picture import Picture, svg_text
from undertray.report.style import GRID, INK, LIMIT, MARKERS, SERIES, settings, short, stacked

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from undertray.report.runlist import Session

__all__ = ["History", "histories"]

_MOST = 12
_MOST_RUNS = 200
_SAME_US = 20.0  # within which throttles are one: as far as steady means of a level lie apart
_NOT_NOTED = "not noted"


@dataclass(frozen=True, slots=True)
class History:
    """The runs of one value of a fact."""

    value: str
    said: str
    picture: Picture
    mountings: Grid


def histories(found: Sequence[Session], fact: str, units: Display = SI) -> list[History]:
    """The history of each value of a fact that was steady in a run, those with the most runs first."""
    members: dict[str, list[Session]] = {}
    for one in sorted(found, key=lambda one: (one.started, one.file)):
        if one.facts.get(fact) and one.suction_pa is not None:
            members.setdefault(one.facts[fact], []).append(one)
    most = sorted(members.items(), key=lambda item: -len(item[1]))[:_MOST]
    return [_history(value, runs[-_MOST_RUNS:], place, units) for place, (value, runs) in enumerate(most)]


def _history(value: str, runs: Sequence[Session], place: int, units: Display) -> History:
    mountings: dict[str, list[int]] = {}
    for number, one in enumerate(runs):
        mountings.setdefault(one.facts.get("mounting") or _NOT_NOTED, []).append(number)
    usual_us = _usual_us(runs)
    same = [_is_at(one, usual_us) for one in runs]
    noted = len(mountings) - (_NOT_NOTED in mountings)
    count = f"{len(runs)} {'run' if len(runs) == 1 else 'runs'}"
    at = "" if usual_us is None else f" at {usual_us:.0f} µs"
    heads = ("Mounting", "Runs", "From", "To", f"Steady suction{at}", "Lowest to highest")
    rows = [
        _row(name, [runs[i] for i in places], [runs[i] for i in places if same[i]], units)
        for name, places in mountings.items()
    ]
    return History(
        value=value,
        said=f"{count}, {noted or 'no'} {'mounting' if noted == 1 else 'mountings'} noted",
        picture=_picture(value, runs, mountings, same, place, units, at),
        mountings=Grid((*heads, "Least margin", "Losses"), rows),
    )


def _usual_us(runs: Sequence[Session]) -> float | None:
    """The throttle at which most runs were steady; None where none is known."""
    known = [one.throttle_us for one in runs if one.throttle_us is not None]
    return max(known, key=lambda t: (sum(abs(t - u) <= _SAME_US for u in known), t), default=None)


def _is_at(one: Session, usual_us: float | None) -> bool:
    if usual_us is None or one.throttle_us is None:
        return usual_us is one.throttle_us
    return abs(one.throttle_us - usual_us) <= _SAME_US


def _row(name: str, runs: Sequence[Session], same: Sequence[Session], units: Display) -> tuple[str, ...]:
    suction = [one.suction_pa for one in same if one.suction_pa is not None]
    least = [one.least_margin_n for one in runs if one.least_margin_n is not None]
    return (
        name,
        str(len(runs)),
        runs[0].started[:10],
        runs[-1].started[:10],
        units.pa(math.fsum(suction) / len(suction)) if suction else "",
        f"{units.pa(min(suction))} to {units.pa(max(suction))}" if len(suction) > 1 else "",
        units.n(min(least), signed=True) if least else "",
        str(sum(one.losses or 0 for one in runs)),
    )


def _picture(
    value: str,
    runs: Sequence[Session],
    mountings: Mapping[str, Sequence[int]],
    same: Sequence[bool],
    place: int,
    units: Display,
    at: str,
) -> Picture:
    with settings():
        figure, panels = stacked(7.6, (1.7, 1.2), (0.3, 0.2))
        for number, (mounting, places) in enumerate(mountings.items()):
            look: dict[str, Any] = {
                "color": SERIES[number % len(SERIES)],
                "marker": MARKERS[number % len(MARKERS)],
                "markersize": 5,
                "linewidth": 1.4,
            }
            _points(panels[0], runs, places, same, "suction_pa", units.pressure_pa, look)
            _points(panels[1], runs, places, [True] * len(runs), "least_margin_n", units.force_n, look)
            if mounting != _NOT_NOTED and len(mountings) <= 24:
                first = places[0]
                panels[0].annotate(
                    f"m {short(mounting, 8)}",
                    (first + 1, (runs[first].suction_pa or 0.0) / units.pressure_pa),
                    (0, 5),
                    textcoords="offset points",
                    ha="center",
                    fontsize=8,
                )
        panels[0].set_ylabel(f"steady suction / {units.pressure}", color=INK)
        panels[1].set_ylabel(f"least margin / {units.force}", color=INK)
        panels[1].axhline(0.0, color=LIMIT, linewidth=1.0, linestyle=(0, (5, 2)))
        panels[1].set_xlim(0.5, len(runs) + 0.5)
        ticks = _date_ticks(runs)
        panels[1].set_xticks([number for number, _ in ticks], [day for _, day in ticks])
        panels[1].set_xlabel("first run of a day; runs in order of recording")
        for panel in panels:
            panel.margins(y=0.2)
            panel.grid(visible=True, color=GRID, linewidth=0.6)
            panel.set_axisbelow(True)
    other = "" if all(same) else " Hollow: steady at another throttle, so not to be compared."
    table: dict[str, Any] = {
        "run": [one.file for one in runs],
        "mounting": [one.facts.get("mounting") or _NOT_NOTED for one in runs],
        "started": [one.started for one in runs],
        "throttle us": [_nan(one.throttle_us) for one in runs],
        f"steady suction {units.pressure}": [_nan(one.suction_pa) / units.pressure_pa for one in runs],
        f"least margin {units.force}": [_nan(one.least_margin_n) / units.force_n for one in runs],
    }
    return Picture(
        key=f"history-{place + 1}",
        title=f"Run after run: {short(value, 60)}",
        caption=f"Above the mean steady suction{at} of each run, below its least margin. A line joins the"
        f" runs of one mounting, and m is the mounting as noted.{other}",
        words="; ".join(
            f"{one.file}: {units.pa(one.suction_pa)}, least margin {units.n(one.least_margin_n, signed=True)}"
            for one in runs[:20]
        )
        + (" and more." if len(runs) > 20 else "."),
        svg=svg_text(figure),
        table=table,
    )


def _points(
    panel: Axes,
    runs: Sequence[Session],
    places: Sequence[int],
    same: Sequence[bool],
    field: str,
    factor: float,
    look: Mapping[str, Any],
) -> None:
    """The runs of a mounting: joined where they can be compared, hollow where not."""
    for joined in (True, False):
        points = [
            (i + 1, getattr(runs[i], field) / factor)
            for i in places
            if same[i] is joined and getattr(runs[i], field) is not None
        ]
        if points:
            own = look if joined else {**look, "linestyle": "none", "markerfacecolor": "none"}
            panel.plot(*zip(*points, strict=True), **own)


def _date_ticks(runs: Sequence[Session]) -> list[tuple[int, str]]:
    """Where a day begins; of many days a few, evenly."""
    firsts = [
        (at + 1, one.started[:10] or "no date")
        for at, one in enumerate(runs)
        if not at or one.started[:10] != runs[at - 1].started[:10]
    ]
    return firsts[:: -(-len(firsts) // 7)]


def _nan(value: float | None) -> float:
    return math.nan if value is None else value

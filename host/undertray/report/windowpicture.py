"""The drivable window: a picture over the angle of the surface, and words."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from undertray.report.display import SI, Display, span_of
from undertray.report.picture import Picture
from undertray.report.style import DASHES, GRID, INK, LIMIT, SERIES, settings

if TYPE_CHECKING:
    from undertray.predict.drivable import Edge, Whereabouts, Window
    from undertray.reduce.fan import FanReference

__all__ = ["missing_words", "place_words", "window_answer", "window_picture", "window_words"]

_NAMES = {0.0: "on the ground", 90.0: "on a wall", 180.0: "upside down"}
_TICKS = 4


def window_words(window: Window, units: Display = SI, reference: FanReference | None = None) -> Iterator[str]:
    """Say between which suctions a car holds and drives."""

    def at(end: Edge) -> str:
        return f"{_span(end, units)}{_throttle(end, reference)}"

    place = _NAMES.get(window.angle_deg, "")
    yield f"at {window.angle_deg:g} degrees{f', {place}' if place else ''}:"
    falls, needs, grips, locks = window.falls, window.needs, window.grips, window.locks
    if falls.at_pa is None:
        yield f"  no suction up to {units.pa(window.most_pa)} holds it ({falls.limited_by})"
    elif falls.at_pa == 0 and not falls.high_pa:
        yield "  its weight alone holds it"
    else:
        yield f"  falls below {at(falls)}: {falls.limited_by}"
    if needs.at_pa is not None and falls.at_pa is not None and needs.at_pa > falls.at_pa:
        yield f"  has its allowance from {at(needs)} on"
    if grips is not None and grips.at_pa is None:
        yield f"  never drives up to {units.pa(window.most_pa)}: {grips.limited_by} have not the load for it"
    elif grips is not None and grips.at_pa:
        yield f"  drives from {at(grips)} on: below, {grips.limited_by} have not the load"
    if locks is not None and grips is not None and grips.at_pa is not None:
        if locks.at_pa is None:
            sure = "" if locks.low_pa is None else f", with certainty up to {units.pa(locks.low_pa)}"
            sure = sure if locks.low_pa != 0 else ", but with certainty at no suction"
            yield f"  drives up to {units.pa(window.most_pa)} and beyond{sure}"
        else:
            yield f"  locked above {at(locks)}: {locks.limited_by} cannot overcome the skirt"
            if window.pulled_pa is not None and locks.at_pa > window.pulled_pa:
                yield f"  that is beyond what was pulled, which went up to {units.pa(window.pulled_pa)}"
    if window.drives is False:
        yield "  there is no suction at which it both holds and drives"


def missing_words(windows: Sequence[Window]) -> Iterator[str]:
    """Say what was not measured, each once, and at which angles it is missing where not at all of them."""
    missing: dict[str, list[str]] = {}
    for window in windows:
        for said in window.missing:
            missing.setdefault(said, []).append(f"{window.angle_deg:g}")
    for said, angles in missing.items():
        at = "" if len(angles) == len(windows) else f" at {' and '.join(angles)} degrees"
        yield f"not measured{at}, {said}"


def window_answer(window: Window, units: Display = SI, reference: FanReference | None = None) -> str:
    """Say in one sentence between which suctions a car holds and drives at one angle."""
    name = _NAMES.get(window.angle_deg, f"at {window.angle_deg:g} degrees")
    falls, grips, locks = window.falls, window.grips, window.locks
    if falls.at_pa is None:
        return f"{_capital(name)} no suction up to {units.pa(window.most_pa)} holds it."
    if falls.at_pa == 0 and not falls.high_pa:
        holds = f"{_capital(name)} its weight alone holds it"
    else:
        at = f"{_span(falls, units)}{_throttle(falls, reference)}"
        holds = f"{_capital(name)} it holds from a suction of {at} on"
    if window.drives is False:
        return f"{holds}, and drives at none."
    if locks is None or grips is None or grips.at_pa is None:
        return f"{holds}; up to where it drives is not known."
    if locks.at_pa is None:
        return f"{holds}, and drives up to {units.pa(window.most_pa)} and beyond."
    return f"{holds}, and drives up to {_span(locks, units)}{_throttle(locks, reference)}."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _span(end: Edge, units: Display) -> str:
    low = "0" if end.low_pa is None else units.pa(end.low_pa)
    if end.low_pa is None and end.high_pa is None:
        return units.pa(end.at_pa)
    high = "no end" if end.high_pa is None else units.pa(end.high_pa)
    return f"{units.pa(end.at_pa)} ({span_of(low, high)})"


def _throttle(end: Edge, reference: FanReference | None) -> str:
    if reference is None or end.at_pa is None:
        return ""
    us = float(reference.throttle_us(end.at_pa))
    if us > reference.top_us:
        return f", more than the {reference.top_us:.0f} µs that were measured"
    return f", {us:.0f} µs"


def place_words(found: Whereabouts) -> str:
    """Say where a run was in its window."""
    if found.highest_pa is None:
        return "the fans never were up"
    said = [
        f"{seconds:.1f} s {what}"
        for seconds, what in (
            (found.below_s, "below its lower end"),
            (found.inside_s, "in it"),
            (found.unsure_s, "where an end may lie"),
            (found.above_s, "above it"),
        )
        if seconds
    ]
    locked = ": locked, wherever it was asked to drive there" if found.locked else ""
    return f"with the fans up, {', '.join(said)}{locked}"


def window_picture(
    windows: Sequence[Window],
    places: Sequence[tuple[float, float]] = (),
    units: Display = SI,
    reference: FanReference | None = None,
) -> Picture:
    """Draw the window over the angle of the surface."""
    from matplotlib.figure import Figure

    angle = np.array([one.angle_deg for one in windows])
    per = units.pressure_pa
    most = max(one.most_pa for one in windows)
    falls, grips, locks = (
        _ends([_drawn(one, name) for one in windows], most) for name in ("falls", "grips", "locks")
    )
    top = 1.15 * max([pa for _, pa in places] + [_shown(one) for one in windows])
    top = min(most, top)
    lower = np.fmax(falls[0], grips[0])
    upper = np.fmin(np.where(np.isnan(locks[0]), top, locks[0]), top)
    there = np.array([one.drives is not False and one.falls.at_pa is not None for one in windows])
    with settings():
        figure = Figure(figsize=(6.4, 3.3))
        panel = figure.add_axes((0.1, 0.16, 0.78 if reference else 0.87, 0.74))
        for place, (end, name) in enumerate(
            ((falls, "falls below"), (locks, "locked above"), (grips, "drives from here on"))
        ):
            if np.nanmax(end[0], initial=0.0) > 0:
                _edge(panel, angle, end, per, place, name)
        panel.fill_between(
            angle,
            lower / per,
            upper / per,
            where=there & (upper > lower),
            color=SERIES[2],
            alpha=0.10,
            linewidth=0,
        )
        for where, pa in places:
            panel.plot(
                [where],
                [pa / per],
                "o",
                color=INK,
                markersize=5,
                markerfacecolor="none",
                clip_on=False,
                zorder=5,
            )
        panel.set_xlim(0, 180)
        panel.set_xticks([0, 45, 90, 135, 180])
        panel.set_ylim(0, top / per)
        panel.set_xlabel("angle of the surface / degrees")
        panel.set_ylabel(f"mean suction / {units.pressure}")
        panel.grid(visible=True, color=GRID, linewidth=0.6)
        panel.set_axisbelow(True)
        panel.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=3, frameon=False, handlelength=3.2)
        if reference is not None:
            _throttles(panel, reference, top, per)
    return Picture(
        key="window",
        title="Drivable window",
        caption="Suction at which the car holds and drives, by the angle of its surface; bands are what an"
        " end is uncertain by, rings are steady running.",
        words=" ".join(
            f"{line.strip()}." for one in _told(windows) for line in window_words(one, units, reference)
        ),
        figure=figure,
        table={
            "angle": angle.tolist(),
            **{
                f"{name}_{what}": [
                    _number(getattr(getattr(one, name), f"{what}_pa", None), per) for one in windows
                ]
                for name in ("falls", "grips", "locks")
                for what in ("at", "low", "high")
            },
            "unit": [units.pressure] * len(windows),
        },
    )


def _told(windows: Sequence[Window]) -> list[Window]:
    return [one for one in windows if one.angle_deg in _NAMES]


def _shown(window: Window) -> float:
    """Up to where an end has to be in the picture."""
    locks = window.locks
    if locks is None or not locks.at_pa:
        return window.falls.at_pa or 0.0
    return locks.high_pa or locks.at_pa


def _number(pa: float | None, per: float) -> float:
    return math.nan if pa is None else pa / per


def _drawn(window: Window, name: str) -> Edge | None:
    """An end; none of driving where it never drives."""
    drives = window.grips is not None and window.grips.at_pa is not None
    return window.falls if name == "falls" else getattr(window, name) if drives else None


def _ends(ends: Sequence[Edge | None], most: float) -> tuple[Any, Any, Any]:
    """An end over the angles, with its interval."""
    rows = []
    for one in ends:
        if one is None:
            rows.append((math.nan,) * 3)
        elif one.at_pa is None:
            rows.append((math.nan, one.low_pa or math.nan, most))
        elif one.low_pa is None and one.high_pa is None:
            rows.append((one.at_pa,) * 3)
        else:
            rows.append((one.at_pa, one.low_pa or 0.0, most if one.high_pa is None else one.high_pa))
    at, low, high = np.array(rows).T
    return at, low, high


def _edge(panel: Any, angle: Any, end: tuple[Any, Any, Any], per: float, place: int, name: str) -> None:
    at, low, high = end
    panel.fill_between(angle, low / per, high / per, color=SERIES[place], alpha=0.15, linewidth=0)
    panel.plot(angle, at / per, color=SERIES[place], linestyle=DASHES[place], linewidth=1.4, label=name)


def _throttles(panel: Any, reference: FanReference, top_pa: float, per: float) -> None:
    """The throttle that gives a suction, at the right."""
    ends = np.linspace(reference.idle_us, float(reference.throttle_us(top_pa)), _TICKS + 2)[1:]
    step = 50.0 if ends[-1] - ends[0] < 600 else 100.0
    us = np.unique(np.round(ends / step) * step)
    pa = reference.suction_pa(us)
    right = panel.secondary_yaxis("right")
    right.set_yticks((pa / per).tolist(), [f"{one:.0f}" for one in us.tolist()])
    right.set_ylabel("throttle / µs", color=LIMIT)

"""Pulls of a balance in words and pictures: along the surface, and off it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from undertray.report.comparewords import WIDE, text_table
from undertray.report.display import SI, Display, number, off_text
from undertray.report.picture import Picture
from undertray.report.style import DASHES, GRID, LIMIT, MARKERS, SERIES, settings

if TYPE_CHECKING:
    from undertray.predict.drag import Drag, Line
    from undertray.predict.pullfit import Span
    from undertray.reduce.forcecheck import ForceCheck
    from undertray.reduce.pulls import Pull, Suction
    from undertray.reduce.summary import Estimate

__all__ = ["drag_picture", "drag_words", "force_picture", "force_words"]


# Pulls along the surface.

_KIND = {"breakaway": "just moves", "moving": "keeps moving"}
_WHEELS = {"free": "wheels free", "locked": "wheels locked", "none": "the skirt alone"}
_POINTS = 60


def drag_words(drag: Drag, units: Display = SI, width: int = WIDE) -> Iterator[str]:
    """Say what pulls along the surface tell: skirt and tyres first, then the pulls that they rest on."""
    yield from _drag_answer(drag)
    yield ""
    yield f"pulls on level ground, weight {units.n(drag.weight_n)}"
    heads = ("", "without suction", "times the suction force", "pulls", "suction up to")
    rows = [_cells(line, units) for line in drag.lines]
    yield from text_table(heads, rows, width, numbers_right=False) if rows else ["none gives a line"]
    yield from _doubt_words(drag)


def _drag_answer(drag: Drag) -> Iterator[str]:
    """What the skirt carries, and what grips."""
    if drag.share is not None:
        share = drag.share
        off = off_text(share.u95, lambda u95: f"{100 * u95:.2g}")
        yield (
            f"The skirt carries {100 * share.mean:.0f}{off} % of the suction force in place of the tyres,"
            f" so {100 * (1 - share.mean):.0f} % press the tyres on."
        )
    elif drag.share_at_least:
        yield f"The skirt carries {100 * drag.share_at_least:.0f} % of the suction force at least."
    else:
        yield "What the skirt carries is not known."
    for one in drag.frictions:
        said = [
            f"{what} {_plain(found)}"
            for what, found in (("tyres", one.tyre_mu), ("skirt", one.skirt_mu))
            if found is not None
        ]
        if said:
            yield f"friction, {_KIND[one.kind]}: {', '.join(said)}"


def _doubt_words(drag: Drag) -> Iterator[str]:
    for missing in drag.missing:
        yield f"not measured, {missing}"
    if not drag.calibrated:
        yield "without a calibration the error of the numbers that rest on suction is not known"


def _cells(line: Line, units: Display) -> tuple[str, ...]:
    """One kind of pull as a line of the table."""
    span = line.span
    name = f"{_KIND[span.kind]}, {_WHEELS[span.wheels]}"
    if span.wheels == "none":
        return name, f"{_plain(line.level_n)} of its load", "", str(span.pulls), ""
    level = units.n(line.level_n.mean) + off_text(line.level_n.u95, units.n)
    if line.per_n is None:
        return name, level, "", str(span.pulls), ""
    return name, level, _plain(line.per_n), str(span.pulls), units.n(span.high_n)


def _plain(found: Estimate) -> str:
    return number(found.mean, 3) + off_text(found.u95, lambda u95: number(u95, 2))


def drag_picture(drag: Drag, pulls: Sequence[tuple[Pull, Suction]] = (), units: Display = SI) -> Picture:
    """Draw pulls against suction force, with their lines."""
    from matplotlib.figure import Figure

    table: dict[str, list[float | str]] = {"line": [], "suction": [], "pull": [], "u95": []}
    lines = [line for line in drag.lines if line.per_n is not None]
    states = [state for state in ("free", "locked") if any(line.span.wheels == state for line in lines)]
    with settings():
        figure = Figure(figsize=(3.5 * max(1, len(states)), 3.0))
        wide = 1.0 / max(1, len(states))
        for place, state in enumerate(states):
            # free wheels take a tenth of what locked ones do: each has its own scale
            panel = figure.add_axes((wide * (place + 0.19), 0.17, wide * 0.77, 0.72))
            panel.set_title(_WHEELS[state], fontsize=9.0, loc="left")
            for line in lines:
                if line.span.wheels == state:
                    _draw(panel, drag, line.span, pulls, units, table)
            panel.set_xlim(left=0)
            panel.set_ylim(bottom=0)
            panel.set_xlabel(f"suction force / {units.force}")
            panel.set_ylabel(f"pull along the surface / {units.force}")
            panel.grid(visible=True, color=GRID, linewidth=0.6)
            panel.set_axisbelow(True)
            panel.legend(loc="upper left", frameon=False, handlelength=3.2)
    return Picture(
        key="pull-test",
        title="Pull along the surface against suction",
        caption="Pulls of a balance and the lines through them; the uncertainty of a line is shaded. The"
        " slope of the free wheels is what each newton of suction costs in drag.",
        words=" ".join(f"{line.rstrip('.')}." for line in (*_drag_answer(drag), *_doubt_words(drag))),
        figure=figure,
        table=table,
    )


def _draw(
    panel: Any,
    drag: Drag,
    span: Span,
    pulls: Sequence[tuple[Pull, Suction]],
    units: Display,
    table: dict[str, list[float | str]],
) -> None:
    """One line with what it is uncertain by, its pulls, and its numbers."""
    place, per = list(_KIND).index(span.kind), units.force_n
    colour, name = SERIES[place], _KIND[span.kind]
    at_n = np.linspace(0.0, 1.1 * max(span.high_n, 0.0), _POINTS)
    found = [drag.force_n(n, span.wheels, span.kind) for n in at_n.tolist()]
    mean = np.array([one.mean for one in found if one is not None])
    half = np.array([one.u95 or 0.0 for one in found if one is not None])
    panel.plot(at_n / per, mean / per, color=colour, linestyle=DASHES[place], label=name)
    panel.fill_between(
        at_n / per, (mean - half) / per, (mean + half) / per, color=colour, alpha=0.15, linewidth=0
    )
    own = [
        (s.mean_n / per, p.pull_n / per) for p, s in pulls if (p.kind, p.wheels) == (span.kind, span.wheels)
    ]
    if own:
        x, y = zip(*own, strict=True)
        panel.plot(x, y, MARKERS[place], color=colour, markersize=4.5, linestyle="none")
    for n, m, h in zip(at_n.tolist(), mean.tolist(), half.tolist(), strict=True):
        table["line"].append(f"{name}, {_WHEELS[span.wheels]}")
        table["suction"].append(n / per)
        table["pull"].append(m / per)
        table["u95"].append(h / per)


# Pull-offs.


def force_words(found: ForceCheck, units: Display = SI) -> Iterator[str]:
    """Say how pulls and computed forces go together."""
    way = "hanging, pulled down" if found.hanging else "standing, pulled up"
    yield f"{way}; the weight of {units.n(found.weight_n)} is in both"
    yield from _hook_words(found)
    for pull in found.pulls:
        at = f"{pull.at_s:.2f} s" if pull.at_s is not None else f"{pull.throttle_us:.0f} µs"
        if pull.fell_s is not None:
            at += f", where the suction was falling since {pull.fell_s:.1f} s and is taken from before"
        word = {
            True: "within",
            False: "NOT within",
            None: "without a calibration it is not known whether within",
        }
        yield (
            f"at {at}: pulled {units.n(pull.pulled_n)} ±{units.n(pull.pulled_half_n)}, computed"
            f" {units.n(pull.computed_n)}{off_text(pull.u95_n, units.n)}: {word[pull.within]} their joint"
            " uncertainty"
        )
    count = f"{len(found.pulls)} pulls" if len(found.pulls) > 1 else "one pull"
    ratio = f"{found.ratio:.3f}{off_text(found.ratio_half, '.3f')}"
    yield f"pulled over computed suction force: {ratio} ({count})"
    yield from found.notices
    largest = units.n(found.largest_n, signed=True)
    if found.agree:
        yield f"balance and taps agree within {units.n(abs(found.largest_n))}. Nothing is corrected"
    elif found.agree is None:
        yield f"balance and taps differ by {largest} at most. Nothing is corrected"
    elif found.at_middle is not None:
        yield (
            f"over the centre of the load balance and taps do NOT agree: {largest} at most. Over the middle"
            f" of the wheelbase, where the {found.at_middle} axle comes off first, they do: note where it"
            " hooked in a column hook_mm. Nothing is corrected"
        )
    else:
        yield (
            f"balance and taps do NOT agree: {largest} at most. Nothing is corrected: look at the"
            " floor's outline, taps near leaks and fans, the mass, and where and how the balance pulled"
        )


def _hook_words(found: ForceCheck) -> Iterator[str]:
    """Where the balance hooked, and what comes off first there."""
    told = {(p.hook_mm, p.lifts) for p in found.pulls}
    for hook_mm, axle in sorted(told, key=lambda one: (one[0] or 0.0, one[1] or "")):
        if hook_mm is not None:
            yield f"hooked {hook_mm:.0f} mm behind the front axle, where the {axle} axle comes off first"
    if any(hook_mm is None for hook_mm, _ in told):
        low, high = (f"{mm:.0f}" for mm in found.centre_mm)
        span = low if low == high else f"{low} to {high}"
        yield (
            f"taken as hooked over the centre of the load, {span} mm behind the front axle; elsewhere one"
            " axle comes off first, with less: note hook_mm"
        )


def force_picture(found: ForceCheck, units: Display = SI) -> Picture:
    """Draw pulls against computed forces."""
    from matplotlib.figure import Figure

    computed = [p.computed_n / units.force_n for p in found.pulls]
    pulled = [p.pulled_n / units.force_n for p in found.pulls]
    across = [0.0 if p.u95_n is None else p.u95_n / units.force_n for p in found.pulls]
    up = [p.pulled_half_n / units.force_n for p in found.pulls]
    apart = [one - other for one, other in zip(pulled, computed, strict=True)]
    bars = [p.allowed_n / units.force_n for p in found.pulls]
    with settings():
        figure = Figure(figsize=(3.7, 2.6))
        panel = figure.add_axes((0.2, 0.2, 0.76, 0.74))
        panel.axhline(0.0, color=LIMIT, linewidth=1.0, linestyle=(0, (5, 2)))
        panel.errorbar(
            computed,
            apart,
            yerr=bars,
            fmt=MARKERS[0],
            color=SERIES[0],
            markersize=5,
            linewidth=1.6,
            capsize=3,
        )
        panel.set_xlim(1.1 * min(0.0, *computed), 1.1 * max(0.0, *computed))
        most = 1.15 * max(abs(one) + bar for one, bar in zip(apart, bars, strict=True)) or 1.0
        panel.set_ylim(-most, most)
        panel.set_xlabel(f"computed from the taps / {units.force}")
        panel.set_ylabel(f"pulled less computed / {units.force}")
        panel.grid(visible=True, color=GRID, linewidth=0.6)
        panel.set_axisbelow(True)
    return Picture(
        key="force-check",
        title="Balance against taps",
        caption="Force at which the car came off, read from a balance, less the computed one. On the dashed"
        " line both are alike; a bar that does not reach it says that they are not. Bars are what both are"
        " uncertain by together; without a calibration, the balance alone.",
        words=" ".join(f"{line}." for line in list(force_words(found, units))[-2:]),
        figure=figure,
        table={
            "computed": computed,
            "u95": across,
            "pulled": pulled,
            "half_width": up,
            "unit": [units.force] * len(computed),
        },
        size="middle",
    )

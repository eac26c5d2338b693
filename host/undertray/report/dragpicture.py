"""Pulls along the surface against suction: a picture and words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from undertray.report.display import SI, Display, number
from undertray.report.picture import Picture, svg_text
from undertray.report.style import DASHES, GRID, MARKERS, SERIES, settings

if TYPE_CHECKING:
    from undertray.predict.drag import Drag, Line
    from undertray.predict.pullfit import Span
    from undertray.reduce.pulls import Pull, Suction
    from undertray.reduce.summary import Estimate

__all__ = ["drag_picture", "drag_words"]

_KIND = {"breakaway": "just moves", "moving": "keeps moving"}
_WHEELS = {"free": "wheels free", "locked": "wheels locked", "none": "the skirt alone"}
_POINTS = 60


def drag_words(drag: Drag, units: Display = SI) -> Iterator[str]:
    """Say what pulls along the surface tell."""
    yield f"on level ground, weight {units.n(drag.weight_n)}:"
    for line in drag.lines:
        yield _line(line, units)
    for one in drag.frictions:
        said = [
            f"{what} {_plain(found)}"
            for what, found in (("tyres", one.tyre_mu), ("skirt", one.skirt_mu))
            if found is not None
        ]
        if said:
            yield f"friction, {_KIND[one.kind]}: {', '.join(said)}"
    if drag.share is not None:
        share = drag.share
        off = "" if share.u95 is None else f" ±{100 * share.u95:.2g}"
        yield (
            f"the skirt carries {100 * share.mean:.0f}{off} % of the suction force in place of the tyres,"
            f" so {100 * (1 - share.mean):.0f} % press the tyres on"
        )
    elif drag.share_at_least:
        yield f"the skirt carries {100 * drag.share_at_least:.0f} % of the suction force at least"
    for missing in drag.missing:
        yield f"not measured, {missing}"
    if not drag.calibrated:
        yield "without a calibration the error of the numbers that rest on suction is not known"


def _line(line: Line, units: Display) -> str:
    span = line.span
    count = f"{span.pulls} pull{'s' if span.pulls > 1 else ''}"
    if span.wheels == "none":
        return f"{_KIND[span.kind]}, the skirt alone: {_plain(line.level_n)} of its load ({count})"
    off = "" if line.level_n.u95 is None else f" ±{units.n(line.level_n.u95)}"
    head = f"{_KIND[span.kind]}, {_WHEELS[span.wheels]}: {units.n(line.level_n.mean)}{off} without suction"
    if line.per_n is None:
        return f"{head} ({count})"
    return (
        f"{head}, and {_plain(line.per_n)} times the suction force"
        f" ({count}, up to {units.n(span.high_n)} of suction)"
    )


def _plain(found: Estimate) -> str:
    return number(found.mean, 3) + ("" if found.u95 is None else f" ±{number(found.u95, 2)}")


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
        words=" ".join(f"{line}." for line in drag_words(drag, units)),
        svg=svg_text(figure),
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

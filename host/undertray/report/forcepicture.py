"""Pulled against computed force: a picture and words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from undertray.report.display import SI, Display
from undertray.report.picture import Picture, svg_text
from undertray.report.style import GRID, LIMIT, MARKERS, SERIES, settings

if TYPE_CHECKING:
    from undertray.reduce.pulloff import ForceCheck

__all__ = ["force_picture", "force_words"]


def force_words(found: ForceCheck, units: Display = SI) -> Iterator[str]:
    """Say how pulls and computed forces go together."""
    way = "hanging, pulled down" if found.hanging else "standing, pulled up"
    yield f"{way}; the weight of {units.n(found.weight_n)} is in both"
    for pull in found.pulls:
        at = f"{pull.at_s:.2f} s" if pull.at_s is not None else f"{pull.throttle_us:.0f} µs"
        u95 = "" if pull.u95_n is None else f" ±{units.n(pull.u95_n)}"
        word = {
            True: "within",
            False: "NOT within",
            None: "without a calibration it is not known whether within",
        }
        yield (
            f"at {at}: pulled {units.n(pull.pulled_n)} ±{units.n(pull.pulled_half_n)}, computed"
            f" {units.n(pull.computed_n)}{u95}: {word[pull.within]} their joint uncertainty"
        )
    span = "" if found.ratio_half is None else f" ±{found.ratio_half:.3f}"
    count = f"{len(found.pulls)} pulls" if len(found.pulls) > 1 else "one pull"
    yield f"pulled over computed suction force: {found.ratio:.3f}{span} ({count})"
    largest = units.n(found.largest_n, signed=True)
    if found.agree:
        yield f"balance and taps agree within {units.n(abs(found.largest_n))}. Nothing is corrected"
    elif found.agree is None:
        yield f"balance and taps differ by {largest} at most. Nothing is corrected"
    else:
        yield (
            f"balance and taps do NOT agree: {largest} at most. Nothing is corrected: look at the"
            " floor's outline, taps near leaks and fans, the mass, and where and how the balance pulled"
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
        svg=svg_text(figure),
        table={
            "computed": computed,
            "u95": across,
            "pulled": pulled,
            "half_width": up,
            "unit": [units.force] * len(computed),
        },
        size="middle",
    )

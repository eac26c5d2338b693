"""The ledger of dips in words, for a terminal and for a page."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from undertray.errors import escaped
from undertray.report.display import Display
from undertray.report.words import wrapped

if TYPE_CHECKING:
    from undertray.reduce.dips import Dip
    from undertray.reduce.run import Reduction

__all__ = ["dip_lines", "dip_rows", "dip_words"]

_MOST_LINES, _MOST_ROWS, _MOST_ALARMS = 20, 150, 5


def dip_words(reduction: Reduction) -> Iterator[str]:
    """Say what dips a run had: how many, how grave, and when the board's own alarm sounded.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.

    Yields
    ------
    str
        Sentences.
    """
    dips, travel_mm = reduction.dips, reduction.hold.skirt_travel_mm
    if not dips:
        yield "no dip found"
    else:
        short = [dip for dip in dips if dip.deficit_n > 0]
        deepest = max(dip.depth for dip in dips)
        count = f"{len(dips)} {'dip' if len(dips) == 1 else 'dips'}"
        rate = reduction.dips_per_min
        often = "" if rate is None else f", {rate:.1f} a minute with the fans up"
        yield (
            f"{count}{often}; the deepest took {deepest:.0%} of an axle's load; {len(short) or 'none'} left "
            "less than it takes to stay on."
        )
        drops = [dip.drop_mm for dip in short if dip.drop_mm is not None]
        if drops and travel_mm is not None:
            beyond = sum(drop_mm > travel_mm for drop_mm in drops)
            travel = f"the skirt's travel of {travel_mm:g} mm"
            if beyond:
                yield (
                    f"In {beyond} the car would have dropped beyond {travel}: what a skirt loses so does not "
                    "come back by itself."
                )
            else:
                yield f"All drops are within {travel}."
        if not np.isfinite(reduction.series.throttle_us).any():
            yield "There is no throttle in the log: a blip of the throttle looks the same."
    alarms = reduction.alarms
    if alarms:
        times = {1: "once", 2: "twice"}.get(len(alarms), f"{len(alarms)} times")
        named = ", ".join(
            f"at {one.start_s:.2f} s for {one.duration_s:.2f} s" for one in alarms[:_MOST_ALARMS]
        )
        more = ", ..." if len(alarms) > _MOST_ALARMS else ""
        yield f"On the car the board's alarm sounded {times}: {named}{more}."


def dip_lines(reduction: Reduction) -> list[str]:
    """Tell the dips of a run as lines for a terminal.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.

    Returns
    -------
    list of str
        Lines of at most 100 columns: what is to be said of them all, and a table of the gravest.
    """
    lines = [wrapped(line, "  ") for line in dip_words(reduction)]
    shown = _gravest(reduction, _MOST_LINES)
    if shown:
        lines.append(
            f"{'start, s':>10}{'for, ms':>9}{'depth':>7}  {'first tap':14}{'short, N':>9}  {'axle':10}"
            f"{'drop, mm':>9}  told as"
        )
    for dip in shown:
        drop = "-" if dip.drop_mm is None else f"{dip.drop_mm:.1f}"
        first = escaped(dip.first_tap or "-")[:40]
        lines.append(
            f"{dip.start_s:10.3f}{1e3 * dip.duration_s:9.0f}{dip.depth:7.0%}  {first:14}{dip.deficit_n:9.1f}"
            f"  {dip.axle:10}{drop:>9}  {dip.told_as or '-'}"
        )
    if 0 < len(shown) < len(reduction.dips):
        lines.append(f"... and {len(reduction.dips) - len(shown)} lesser ones (--json lists all)")
    return lines


def dip_rows(reduction: Reduction, units: Display) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Tell the dips of a run as a table for a page.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    units : Display
        Units of the numbers.

    Returns
    -------
    heads, rows : tuple of str, list of tuple of str
        The gravest dips, in order of time.
    """
    heads = ("Start", "For", "Depth", "First tap", "Short by", "Worst axle", "Drop", "Told as")
    rows: list[tuple[str, ...]] = [
        (
            f"{dip.start_s:.3f} s",
            f"{1e3 * dip.duration_s:.0f} ms",
            f"{dip.depth:.0%}",
            dip.first_tap or "",
            units.n(dip.deficit_n),
            dip.axle,
            "" if dip.drop_mm is None else f"{dip.drop_mm:.1f} mm",
            dip.told_as or "",
        )
        for dip in _gravest(reduction, _MOST_ROWS)
    ]
    return heads, rows


def _gravest(reduction: Reduction, most: int) -> list[Dip]:
    """The dips that are worth a line each: those that left an axle short or are told elsewhere as well."""
    grave = [dip for dip in reduction.dips if dip.deficit_n > 0 or dip.told_as is not None]
    grave.sort(key=lambda dip: (-(dip.drop_mm or 0.0), -dip.deficit_n, dip.start_s))
    return sorted(grave[:most], key=lambda dip: dip.start_s)

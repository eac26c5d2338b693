"""A reduced run in words: what a person wants to know first, in plain lines."""

from __future__ import annotations

import re
import shutil
import sys
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from undertray.errors import escaped
from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.warning import UNTOLD, warning_words
from undertray.report.display import SI, Display, moment_text, off_text, speed_name

if TYPE_CHECKING:
    from undertray.predict.axles import Axles
    from undertray.reduce.dips import Dip
    from undertray.reduce.grip import Grip
    from undertray.reduce.loss import Loss
    from undertray.reduce.run import Reduction
    from undertray.reduce.summary import Steady

__all__ = [
    "CAUTIONS",
    "WIDTH",
    "WITHOUT_THROTTLE",
    "caution_line",
    "caution_lines",
    "data_gaps",
    "dip_lines",
    "dip_rows",
    "dip_words",
    "event_words",
    "fault_taps",
    "felt_lines",
    "few_names",
    "first_words",
    "gap_words",
    "grouped_notices",
    "length_words",
    "losses_told",
    "note_lines",
    "onset_words",
    "order_words",
    "other_levels",
    "room",
    "run_words",
    "shifted_load",
    "steady_at",
    "told_events",
    "wrapped",
]


# One fall: since when, which tap first, for how long.


def told_events(reduction: Reduction) -> tuple[Loss, ...]:
    """The events that are told one by one, in order: all but the times without rows."""
    return tuple(event for event in reduction.events if event.kind != "data-gap")


def data_gaps(reduction: Reduction) -> tuple[Loss, ...]:
    """The times without rows, in order."""
    return tuple(event for event in reduction.events if event.kind == "data-gap")


def fault_taps(event: Loss) -> tuple[str, ...]:
    """The taps that an event is of: in the order they fell, else the first alone, if that is known."""
    return tuple(event.order) or (() if event.first_tap is None else (event.first_tap,))


def gap_words(reduction: Reduction) -> str:
    """The times without rows, all in one sentence."""
    gaps = data_gaps(reduction)
    if not gaps:
        return ""
    lengths_s = [(gap.end_s or gap.onset_s) - gap.onset_s for gap in gaps]
    longest = max(range(len(gaps)), key=lambda k: lengths_s[k])
    where = f"{lengths_s[longest]:.2f} s at {moment_text(gaps[longest].onset_s)}"
    if len(gaps) == 1:
        return f"No rows came for {where}."
    return f"{len(gaps)} times no rows came, {sum(lengths_s):.2f} s in all; the longest was {where}."


def onset_words(event: Loss, digits: int = 3) -> str:
    """Say since when."""
    if event.onset_between_s is None:
        return moment_text(event.onset_s, digits)
    first_s, last_s = event.onset_between_s
    return f"between {first_s:.{digits}f} and {last_s:.{digits}f} s, while no rows came"


def first_words(event: Loss) -> str:
    """Say which tap fell first, in a word."""
    if event.first_tap is not None:
        return event.first_tap
    return "together" if len(event.order_ms) > 1 else ""


def order_words(event: Loss) -> str:
    """Say in which order the taps fell."""
    if not event.order or event.kind in ("sensor-fault", "data-gap"):
        return ""
    first, together = event.order[0], " and ".join(_few(event.order))
    if event.kind == "slow-leak" and not event.order_ms:
        return "most at " + ", then ".join(event.order)
    if len(event.order) == 1:
        return f"{first} alone"
    if not event.order_ms:  # as coarse as the hole in the rows
        known = f"{first} first, and in which order the others" if event.first_tap else "in which order"
        return f"{together} fell, {known} is not known: rows are missing"
    if event.first_tap is None:
        within = f" within {max(event.order_ms):.0f} ms" if max(event.order_ms) >= 0.5 else ""
        return f"{together} fell together{within}"
    taps = [f"{name} {ms:.0f} ms" for name, ms in zip(event.order, event.order_ms, strict=True)]
    return f"{first} first, then {', '.join(taps[1:])} later"


def _few(names: Sequence[str]) -> Sequence[str]:
    """Names in a row; of more than two, how many."""
    return names if len(names) <= 2 else (f"{len(names)} taps",)


def length_words(event: Loss) -> str:
    """Say that a loss was brief."""
    if not event.brief:
        return ""
    return "brief" if event.end_s is None else f"brief, healed after {event.end_s - event.onset_s:.2f} s"


def losses_told(losses: int, brief: int) -> str:
    """How many losses, and how many of them were brief."""
    return f"{losses}, {brief} brief" if brief else str(losses)


# The ledger of dips in words, for a terminal and for a page.

_MOST_LINES, _MOST_ROWS, _MOST_ALARMS = 20, 150, 5


def dip_words(reduction: Reduction, units: Display = SI) -> Iterator[str]:
    """Say what dips a run had: how many, how grave, and when the board's own alarm sounded."""
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
            travel = f"the skirt's travel of {travel_mm / units.length_mm:.3g} {units.length}"
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


def dip_lines(reduction: Reduction, units: Display = SI) -> list[str]:
    """Tell the dips of a run as lines for a terminal."""
    lines = [wrapped(line, "  ") for line in dip_words(reduction, units)]
    shown = _gravest(reduction, _MOST_LINES)
    if shown:
        lines.append(
            f"{'start, s':>10}{'for, ms':>9}{'depth':>7}  {'first tap':14}{f'short, {units.force}':>10}"
            f"  {'axle':10}{f'drop, {units.length}':>9}  event"
        )
    for dip in shown:
        drop = "-" if dip.drop_mm is None else units.mm_text(dip.drop_mm, finer=1)
        first = escaped(dip.first_tap or "-")[:40]
        lines.append(
            f"{dip.start_s:10.3f}{1e3 * dip.duration_s:9.0f}{dip.depth:7.0%}  {first:14}"
            f"{units.n_text(dip.deficit_n, '10')}  {dip.axle:10}{drop:>9}  {dip.told_as or '-'}"
        )
    if 0 < len(shown) < len(reduction.dips):
        lines.append(f"... and {len(reduction.dips) - len(shown)} lesser ones (--json lists all)")
    return lines


def dip_rows(reduction: Reduction, units: Display) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Tell the dips of a run as a table for a page."""
    heads = ("Start", "For", "Depth", "First tap", "Short by", "Worst axle", "Drop", "Event")
    rows: list[tuple[str, ...]] = [
        (
            f"{dip.start_s:.3f} s",
            f"{1e3 * dip.duration_s:.0f} ms",
            f"{dip.depth:.0%}",
            dip.first_tap or "",
            units.n(dip.deficit_n),
            dip.axle,
            "" if dip.drop_mm is None else f"{units.mm_text(dip.drop_mm, finer=1)} {units.length}",
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


_MOST_LEVELS = 6
_MOST_NAMES = 5
_MOST_NOTICES = 10
WIDTH = 100
"""Columns of a line of text."""

CAUTIONS = (
    "Spinning fans throw debris: wear eye and ear protection, keep fingers, hair and cables away.",
    "Charge and store lithium packs as their maker says, and never alone.",
    "A computed margin is no guarantee: it knows its taps and the past, not the next bump.",
    "Nobody under a car on a wall or a ceiling; hang a catch net or a strap.",
    "Local rules and licensed practice come first.",
)
"""They go with every margin that is printed and with everything that drives the fans, and stand here once."""

_QUANTITY = re.compile(r"(\d) (s|N|Pa|Hz|mm|g|lbf|inH2O)\b")


def room(most: int = WIDTH) -> int:
    """Columns that a line may take: those of the terminal where there is one, and at most so many."""
    return min(most, shutil.get_terminal_size().columns) if sys.stdout.isatty() else most


def wrapped(text: str, indent: str = "", width: int | None = None) -> str:
    """A sentence as lines of a width, of at most 100 columns or the terminal's if left out.

    A number keeps its unit beside it, and a name with a hyphen is not broken.
    """
    kept = textwrap.fill(
        _QUANTITY.sub("\\1\u00a0\\2", text),
        width or room(),
        subsequent_indent=indent,
        break_on_hyphens=False,
    )
    return kept.replace("\u00a0", " ")


def caution_lines() -> str:
    """The cautions as lines for a terminal."""
    return "Caution.\n" + "\n".join(f"  {one}" for one in CAUTIONS)


def caution_line() -> str:
    """The cautions in one line, for what is printed often."""
    return "Caution: a computed margin is no guarantee, and local rules come first. In full: README, Safety."


def note_lines(notice: str) -> str:
    """A notice as lines for a terminal."""
    return wrapped(f"note: {notice}", "  ")


def few_names(names: Sequence[str]) -> str:
    """Name some files, the first few of many."""
    more = f" and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else ""
    return ", ".join(escaped(name) for name in names[:_MOST_NAMES]) + more


def grouped_notices(told: Iterable[tuple[str, str]]) -> list[str]:
    """Put what is said of several files into one sentence each."""
    files: dict[str, list[str]] = {}
    for name, notice in told:
        files.setdefault(notice, []).append(name)
    said = [f"{few_names(names)}: {notice}" for notice, names in files.items()]
    more = [f"{len(said) - _MOST_NOTICES} more like these"] if len(said) > _MOST_NOTICES else []
    return said[:_MOST_NOTICES] + more


def event_words(reduction: Reduction, event: Loss, units: Display = SI) -> str:
    """Say what happened in one event."""
    when = onset_words(event)
    parts = [f"{when if event.onset_between_s else 'at ' + when}: {event.kind}"]
    if event.kind == "sensor-fault":
        parts.append(", ".join(event.order))
    elif order := order_words(event):
        parts.append(order)
    if event.drop is not None and event.from_pa is not None and event.to_pa is not None:
        fell = f"{units.pa_text(event.from_pa)} to {units.pa_text(event.to_pa)} {units.pressure}"
        parts.append(f"{fell}, {100 * event.drop:.0f} % down")
    if event.fall_s is not None:
        parts.append(f"fell in {1000 * event.fall_s:.0f} ms")
    if event.kind in LOSS_KINDS:
        told = warning_words(reduction, event)
        if told in UNTOLD:
            parts.append(f"no warning time is known: {UNTOLD[told]}")
        else:
            parts.append("no warning" if told == "none" else f"warning {told} before")
        if event.below_hold_s:
            parts.append(f"below its need for {event.below_hold_s:.2f} s")
    if event.brief:
        parts.append(length_words(event))
    elif event.end_s is not None:
        parts.append(f"over at {event.end_s:.3f} s")
    elif event.kind != "throttle-cut":
        parts.append("never came back")
    return ", ".join(parts)


WITHOUT_THROTTLE = "with at least half of the highest suction, whatever the throttle was"
"""When a run counts as steady whose throttle is not known."""


def steady_at(found: Steady | Axles) -> str:
    """Say at which throttle a run was steady, and of how many it is the weakest."""
    if found.throttle_us is None:
        return ""
    weakest = f", weakest of {found.throttles} throttles" if found.throttles > 1 else ""
    return f" at {found.throttle_us:.0f} µs{weakest}"


def other_levels(found: Steady, units: Display = SI) -> Iterator[str]:
    """Say what the other throttles gave at which a run was steady."""
    for one in found.others[:_MOST_LEVELS]:
        yield (
            f"steady at {one.throttle_us:.0f} µs ({one.seconds:.1f} s): {units.pa_text(one.suction_pa)} "
            f"{units.pressure}, downforce {units.n_text(one.downforce_n)} {units.force}, margin front "
            f"{units.n_text(one.front_margin_n, '+z')} {units.force}, "
            f"rear {units.n_text(one.rear_margin_n, '+z')} {units.force}"
        )
    if len(found.others) > _MOST_LEVELS:
        yield f"and at {len(found.others) - _MOST_LEVELS} throttles more (--json lists all)"


def shifted_load(found: Grip, units: Display = SI) -> str:
    """Say what load braking moves from one axle to the other, or that nothing is known of it."""
    moved_n, left_n = found.braking_moves_n, found.braking_leaves_n
    if moved_n is None or left_n is None:
        return "load that braking, pulling away and curves move: left out, no cg_height given"
    if left_n < 0:
        return f"braking so hard would move {units.n(moved_n)} to the front axle: the rear lifts before"
    moves = f"braking so hard on the ground moves {units.n(moved_n)} to the front axle"
    return f"{moves} and leaves {units.n(left_n)} on the rear; what curves move is left out"


def felt_lines(result: Reduction) -> list[str]:
    """What an accelerometer felt; nothing without one."""
    found = result.motion
    if found is None:
        return []
    place = "angle of the surface not known, as it never was quiet"
    if found.angle_deg is not None:
        place = (
            f"surface at {found.angle_deg.mean:.0f} ±{found.angle_deg.u95 or 0:.0f} degrees, "
            f"{result.hold.surface_angle:g} in the car file"
        )
    lines = [f"felt ({escaped(found.part, 40)}): {place}"]
    if found.forward_g is not None and found.braking_g is not None and found.lateral_g is not None:
        lines.append(
            f"  at most {found.forward_g:.2f} g forward, {found.braking_g:.2f} g braking, "
            f"{found.lateral_g:.2f} g sideways, over a tenth of a second, each{off_text(found.within_g)} g"
        )
    lines += [
        f"  to {speed_name(gain.speed_m_s)} in {gain.seconds:.2f}{off_text(gain.u95_s)} s from "
        f"{gain.from_s:.2f} s on, if it stood there"
        for gain in found.gains
    ]
    if found.bumps:
        most = max(found.bumps, key=lambda bump: bump.peak_g)
        lines.append(
            f"  bumps above 0.5 g: {len(found.bumps)}, the largest {most.peak_g:.1f} g at {most.at_s:.2f} s; "
            f"{found.dips_after_bumps} of {len(result.dips)} dips came within 0.3 s after one"
        )
    else:
        lines.append("  no bump above 0.5 g")
    if found.full_rows:
        lines.append(f"  {found.full_rows} rows are at the end of its range: what it felt there was more")
    return lines


def run_words(reduction: Reduction, units: Display = SI) -> Iterator[str]:
    """Say how a run went."""
    from undertray.report.verdict import judge

    state = "calibrated" if reduction.calibrated else "UNCALIBRATED"
    yield f"{reduction.run}: {reduction.duration_s:.1f} s, {reduction.rows} rows, {state}"
    yield f"  {judge(reduction, units).text}"
    found, hold = reduction.steady, reduction.hold
    if found is not None:
        yield (
            f"  steady{steady_at(found)}: {units.pa_text(found.suction_pa.mean)} {units.pressure},"
            f" downforce {units.n_text(found.downforce_n.mean)} {units.force},"
            f" {units.n_text(hold.required_n)} {units.force} needed with the surface at"
            f" {hold.surface_angle:g} degrees"
        )
        for name, load, margin in (
            ("front", found.front_n, found.front_margin_n),
            ("rear", found.rear_n, found.rear_margin_n),
        ):
            need = units.n_text(reduction.axles[name].required_n)
            yield (
                f"    {name:5} axle {units.n_text(load.mean, 'z5')} {units.force} of {need} {units.force},"
                f" margin {units.n_text(margin.mean, '+z')} {units.force}"
            )
        yield from (f"  {line}" for line in other_levels(found, units))
    for event in told_events(reduction):
        yield f"  {event_words(reduction, event, units)}"
    if not told_events(reduction):
        yield "  no events"
    if said := gap_words(reduction):
        yield f"  {said}"
    yield from (f"  {line}" for line in dip_words(reduction, units))
    for notice in reduction.notices:
        yield f"  note: {units.told(notice)}"

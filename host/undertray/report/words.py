"""A reduced run in words: what a person wants to know first, in plain lines."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from undertray.errors import escaped
from undertray.reduce.loss import LOSS_KINDS
from undertray.reduce.warning import UNTOLD, warning_words
from undertray.report.display import SI, Display
from undertray.report.fallwords import length_words, onset_words, order_words

if TYPE_CHECKING:
    from undertray.reduce.estimates import Steady
    from undertray.reduce.grip import Grip
    from undertray.reduce.loss import Loss
    from undertray.reduce.run import Reduction

__all__ = [
    "CAUTIONS",
    "WIDTH",
    "WITHOUT_THROTTLE",
    "caution_line",
    "caution_lines",
    "event_words",
    "few_names",
    "grouped_notices",
    "note_lines",
    "other_levels",
    "run_words",
    "shifted_load",
    "steady_at",
    "wrapped",
]

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


def wrapped(text: str, indent: str = "") -> str:
    """A sentence as lines of at most 100 columns; a number keeps its unit beside it.

    Parameters
    ----------
    text : str
        The sentence.
    indent : str
        What later lines begin with.

    Returns
    -------
    str
        Lines.
    """
    kept = textwrap.fill(_QUANTITY.sub("\\1\u00a0\\2", text), WIDTH, subsequent_indent=indent)
    return kept.replace("\u00a0", " ")


def caution_lines() -> str:
    """The cautions as lines for a terminal.

    Returns
    -------
    str
        Lines of at most 100 columns, a sentence each.
    """
    return "Caution.\n" + "\n".join(f"  {one}" for one in CAUTIONS)


def caution_line() -> str:
    """The cautions in one line, for what is printed often.

    Returns
    -------
    str
        A line of at most 100 columns that says where they stand in full.
    """
    return "Caution: a computed margin is no guarantee, and local rules come first. In full: README, Safety."


def note_lines(notice: str) -> str:
    """A notice as lines for a terminal.

    Parameters
    ----------
    notice : str
        The sentence.

    Returns
    -------
    str
        Lines of at most 100 columns.
    """
    return wrapped(f"note: {notice}", "  ")


def few_names(names: Sequence[str]) -> str:
    """Name some files, the first few of many.

    Parameters
    ----------
    names : sequence of str
        Names of the files.

    Returns
    -------
    str
        At most five of them, each safe on a terminal, and how many more there are.
    """
    more = f" and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else ""
    return ", ".join(escaped(name) for name in names[:_MOST_NAMES]) + more


def grouped_notices(told: Iterable[tuple[str, str]]) -> list[str]:
    """Put what is said of several files into one sentence each.

    Parameters
    ----------
    told : iterable of (str, str)
        A file and what is said of it.

    Returns
    -------
    list of str
        Each sentence once, behind the names of the first few files; of many sentences the first ten.
    """
    files: dict[str, list[str]] = {}
    for name, notice in told:
        files.setdefault(notice, []).append(name)
    said = [f"{few_names(names)}: {notice}" for notice, names in files.items()]
    more = [f"{len(said) - _MOST_NOTICES} more like these"] if len(said) > _MOST_NOTICES else []
    return said[:_MOST_NOTICES] + more


def event_words(reduction: Reduction, event: Loss) -> str:
    """Say what happened in one event.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.
    event : Loss
        An event of it.

    Returns
    -------
    str
        One line: onset, kind, order of the taps, drop, warning, end.
    """
    when = onset_words(event)
    parts = [f"{when if event.onset_between_s else 'at ' + when}: {event.kind}"]
    if event.kind == "sensor-fault":
        parts.append(", ".join(event.order))
    elif order := order_words(event):
        parts.append(order)
    if event.drop is not None and event.from_pa is not None and event.to_pa is not None:
        parts.append(f"{event.from_pa:.0f} to {event.to_pa:.0f} Pa, {100 * event.drop:.0f} % down")
    if event.fall_s is not None:
        parts.append(f"fell in {1000 * event.fall_s:.0f} ms")
    if event.kind in LOSS_KINDS:
        told = warning_words(reduction, event)
        if told in UNTOLD:
            parts.append(f"no warning can be told: {UNTOLD[told]}")
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


def steady_at(found: Steady) -> str:
    """Say at which throttle a run was steady.

    Parameters
    ----------
    found : Steady
        Its steady part.

    Returns
    -------
    str
        Begins with a blank; empty where no throttle was logged.
    """
    if found.throttle_us is None:
        return ""
    weakest = f", weakest of {1 + len(found.others)} throttles" if found.others else ""
    return f" at {found.throttle_us:.0f} µs{weakest}"


def other_levels(found: Steady) -> Iterator[str]:
    """Say what the other throttles gave at which a run was steady.

    Parameters
    ----------
    found : Steady
        Its steady part.

    Yields
    ------
    str
        A line a throttle; at most six.
    """
    for one in found.others[:_MOST_LEVELS]:
        yield (
            f"steady at {one.throttle_us:.0f} µs ({one.seconds:.1f} s): {one.suction_pa:.0f} Pa, "
            f"downforce {one.downforce_n:.1f} N, margin front {one.front_margin_n:+.1f} N, "
            f"rear {one.rear_margin_n:+.1f} N"
        )
    if len(found.others) > _MOST_LEVELS:
        yield f"and at {len(found.others) - _MOST_LEVELS} throttles more (--json lists all)"


def shifted_load(found: Grip, units: Display = SI) -> str:
    """Say what load braking moves from one axle to the other, or that nothing is known of it.

    Parameters
    ----------
    found : Grip
        The grip.
    units : Display
        Units of the numbers.

    Returns
    -------
    str
        No capital, no full stop.
    """
    moved_n, left_n = found.braking_moves_n, found.braking_leaves_n
    if moved_n is None or left_n is None:
        return "load that braking, pulling away and curves move: left out, no cg_height given"
    if left_n < 0:
        return f"braking so hard would move {units.n(moved_n)} to the front axle: the rear lifts before"
    moves = f"braking so hard on the ground moves {units.n(moved_n)} to the front axle"
    return f"{moves} and leaves {units.n(left_n)} on the rear; what curves move is left out"


def run_words(reduction: Reduction) -> Iterator[str]:
    """Say how a run went.

    Parameters
    ----------
    reduction : Reduction
        The reduced run.

    Yields
    ------
    str
        Lines: the run, the verdict, downforce against what is needed while the throttle was up
        and still, each axle, each event, each notice.
    """
    from undertray.report.dipledger import dip_words
    from undertray.report.verdict import judge

    state = "calibrated" if reduction.calibrated else "UNCALIBRATED"
    yield f"{reduction.run}: {reduction.duration_s:.1f} s, {reduction.rows} rows, {state}"
    yield f"  {judge(reduction).headline}"
    found, hold = reduction.steady, reduction.hold
    if found is not None:
        yield (
            f"  steady{steady_at(found)}: {found.suction_pa.mean:.0f} Pa,"
            f" downforce {found.downforce_n.mean:.1f} N,"
            f" {hold.required_n:.1f} N needed with the surface at {hold.surface_angle:g} degrees"
        )
        for name, load, margin in (
            ("front", found.front_n, found.front_margin_n),
            ("rear", found.rear_n, found.rear_margin_n),
        ):
            need_n = reduction.axles[name].required_n
            yield f"    {name:5} axle {load.mean:5.1f} N of {need_n:.1f} N, margin {margin.mean:+.1f} N"
        yield from (f"  {line}" for line in other_levels(found))
    for event in reduction.events:
        yield f"  {event_words(reduction, event)}"
    if not reduction.events:
        yield "  no events"
    yield from (f"  {line}" for line in dip_words(reduction))
    for notice in reduction.notices:
        yield f"  note: {notice}"

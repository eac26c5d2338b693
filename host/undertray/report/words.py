"""A reduced run in words: what a person wants to know first, in plain lines."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING

from undertray.reduce.loss import LOSS_KINDS

if TYPE_CHECKING:
    from undertray.reduce.loss import Loss
    from undertray.reduce.run import Reduction

__all__ = [
    "CAUTIONS",
    "WIDTH",
    "caution_lines",
    "event_words",
    "note_lines",
    "run_words",
    "wrapped",
]

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


def event_words(event: Loss) -> str:
    """Say what happened in one event.

    Parameters
    ----------
    event : Loss
        The event.

    Returns
    -------
    str
        One line: onset, kind, first tap, drop, warning, end.
    """
    parts = [f"at {event.onset_s:.3f} s: {event.kind}"]
    if event.first_tap is not None:
        parts.append(f"{event.first_tap} first" if len(event.order) > 1 else event.first_tap)
    if event.drop is not None and event.from_pa is not None and event.to_pa is not None:
        parts.append(f"{event.from_pa:.0f} to {event.to_pa:.0f} Pa, {100 * event.drop:.0f} % down")
    if event.fall_s is not None:
        parts.append(f"fell in {1000 * event.fall_s:.0f} ms")
    if event.kind in LOSS_KINDS:
        parts.append(
            f"warning {event.warning_s:.2f} s before" if event.warning_s is not None else "no warning"
        )
    if event.below_hold_s:
        parts.append(f"{event.below_hold_s:.2f} s below the hold limit")
    parts.append("never came back" if event.end_s is None else f"over at {event.end_s:.3f} s")
    return ", ".join(parts)


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
    import numpy as np

    from undertray.reduce.steady import run_blocks
    from undertray.report.verdict import judge

    state = "calibrated" if reduction.calibrated else "UNCALIBRATED"
    yield f"{reduction.run}: {reduction.duration_s:.1f} s, {reduction.rows} rows, {state}"
    yield f"  {judge(reduction).headline}"
    blocks, hold = run_blocks(reduction.series, reduction.events), reduction.hold
    if blocks.steady.any():
        loads_n = {
            "front": float(np.median(blocks.front_n[blocks.steady])),
            "rear": float(np.median(blocks.rear_n[blocks.steady])),
        }
        suction_pa = float(np.median(blocks.suction_pa[blocks.steady]))
        yield (
            f"  steady: {suction_pa:.0f} Pa, downforce {sum(loads_n.values()):.1f} N,"
            f" {hold.required_n:.1f} N needed with the surface at {hold.surface_angle:g} degrees"
        )
        for name, load_n in loads_n.items():
            need_n = reduction.axles[name].required_n
            yield f"    {name:5} axle {load_n:5.1f} N of {need_n:.1f} N, margin {load_n - need_n:+.1f} N"
    for event in reduction.events:
        yield f"  {event_words(event)}"
    if not reduction.events:
        yield "  no events"
    for notice in reduction.notices:
        yield f"  note: {notice}"

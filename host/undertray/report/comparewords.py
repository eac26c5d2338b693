"""A comparison in words, as a table for a terminal, and as a picture."""

from __future__ import annotations

import itertools
import textwrap
from collections.abc import Collection, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from undertray.report.display import SI, Display, number
from undertray.report.mountings import USUAL_SCATTER
from undertray.report.picture import Picture
from undertray.report.style import GRID, INK, LIMIT, MARKERS, PAPER, SERIES, settings, short
from undertray.report.words import losses_told, wrapped

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from undertray.report.comparison import Claim, Comparison, Estimate, Group, Plan

__all__ = [
    "answer_words",
    "claim_words",
    "comparison_picture",
    "comparison_words",
    "draw_comparison",
    "estimate_words",
    "group_cells",
    "holding_words",
    "least_width",
    "other_claims",
    "plan_words",
    "text_table",
]


_NAME = 32
WIDE = 10_000
"""Columns of what is no terminal."""


def comparison_words(found: Comparison, units: Display = SI, width: int = WIDE) -> Iterator[str]:
    """Say what a comparison found, in lines of some width."""
    at = ", ".join(f"{t:.0f}" for t in found.throttle_us if t < float("inf"))
    answers = answer_words(found, units)
    for line in answers:
        yield from _filled(line, width)
    if answers:
        yield ""
    head = f"by {_clean(found.by)}, against {_clean(found.reference)}" + (
        f", steady at {at} µs of throttle" if at else ""
    )
    yield from _filled(head, width)
    yield ""
    names, columns = group_cells(found.groups, units)
    held = [_held_cells(group, units) for group in found.groups]
    told = [(*column, *cells) for column, cells in zip(columns, held, strict=True)]
    yield from side_by_side((*names, "held with certainty", "least margin"), told, width)
    yield ""
    asked = len(found.claims)
    how = (
        "± and the ranges in brackets: 95 %, of each number by itself, from the scatter of the mountings; "
        "none with one. What all runs share (calibration, how few the taps are) is in the ± of 'reduce'."
    )
    if any(min(claim.mountings) > 1 for claim in found.claims):
        together = f"the {asked} questions asked together" if asked > 1 else "the one question asked"
        how += (
            f" More than noise: p below 0.05 for {together} (Holm's rule, nearly all of it for the suction)."
        )
    how += (
        " Held with certainty: always what it needs, by more than its uncertainty, calibrated and with a"
        " whole log."
    )
    for line in (
        *other_claims(found, units),
        *(plan_words(plan, units) for plan in found.plans),
    ):
        yield from _filled(line, width)
    yield ""
    yield from _filled(how, width, "")
    for notice in found.notices:
        yield from _filled(f"note: {_clean(notice, 200)}", width)


def answer_words(found: Comparison, units: Display = SI) -> list[str]:
    """Answer in a sentence for each group: how much more or less suction, and whether that is claimed."""
    return [_answer(claim, units) for claim in found.claims if claim.what == "suction_pa"]


def _answer(claim: Claim, units: Display) -> str:
    value, share = claim.difference.value, claim.share.value
    name, against = _clean(claim.value), _clean(claim.against)
    if value is None:
        return f"{name}: how its suction differs from that of {against} is not known."
    way = "less" if value < 0 else "more"
    by = "" if share is None else f"{abs(share):.1%} "
    amount = f"{number(value / units.pressure_pa, signed=True)} {units.pressure}"
    interval = _span(claim.difference, units.pressure_pa).strip(" ()")
    within = f", {interval}" if interval else ""
    return f"{name} has {by}{way} suction than {against} ({amount}{within}): {_sure(claim)}."


def _filled(line: str, width: int, indent: str = "  ") -> list[str]:
    return wrapped(line, indent, width).splitlines() or [""]


def _held_cells(group: Group, units: Display) -> tuple[str, str]:
    """What :func:`holding_words` says, in the table."""
    others = ((group.spent, "not with its allowance"), (group.let_go, "did not"), (group.locked, "locked"))
    told = [f"{group.held} of {len(group.runs)}", *(f"{count} {how}" for count, how in others if count)]
    least = group.least_margin_n
    return ", ".join(told), "unknown" if least is None else units.n(least, signed=True)


def holding_words(group: Group, units: Display = SI) -> str:
    """Say how often the runs of a group held."""
    runs = len(group.runs)
    count = f"{group.held} of {runs} {'run' if runs == 1 else 'runs'}"
    said = f"{_clean(group.value)}: held with certainty in {count}"
    if group.spent:
        said += f", not with all of its allowance in {group.spent}"
    if group.let_go:
        said += f", did not hold in {group.let_go}"
    if group.locked:
        said += f", locked in {group.locked}"
    if group.least_margin_n is not None:
        said += f"; least margin {units.n(group.least_margin_n, signed=True)}"
    return said


def other_claims(found: Comparison, units: Display = SI) -> Iterator[str]:
    """Say what came out of all questions but that of the suction; of one group together what is no claim."""
    together: dict[tuple[str, str, str], list[Claim]] = {}
    for claim in found.claims:
        if claim.what != "suction_pa":
            together.setdefault((claim.value, claim.against, _sure(claim)), []).append(claim)
    for (value, against, sure), claims in together.items():
        if len(claims) == 1:
            yield claim_words(claims[0], units)
            continue
        said = "; ".join(_difference(claim, units) for claim in claims)
        yield f"{_clean(value)} against {_clean(against)}: {said}: {sure}"


def claim_words(claim: Claim, units: Display = SI) -> str:
    """Say what came out of one question."""
    word = "than" if claim.what in ("losses_per_min", "warning_s") else "against"
    against = "" if claim.what == "trend" else f" {word} {_clean(claim.against)}"
    return f"{_clean(claim.value)}: {_difference(claim, units)}{against}: {_sure(claim)}"


def _difference(claim: Claim, units: Display) -> str:
    """Say by how much a group differs, in one quantity."""
    value = claim.difference.value or 0.0
    if claim.what == "trend":
        way = "falls" if value < 0 else "rises"
        return f"suction {way} by {abs(value):.2%} a run"
    if claim.what == "losses_per_min":
        way = "fewer" if value < 0 else "more"
        return f"{number(abs(value))} losses of the seal a minute {way}"
    if claim.what == "warning_s":
        way = "shorter" if value < 0 else "longer"
        return f"warning {number(abs(value))} s {way}"
    quantity = {"suction_pa": "suction", "front_margin_n": "front margin", "rear_margin_n": "rear margin"}[
        claim.what
    ]
    shown = units.pa if claim.what == "suction_pa" else units.n
    factor = units.pressure_pa if claim.what == "suction_pa" else units.force_n
    amount = f"{number(value / factor, signed=True)} {shown(1.0).split(' ')[1]}"
    share = "" if claim.share.value is None else f", {claim.share.value:+.1%}".replace("-", "\u2212")
    return f"{quantity} {amount}{_span(claim.difference, factor)}{share}"


def plan_words(plan: Plan, units: Display = SI) -> str:
    """Say how many mountings and runs a difference takes."""
    share = f"{plan.share:+.1%}".replace("-", "−")
    whose = f"{_clean(plan.value)}: to tell" if plan.value else "plan: to tell"
    what = f"{units.n(plan.difference_n, signed=True)} ({share}) of downforce"
    if all(n is None for _, n in plan.ways):
        return f"{whose} {what} takes more than 99 mountings of each"
    fewest: int | None = None
    ways: list[str] = []
    for runs, n in plan.ways:
        # more runs of a mounting are told where they save mountings
        if ways and (n is None or (fewest is not None and n >= fewest)):
            continue
        fewest = n
        ways.append((f"{n}" if n is not None else "more than 99") + (f" of {runs} runs" if runs > 1 else ""))
    seen = (
        f"{plan.mounting_scatter:.1%} from mounting to mounting, as seen"
        if plan.mounting_scatter is not None
        else f"{USUAL_SCATTER:.0%} from mounting to mounting, assumed: none was seen"
    )
    return f"{whose} {what} takes mountings of each: {', or '.join(ways)} ({seen})"


def _sure(claim: Claim) -> str:
    """What is made of it, by which p, and how few mountings that rests on."""
    if claim.what != "trend" and min(claim.mountings) < 2:
        only = claim.value if claim.mountings[0] < 2 else claim.against
        each = "one mounting each" if max(claim.mountings) < 2 else f"one mounting of {_clean(only)}"
        return f"{each}: no claim"
    noise = "not more than noise"
    if claim.more_than_noise:
        noise = "more than noise"
    elif claim.too_few:
        noise = "too few runs to tell" if claim.what == "trend" else "too few mountings to tell"
    return f"{noise} (p {claim.p_value:.2g} by itself, {claim.p_adjusted:.2g} with all questions)"


def text_table(
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    width: int = WIDE,
    wrapping: Collection[int] = (),
    numbers_right: bool = True,
) -> Iterator[str]:
    """Lay out a table in columns.

    Parameters
    ----------
    heads : sequence of str
        A head for each column; it may take several lines, broken between words.
    rows : sequence of sequence of str
        The cells.
    width : int
        Columns of the terminal. What cannot be broken between words stays wider than that.
    wrapping : collection of int
        Columns whose cells may take two lines as well.
    numbers_right : bool
        Whether a column of nothing but numbers stands to the right.

    Yields
    ------
    str
        A line.
    """
    cells = [[_clean(c, 64) for c in row] for row in (heads, *rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(heads))]
    least = _least_widths(cells, wrapping)
    while sum(widths) + 2 * (len(widths) - 1) > width and widths != least:
        widest = max((i for i in range(len(widths)) if widths[i] > least[i]), key=widths.__getitem__)
        widths[widest] -= 1
    numeric = [
        numbers_right and all(row[i][:1] in ("", *"0123456789+−") for row in cells[1:])
        for i in range(len(heads))
    ]
    for row in cells:
        broken = [textwrap.wrap(c, w, break_on_hyphens=False) for c, w in zip(row, widths, strict=True)]
        for line in itertools.zip_longest(*broken, fillvalue=""):
            yield "  ".join(
                c.rjust(w) if right else c.ljust(w) for c, w, right in zip(line, widths, numeric, strict=True)
            ).rstrip()


def least_width(heads: Sequence[str], rows: Sequence[Sequence[str]], wrapping: Collection[int] = ()) -> int:
    """Columns that a table takes at least, with no word cut."""
    widths = _least_widths([[_clean(c, 64) for c in row] for row in (heads, *rows)], wrapping)
    return sum(widths) + 2 * (len(widths) - 1)


def _least_widths(cells: Sequence[Sequence[str]], wrapping: Collection[int]) -> list[int]:
    """Heads may take as many lines as they have words, the cells that are broken two."""
    return [
        max(
            max((len(word) for word in head.split()), default=0),
            *(_halved(cell) if i in wrapping else len(cell) for cell in below),
        )
        for i, (head, *below) in enumerate(zip(*cells, strict=True))
    ]


def _halved(text: str) -> int:
    """The least width in which a text takes two lines."""
    words = text.split()
    ways = [max(len(" ".join(words[:n])), len(" ".join(words[n:]))) for n in range(len(words) + 1)]
    return min(ways)


def side_by_side(
    names: Sequence[str], columns: Sequence[tuple[str, ...]], width: int = WIDE
) -> Iterator[str]:
    """Columns, each a head and a value for every name, beside one another: as many at once as have room."""

    def table(first: int, last: int) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
        heads = ("", *(column[0] for column in columns[first:last]))
        cells = zip(*(column[1:] for column in columns[first:last]), strict=True)
        return heads, [(name, *row) for name, row in zip(names, cells, strict=True)]

    first = 0
    while first < len(columns):
        last = len(columns)
        while last > first + 1 and least_width(*table(first, last)) > width:
            last -= 1
        if first:
            yield ""
        yield from text_table(*table(first, last), width, numbers_right=False)
        first = last


def group_cells(groups: Sequence[Group], units: Display) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """What is told of a group by name, and of each group its value and these."""
    names = ("runs", "mountings", "steady", "suction", "front margin", "rear margin", "seal index")
    return (*names, "losses a minute", "dips a minute", "warning"), [_row(group, units) for group in groups]


def _row(group: Group, units: Display) -> tuple[str, ...]:
    return (
        group.value,
        str(len(group.runs)),
        str(group.mountings),
        f"{group.steady_s:.0f} s",
        estimate_words(group.suction_pa, units.pressure_pa, units.pressure),
        estimate_words(group.front_margin_n, units.force_n, units.force),
        estimate_words(group.rear_margin_n, units.force_n, units.force),
        estimate_words(group.seal_index, 1.0, ""),
        f"{number(group.losses_per_min.value)} ({losses_told(group.losses, group.brief_losses)})",
        f"{number(group.dips_per_min.value)} ({group.dips})",
        _warning(group),
    )


def _warning(group: Group) -> str:
    if not group.losses:
        return "no loss"
    if not group.warnable:
        return "undefined"
    mean_s = group.warning_s.value
    if mean_s is None:
        return f"none of {group.warnable}"
    return f"{mean_s:.2f} s ({group.warned} of {group.warnable})"


def estimate_words(estimate: Estimate, factor: float, unit: str) -> str:
    """A number with half its interval, and no more digits than that has."""
    if estimate.value is None:
        return "unknown"
    value = estimate.value / factor
    if estimate.high is None:
        return f"{number(value, 3)} {unit}".rstrip()
    half = number((estimate.high - estimate.value) / factor, 2)
    # no more decimals than the uncertainty has
    shown = number(value, 9, most_places=len(half.partition(".")[2]))
    return f"{shown} ±{half} {unit}".rstrip()


def _span(estimate: Estimate, factor: float) -> str:
    if estimate.low is None or estimate.high is None:
        return ""
    low, high = (number(v / factor, signed=True) for v in (estimate.low, estimate.high))
    return f" ({low} to {high})"


def _clean(text: str, limit: int = _NAME) -> str:
    shown = "".join(c if c.isprintable() else "?" for c in text)
    return shown if len(shown) <= limit else shown[: limit - 1] + "…"


# The picture.

_FRONT, _REAR = 6, 7  # signs that no group has unless there are more than six
_MOST_GROUPS, _MOST_RUNS, _MOST_NAMED = 12, 200, 14
_WIDTH_IN, _ROW_IN, _TOP_IN, _BETWEEN_IN = 5.0, 0.42, 0.4, 0.64
_RUNS_IN, _NUMBERS_IN, _LETTER_IN = 1.25, 0.5, 0.042
_LEFT, _BROAD = 0.12, 0.85  # of the width: where panels begin, and how broad they are


def comparison_picture(found: Comparison, units: Display = SI) -> Picture:
    """Draw a comparison."""
    said = "; ".join(
        f"{g.value}: {units.pa(g.suction_pa.value)}, margins {units.n(g.front_margin_n.value)} front and "
        f"{units.n(g.rear_margin_n.value)} rear"
        for g in found.groups[:_MOST_GROUPS]
    )
    return Picture(
        key="comparison",
        title="The groups, and their runs in order",
        caption="Above, the means of the groups; bars are 95 % intervals, from the scatter of the mountings,"
        " and one mounting has none. Below, the suction of each run beside the mean of all groups, in order"
        " of recording; a line joins the runs of one mounting, and m is the mounting as noted.",
        words=said,
        figure=draw_comparison(found, units),
        table=_table(found, units),
        size="tall",
    )


def draw_comparison(found: Comparison, units: Display = SI) -> Figure:
    """Draw suction and margins of the groups, and the runs in order, one under another: a phone is narrow."""
    from matplotlib.figure import Figure

    groups = found.groups[:_MOST_GROUPS]
    named = len(found.runs) <= _MOST_NAMED
    rows_in, bottom_in = _ROW_IN * len(groups), _NUMBERS_IN
    if named:  # at a slant
        bottom_in = 0.3 + _LETTER_IN * max((len(_run_name(run)) for run, *_ in found.runs), default=0)
    height_in = _TOP_IN + 2 * (rows_in + _BETWEEN_IN) + _RUNS_IN + bottom_in
    at = " and ".join(f"{t:.0f}" for t in found.throttle_us if t < float("inf"))
    title = f"By {short(found.by, _NAME)}" + (f", steady at {at} µs of throttle" if at else "")
    with settings():
        figure = Figure(figsize=(_WIDTH_IN, height_in))
        figure.text(0.02, 1 - 0.1 / height_in, title, va="top", fontsize=10, weight="bold")
        tops_in = (_TOP_IN + rows_in, _TOP_IN + 2 * rows_in + _BETWEEN_IN)
        upper, middle = (
            figure.add_axes((_LEFT, 1 - top_in / height_in, _BROAD, rows_in / height_in))
            for top_in in tops_in
        )
        lower = figure.add_axes((_LEFT, bottom_in / height_in, _BROAD, _RUNS_IN / height_in))
        for place, group in enumerate(groups):
            _bar(upper, place + 0.2, group.suction_pa, units.pressure_pa, place)
            _bar(middle, place + 0.12, group.front_margin_n, units.force_n, _FRONT)
            _bar(middle, place + 0.3, group.rear_margin_n, units.force_n, _REAR)
        middle.axvline(0, color=LIMIT, linewidth=1.0)
        for panel in (upper, middle):
            panel.set_ylim(len(groups) - 0.5, -0.5)
            panel.set_yticks([])
            panel.grid(visible=True, axis="x", color=GRID, linewidth=0.6)
            panel.set_axisbelow(True)
            panel.margins(x=0.2)
            panel.locator_params(axis="x", nbins=6)
        for place, group in enumerate(groups):
            value = estimate_words(group.suction_pa, units.pressure_pa, units.pressure)
            _row_words(upper, place, _name(group), value)
            _row_words(middle, place, short(group.value, _NAME), "")
        upper.set_xlabel(f"suction / {units.pressure}")
        middle.set_xlabel(f"margin / {units.force}")
        for style, name in ((_FRONT, "front axle"), (_REAR, "rear axle")):  # whichever groups show them
            middle.plot([], [], MARKERS[style], color=SERIES[style], markersize=6, label=name)
        middle.legend(loc="lower right", bbox_to_anchor=(1, 1.0), ncols=2, fontsize=8, frameon=False)
        _runs(lower, found, named)
    return figure


def _row_words(panel: Axes, place: int, name: str, value: str) -> None:
    """A group's name above its marks, and what they say at the other end of the line."""
    back: dict[str, Any] = {"facecolor": PAPER, "edgecolor": "none", "pad": 0.8}
    at = panel.get_yaxis_transform()
    look: dict[str, Any] = {"va": "center", "fontsize": 8, "transform": at, "bbox": back}
    panel.text(0.01, place - 0.24, name, ha="left", **look)
    panel.text(0.99, place - 0.24, value, ha="right", weight="bold", **look)


def _name(group: Group) -> str:
    counts = (("run", len(group.runs)), ("mounting", group.mountings))
    said = ", ".join(f"{n} {what}{'' if n == 1 else 's'}" for what, n in counts)
    return f"{short(group.value, _NAME)}: {said}"


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
    for order, ((_, name, share), mounting, noted) in enumerate(
        zip(shown, found.run_mountings, found.noted_mountings, strict=False), 1
    ):
        if name in places:
            mountings.setdefault((name, mounting), []).append((order, 100 * (share - 1), noted))
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
    panel.set_ylabel("beside mean / %", color=INK)
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

"""Pages that one browses: the runs of a folder, and a comparison, with links to each run's report."""

from __future__ import annotations

import math
import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from undertray.errors import ReductionError, escaped
from undertray.predict.drag import Drag, with_drag
from undertray.predict.drivable import Windows
from undertray.report.comparewords import (
    answer_words,
    comparison_picture,
    group_cells,
    holding_words,
    other_claims,
    plan_words,
)
from undertray.report.display import SI, Display
from undertray.report.page import render_comparison, render_folder, render_page, write_page
from undertray.report.picture import Picture
from undertray.report.runlist import Session, summed
from undertray.report.sheet import Grid, make_sheet
from undertray.report.style import GRID, INK, LIMIT, MARKERS, SERIES, settings, short, stacked
from undertray.report.verdict import tone_of
from undertray.report.words import losses_told

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from undertray.acquire.runlog import Run
    from undertray.calibrate.calibration import Calibration
    from undertray.reduce.car import Car
    from undertray.reduce.summary import Reduction
    from undertray.report.comparedrun import Taken
    from undertray.report.comparison import Comparison

__all__ = [
    "History",
    "comparison_page",
    "folder_page",
    "histories",
    "lacking_reports",
    "report_of",
    "write_report",
]


# The history of a fact: its runs in order, mounting by mounting.

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
        figure, panels = stacked(5.0, (1.15, 0.9), (0.15, 0.2))
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
        panels[1].annotate(
            "0: just what it needs",
            (1, 0.0),
            (-2, 2),
            xycoords=panels[1].get_yaxis_transform(),
            textcoords="offset points",
            ha="right",
            va="bottom",
            fontsize=8,
        )
        ticks = _date_ticks(runs)
        panels[1].set_xticks([number for number, _ in ticks], [day for _, day in ticks])
        panels[1].set_xlabel("first run of a day; in order of recording")
        for panel in panels:
            panel.margins(y=0.2)
            panel.grid(visible=True, color=GRID, linewidth=0.6)
            panel.set_axisbelow(True)
        low_pa = _zoomed(panels[0], [one.suction_pa for one in runs if one.suction_pa is not None], units)
    zoomed = f" Its axis begins at {units.pa(low_pa)}, not at zero." if low_pa > 0 else ""
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
        caption=f"Above the mean steady suction{at} of each run.{zoomed} Below, its least margin. A line"
        f" joins the runs of one mounting, and m is the mounting as noted.{other}",
        words="; ".join(
            f"{one.file}: {units.pa(one.suction_pa)}, least margin {units.n(one.least_margin_n, signed=True)}"
            for one in runs[:20]
        )
        + (" and more." if len(runs) > 20 else "."),
        figure=figure,
        table=table,
        size="middle",
    )


def _zoomed(panel: Axes, suction_pa: Sequence[float], units: Display) -> float:
    """Show the suction as near as a tenth of it, so that noise looks like noise; the lower end, Pa."""
    low_pa, high_pa = min(suction_pa), max(suction_pa)
    middle_pa = (low_pa + high_pa) / 2
    half_pa = max(0.65 * (high_pa - low_pa), 0.05 * abs(middle_pa), 1.0)
    panel.set_ylim((middle_pa - half_pa) / units.pressure_pa, (middle_pa + half_pa) / units.pressure_pa)
    return middle_pa - half_pa


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


# The pages.

_OURS = b'name="generator" content="undertray '
_HEAD = 2000


@dataclass(frozen=True, slots=True)
class Entry:
    """A run of a page: its name, where its report is, and what is said of it."""

    name: str
    link: str
    note: str
    tone: str
    sign: str
    verdict: str
    cells: tuple[str, ...]


# The report of a run stands beside its log under the log's name, and is known by what made it.


def report_of(log: Path) -> Path:
    """Where the report of a log is looked for."""
    return log.with_suffix(".html")


def _is_ours(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return _OURS in file.read(_HEAD)
    except OSError:
        return False


def _is_older(path: Path, log: Path) -> bool:
    try:
        return path.stat().st_mtime_ns < log.stat().st_mtime_ns
    except OSError:
        return False


def lacking_reports(logs: Sequence[Path]) -> list[Path]:
    """The logs whose report is missing or older than they are.

    Parameters
    ----------
    logs : sequence of Path
        The logs.

    Returns
    -------
    list of Path

    Raises
    ------
    ReductionError
        Where another file has the name of a report: it is left alone.
    """
    lacking = []
    for log in logs:
        page = report_of(log)
        if not page.exists():
            lacking.append(log)
        elif not _is_ours(page):
            raise ReductionError(
                "this file has the name of a run's report and is none",
                where=str(page),
                do="move it away, or make the page without --reports",
            )
        elif _is_older(page, log):
            lacking.append(log)
    return lacking


def write_report(
    log: Path,
    run: Run,
    reduction: Reduction,
    car: Car,
    calibration: Calibration | None = None,
    units: Display = SI,
    drag: Drag | None = None,
    title: str | None = None,
) -> None:
    """Write the report of a run beside its log; its title is the car if none is given."""
    windows = None
    if drag is not None:
        reduction = with_drag(reduction, car, drag)
        windows = Windows.of(car, drag, reduction)
    sheet = make_sheet(reduction, car, run, calibration, units, None, windows)
    write_page(render_page([sheet], title or car.name), report_of(log))


def _entry(log: Path, name: str, verdict: str, cells: tuple[str, ...], page: Path) -> Entry:
    report = report_of(log)
    there = _is_ours(report)
    note = "its report is older than its log" if there and _is_older(report, log) else ""
    tone, sign = tone_of(verdict)
    return Entry(name, _link(report, page) if there else "", note, tone, sign, verdict, cells)


def _link(target: Path, page: Path) -> str:
    """A relative address, so that the folder can be moved; nothing in a name is taken for a scheme."""
    try:
        relative = Path(os.path.relpath(target.resolve(), page.resolve().parent)).as_posix()
    except ValueError:  # another drive has no way from here
        return target.resolve().as_uri()
    return "./" + quote(relative.encode("utf-8", "surrogateescape"))


# The runs of a folder.


def folder_page(
    found: Sequence[Session],
    folder: Path,
    page: Path,
    fact: str,
    units: Display = SI,
    notices: Sequence[str] = (),
) -> str:
    """Lay out the runs of a folder: the list, and the history of each value of a fact."""
    figures = ("Least margin", "Losses", "Warning", "Steady suction", "At")
    heads = (*figures, escaped(fact).capitalize(), "Mounting", "Started", "Length")
    rows = [_cells(one, fact, units) for one in found]
    # a column that is empty for all runs only takes room
    kept = [k for k in range(len(heads)) if any(row[k] for row in rows)]
    entries = [
        _entry(folder / one.file, one.file, one.verdict, tuple(row[k] for k in kept), page)
        for one, row in zip(found, rows, strict=True)
    ]
    return render_folder(
        title=escaped(folder.resolve().name or str(folder)),
        said=summed(found, units) if found else "No run is here.",
        figures=_figures(found),
        entries=entries,
        heads=tuple(heads[k] for k in kept),
        histories=histories(found, fact, units),
        notices=notices,
    )


def _figures(found: Sequence[Session]) -> list[tuple[str, str, str]]:
    days = sorted({one.started[:10] for one in found if one.started})
    reduced = [one for one in found if one.duration_s is not None]
    driven_min = sum(one.duration_s or 0.0 for one in reduced) / 60
    bare = sum(not one.calibrated for one in reduced)
    words = Counter(one.verdict for one in reduced)
    span = f"{days[0]} to {days[-1]}" if len(days) > 1 else "".join(days)
    return [
        ("Runs", str(len(found)), f"{driven_min:.0f} min in all" + (f"; {span}" if span else "")),
        *(
            (word.capitalize(), str(count), "")
            for word, count in sorted(words.items(), key=lambda item: (item[0] != "held", item))
        ),
        ("Losses of the seal", str(sum(one.losses or 0 for one in found)), ""),
        *([("Uncalibrated", str(bare), "by the sensors' own scales")] if bare else []),
    ]


def _cells(one: Session, fact: str, units: Display) -> tuple[str, ...]:
    least = "" if one.least_margin_n is None else units.n(one.least_margin_n, signed=True)
    weakest = f", weakest of {one.throttles}" if one.throttles and one.throttles > 1 else ""
    length = "" if one.duration_s is None else f"{one.duration_s:.0f} s"
    return (
        f"{least} {(one.axle or '').removesuffix(' axle')}".strip(),
        "" if one.losses is None else losses_told(one.losses, one.brief_losses or 0),
        one.warning or "",
        "" if one.suction_pa is None else units.pa(one.suction_pa),
        "" if one.throttle_us is None else f"{one.throttle_us:.0f} µs{weakest}",
        one.facts.get(fact, ""),
        one.facts.get("mounting", ""),
        one.started[:16].replace("T", " "),
        f"{length}, cut short" if one.truncated else length,
    )


# A comparison.


def comparison_page(found: Comparison, kept: Sequence[Taken], page: Path, units: Display = SI) -> str:
    """Lay out a comparison: what came out, its picture, the groups, and the runs with their reports."""
    sure = [claim for claim in found.claims if claim.what == "suction_pa" and claim.more_than_noise]
    heads, columns = group_cells(found.groups, units)
    entries = [
        _entry(
            Path(one.log),
            Path(one.log).name,
            one.digest.verdict,
            (
                one.digest.value,
                one.digest.mounting or "not noted",
                units.n(one.digest.least_margin_n, signed=True),
                losses_told(one.digest.losses, one.digest.brief_losses),
                one.digest.started[:16].replace("T", " "),
            ),
            page,
        )
        for one in kept
    ]
    return render_comparison(
        title=f"By {escaped(found.by)}, against {escaped(found.reference)}",
        tone="good" if sure else "unsure",
        answers=answer_words(found, units) or ["No difference of the suction is claimed."],
        claims=[*other_claims(found, units), *(plan_words(p, units) for p in found.plans)],
        picture=comparison_picture(found, units),
        groups=Grid(("Group", *heads), columns),
        held=[holding_words(group, units) for group in found.groups],
        entries=entries,
        heads=("Group", "Mounting", "Least margin", "Losses", "Started"),
        notices=found.notices,
    )

"""Pages that one browses: the runs of a folder, and a comparison, with links to each run's report."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

from undertray.errors import ReductionError, escaped
from undertray.predict.drag import Drag, with_drag
from undertray.predict.drivable import Windows
from undertray.report.comparepicture import comparison_picture
from undertray.report.comparewords import claim_words, group_cells, holding_words, plan_words
from undertray.report.display import SI, Display
from undertray.report.fallwords import losses_told
from undertray.report.history import histories
from undertray.report.page import Grid, make_sheet, render_comparison, render_folder, render_page, write_page

if TYPE_CHECKING:
    from undertray.acquire.runlog import Run
    from undertray.calibrate.calibration import Calibration
    from undertray.reduce.car import Car
    from undertray.reduce.summary import Reduction
    from undertray.report.comparedrun import Taken
    from undertray.report.comparison import Claim, Comparison
    from undertray.report.runlist import Session

__all__ = ["comparison_page", "folder_page", "lacking_reports", "report_of", "write_report"]

_OURS = b'name="generator" content="undertray '
_HEAD = 2000
_UNSURE = ("held, but not surely", "cannot be told")


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
) -> None:
    """Write the report of a run beside its log."""
    windows = None
    if drag is not None:
        reduction = with_drag(reduction, car, drag)
        windows = Windows.of(car, drag, reduction)
    sheet = make_sheet(reduction, car, run, calibration, units, None, windows)
    write_page(render_page([sheet], car.name), report_of(log))


def _entry(log: Path, name: str, verdict: str, cells: tuple[str, ...], page: Path) -> Entry:
    report = report_of(log)
    there = _is_ours(report)
    note = "its report is older than its log" if there and _is_older(report, log) else ""
    tone, sign = _tone(verdict)
    return Entry(name, _link(report, page) if there else "", note, tone, sign, verdict, cells)


def _tone(verdict: str) -> tuple[str, str]:
    if verdict == "held":
        return "good", "✓"
    return ("unsure", "?") if verdict.startswith(("not reduced", *_UNSURE)) else ("bad", "✗")


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
    heads = ("Least margin", "Losses", "Warning", "Steady suction", "At")
    entries = [
        _entry(folder / one.file, one.file, one.verdict, _cells(one, fact, units), page) for one in found
    ]
    return render_folder(
        title=escaped(folder.resolve().name or str(folder)),
        figures=_figures(found),
        entries=entries,
        heads=(*heads, escaped(fact).capitalize(), "Mounting", "Started", "Length"),
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


def _differs(claim: Claim) -> str:
    share = claim.share.value or 0.0
    way = "less" if share < 0 else "more"
    return (
        f"{escaped(claim.value)} has {abs(share):.1%} {way} suction than {escaped(claim.against)}, "
        "more than noise"
    )


def comparison_page(found: Comparison, kept: Sequence[Taken], page: Path, units: Display = SI) -> str:
    """Lay out a comparison: what came out, its picture, the groups, and the runs with their reports."""
    sure = [claim for claim in found.claims if claim.what == "suction_pa" and claim.more_than_noise]
    headline = "; ".join(_differs(claim) for claim in sure) or "No difference of the suction is claimed."
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
        headline=headline,
        claims=[*(claim_words(c, units) for c in found.claims), *(plan_words(p, units) for p in found.plans)],
        picture=comparison_picture(found, units),
        groups=Grid(("Group", *heads), columns),
        held=[holding_words(group, units) for group in found.groups],
        entries=entries,
        heads=("Group", "Mounting", "Least margin", "Losses", "Started"),
        notices=found.notices,
    )

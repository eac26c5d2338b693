"""Pages of a folder and of a comparison: what they say, where they lead, and how they stand in a browser."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import unquote

import numpy as np
import pytest

from fakes.browser import CHROMIUM, CONTRAST, browser
from fakes.digests import minute
from fakes.reductions import invented_car, invented_reduction
from undertray.errors import ReductionError
from undertray.report.comparison import compare
from undertray.report.display import SI, US
from undertray.report.folderpage import comparison_page, folder_page, histories, lacking_reports, report_of
from undertray.report.overlay import overlay, zero_s
from undertray.report.page import render_page
from undertray.report.runlist import Session, headline
from undertray.report.sheet import make_sheet

EVIL = "<script>alert(1)</script> \"'&<img src=x onerror=alert(1)> and on and on"


def _session(
    file: str, skirt: str, mounting: str | None, day: int, suction_pa: float, **changes: Any
) -> Session:
    """A run of an invented list; what is not given is that of a short hold."""
    facts = {"started_utc": f"2026-05-{day:02d}T10:15:00Z", "skirt": skirt}
    facts |= {} if mounting is None else {"mounting": mounting}
    fields = headline(_held(), facts)
    told = {"suction_pa": suction_pa, "throttle_us": 1700.0, "throttles": 1}
    return Session(file=file, **fields | told | changes)


@cache
def _held() -> Any:
    return invented_reduction(seconds=6.0, fold_at_s=None)


@cache
def _report() -> str:
    return render_page([make_sheet(_held(), invented_car())], "x")


def _folder() -> list[Session]:
    found = [
        _session(f"day{day}/run{n}.csv", "brush strip, 0.5 mm gap", str(day), day, 900.0 - 20 * day + n)
        for day in (1, 2, 9)
        for n in (1, 2)
    ]
    found.append(_session("other.csv", "brush strip, 0.5 mm gap", "9", 9, 500.0, throttle_us=1500.0))
    found.append(_session(f"{EVIL}.csv".replace("/", "_"), EVIL, EVIL, 3, 700.0, verdict="let go"))
    broken = {"duration_s": None, "suction_pa": None, "throttle_us": None}
    return [*found, replace(found[0], file="cut.csv", verdict="not reduced: no rows", **broken)]


def test_a_history_goes_by_mounting_and_compares_at_one_throttle_only() -> None:
    brush, evil = histories(_folder(), "skirt")
    assert (brush.value, brush.said) == ("brush strip, 0.5 mm gap", "7 runs, 3 mountings noted")
    assert evil.said == "1 run, 1 mounting noted"
    rows = [row[:6] for row in brush.mountings.rows]
    # derived: 900 - 20 day + n, the mean of n = 1 and 2; the run at another throttle is in no mean
    assert rows == [
        ("1", "2", "2026-05-01", "2026-05-01", "882 Pa", "881 Pa to 882 Pa"),
        ("2", "2", "2026-05-02", "2026-05-02", "862 Pa", "861 Pa to 862 Pa"),
        ("9", "3", "2026-05-09", "2026-05-09", "722 Pa", "721 Pa to 722 Pa"),
    ]
    assert brush.mountings.heads[4] == "Steady suction at 1700 µs"
    assert "Hollow: steady at another throttle" in brush.picture.caption
    assert "Hollow" not in evil.picture.caption
    assert histories(_folder(), "skirt", US)[0].mountings.rows[0][4].endswith(" inH₂O")
    assert histories(_folder(), "skirt")[0].picture.svg == brush.picture.svg
    assert histories(_folder(), "tyre") == []


def test_links_are_relative_and_lead_to_reports_that_are_there(tmp_path: Path) -> None:
    folder, page = tmp_path / "runs", tmp_path / "pages" / "index.html"
    found = _folder()
    for one in found:
        (folder / one.file).parent.mkdir(parents=True, exist_ok=True)
        (folder / one.file).write_text("a log", encoding="utf-8")
    logs = [folder / one.file for one in found]
    assert lacking_reports(logs) == logs
    with_report = [logs[0], logs[-2]]
    for log in with_report:
        report_of(log).write_text(_report(), encoding="utf-8")
    assert lacking_reports(logs) == [log for log in logs if log not in with_report]
    html = folder_page(found, folder, page, "skirt")
    links = re.findall(r'<a href="(\./[^"]*)"', html)
    assert [(page.parent / unquote(link)).resolve() for link in links] == [
        report_of(log).resolve() for log in with_report
    ]
    assert all(link.startswith("./../runs/") for link in links)
    assert "<script" not in html
    assert "<img" not in html


def test_another_file_of_that_name_is_left_alone_and_an_old_report_is_made_again(tmp_path: Path) -> None:
    log, foreign = tmp_path / "a.csv", tmp_path / "b.csv"
    for path in (log, foreign):
        path.write_text("a log", encoding="utf-8")
    foreign.with_suffix(".html").write_text("<title>My notes</title>", encoding="utf-8")
    with pytest.raises(ReductionError, match=r"b\.html.*name of a run's report and is none.*move it away"):
        lacking_reports([log, foreign])
    assert "b.html" not in folder_page([_at(foreign)], tmp_path, tmp_path / "i.html", "skirt")
    report_of(log).write_text(_report(), encoding="utf-8")
    assert lacking_reports([log]) == []
    later_ns = report_of(log).stat().st_mtime_ns + 10**9
    os.utime(log, ns=(later_ns, later_ns))
    assert lacking_reports([log]) == [log]
    html = folder_page([_at(log)], tmp_path, tmp_path / "i.html", "skirt")
    assert "its report is older than its log" in html


def _at(log: Path) -> Session:
    return _session(log.name, "brush", None, 1, 900.0)


def _compared() -> tuple[Any, Sequence[Any]]:
    rng = np.random.default_rng(5)
    names = ("closed-cell foam, 0.3 mm gap", EVIL)
    digests = [
        minute(rng, f"{n[:6]}{i}", n, f, 0.1, str(i))
        for i in range(3)
        for n, f in zip(names, (1, 0.7), strict=True)
    ]
    taken = [SimpleNamespace(log=f"{one.run}.csv", digest=one) for one in digests]
    return compare(digests, "skirt"), taken


def test_a_comparison_says_first_what_is_more_than_noise(tmp_path: Path) -> None:
    found, taken = _compared()
    html = comparison_page(found, taken, tmp_path / "c.html")
    claim = next(c for c in found.claims if c.what == "suction_pa")
    assert claim.more_than_noise
    assert f"{abs(claim.share.value):.1%} less suction than closed-cell foam, 0.3 mm gap (" in html
    assert html.count('scope="row"') == 2 + len(taken)  # the groups and the runs
    again = comparison_page(replace(found, claims=()), taken, tmp_path / "c.html")
    assert "No difference of the suction is claimed." in again


def test_two_runs_are_laid_over_one_another_from_their_own_zero() -> None:
    early, late = invented_reduction(fold_at_s=6.0), invented_reduction(fold_at_s=8.0)
    # given: the throttle goes up at 2 s in both, the skirt folds at 6 and at 8 s
    assert zero_s(early, "start") == zero_s(late, "start") == pytest.approx(2.0, abs=0.006)
    assert (zero_s(early, "onset"), zero_s(late, "onset")) == (6.0, 8.0)
    picture = overlay(early, late, "onset")
    table = {name: np.array(column) for name, column in picture.table.items()}
    suction = table["what"] == "suction Pa"
    gone = table["lowest"][suction & (table["time s"] > 0.1) & (table["time s"] < 2.0)]
    there = table["lowest"][suction & (table["time s"] > -2.0) & (table["time s"] < -0.1)]
    assert gone.max() < 600 < there.min()  # of both, for both are drawn from their onset on
    assert overlay(early, late, "onset", US).svg == overlay(early, late, "onset", US).svg
    for run, align, why in (
        (_held(), "onset", "no loss"),
        (invented_reduction(throttle=False), "start", "never goes up"),
    ):
        with pytest.raises(ReductionError, match=why):
            overlay(early, run, align)


PAGES = ("folder", "comparison")
WIDTHS = (360, 390, 768, 1280)
LOOK = (
    f"""(() => {{{CONTRAST}"""
    + """
const width = document.documentElement.clientWidth;
const all = [...document.querySelectorAll('body *')].filter(e => !e.closest('svg'));
const gone = e => getComputedStyle(e.closest('thead') ?? e).position === 'absolute';
const texts = e => [...e.childNodes].filter(n => n.nodeType === 3 && n.data.trim());
const nodes = all.flatMap(e => !e.getClientRects().length || gone(e) ? [] : texts(e));
const words = n => [...n.data.matchAll(/(?<!\\S)[\\w.,:+\\u2212\\u00b5]{2,13}(?!\\S)/g)];
const broken = nodes.flatMap(n => words(n).filter(word => {
  const range = document.createRange();
  range.setStart(n, word.index);
  range.setEnd(n, word.index + word[0].length);
  return new Set([...range.getClientRects()].map(r => Math.round(r.top))).size > 1;
}).map(word => word[0]));
const over = all.filter(e => !e.closest('.frame, .scroll') && e.getBoundingClientRect().right > width + 0.5);
return JSON.stringify({
  width, broken, scroll: document.documentElement.scrollWidth, over: over.map(e => e.tagName),
  least: Math.min(...nodes.map(n => n.parentElement).map(e =>
    contrast(parts(getComputedStyle(e).color), behind(e)))), texts: nodes.length,
  hash: getComputedStyle(document.querySelector('.cautions')).borderTopWidth,
  asked: performance.getEntriesByType('resource').map(r => r.name),
});
})()"""
)


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, int, str], dict[str, Any]]:
    """Each page at each width, light and dark, in one browser."""
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine")
    folder = tmp_path_factory.mktemp("pages")
    found, taken = _compared()
    texts = (
        folder_page(_folder(), folder, folder / "f.html", "skirt"),
        comparison_page(found, taken, folder / "c"),
    )
    told = {}
    with browser() as chromium:
        for name, text in zip(PAGES, texts, strict=True):
            path = folder / f"{name}.html"
            path.write_text(text, encoding="utf-8")
            for width in WIDTHS:
                chromium.size(width, 900)
                for theme in ("light", "dark"):
                    chromium.dark(theme == "dark")
                    chromium.open(path.as_uri())
                    chromium.until(
                        "document.readyState === 'complete' && document.querySelector('footer') !== null"
                    )
                    told[name, width, theme] = json.loads(chromium.value(LOOK))
        assert chromium.complaints == []
        few = [
            _session(f"run{k}.csv", skirt, None, 1, 900.0 + k)
            for k, skirt in enumerate(("closed-cell foam, 0.3 mm gap", "brush strip, 0.5 mm gap") * 2)
        ]
        path.write_text(
            folder_page(few, folder, path, "skirt", SI, ["1 file is not a run log"]), encoding="utf-8"
        )
        chromium.open(path.as_uri())
        chromium.until(
            "document.readyState === 'complete' && document.querySelectorAll('.history').length === 2"
        )
        told["few", 0, "print"] = {"pages": len(re.findall(rb"/Type\s*/Page\b", chromium.pdf(8.27, 11.69)))}
    return told


def test_a_folder_of_two_skirts_is_one_sheet_of_paper(seen: Any) -> None:
    """It was two, and on the second stood the cautions alone."""
    assert seen["few", 0, "print"]["pages"] == 1


def test_the_suction_of_a_history_is_near_and_where_its_axis_begins_is_said() -> None:
    runs = [run for run in _folder() if run.facts.get("skirt")]
    alike = [replace(run, suction_pa=900.0 + k) for k, run in enumerate(runs)]
    [first, *_] = histories(alike, "skirt")
    # a tenth of 900 Pa is shown of runs that are alike within a pascal or two: from 855 Pa on
    assert re.search(r"Its axis begins at 85\d Pa, not at zero\.", first.picture.caption)
    assert "0: just what it needs" in first.picture.svg


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", PAGES)
def test_a_page_fits_is_read_and_asks_for_nothing(seen: Any, name: str, width: int, theme: str) -> None:
    told = seen[name, width, theme]
    assert told["width"] == width
    assert told["scroll"] <= width
    assert (told["over"], told["broken"], told["asked"]) == ([], [], [])
    assert told["texts"] > 40
    assert told["hash"] == "2px"  # its style sheet was taken, so the hash in its policy is right
    assert told["least"] >= 4.5  # WCAG 2.2 AA, 1.4.3, of text of any size

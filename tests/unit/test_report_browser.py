"""The page in a real browser: laid out, printed, touched, read without a script; one Chromium for all."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fakes.browser import CHROMIUM, CONTRAST, Browser, browser
from fakes.reductions import invented_car, invented_event, invented_laps, invented_reduction
from undertray.report.page import render_page
from undertray.report.sheet import make_sheet

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")

WIDTHS = (360, 390, 768, 1280)
A4_IN, LETTER_IN = (8.27, 11.69), (8.5, 11.0)


def _reduction() -> Any:
    """A fold, a tap that fails, cuts close together, and a time without rows."""
    failed_s = float(invented_reduction().series.t_s[1200])  # the time of a row, and nearly 6 s
    events = (
        invented_event(
            kind="data-gap", onset_s=5.0, bottom_s=5.0, end_s=5.2, first_tap=None, order=(), drop=None
        ),
        invented_event(
            kind="sensor-fault",
            onset_s=failed_s,
            bottom_s=failed_s,
            end_s=7.0,
            first_tap="rear-left",
            order=("rear-left",),
        ),
        invented_event(),
        *(
            invented_event(
                kind="throttle-cut", onset_s=at_s, bottom_s=at_s + 0.1, first_tap=None, warning_s=None
            )
            for at_s in (8.2, 8.4, 8.6, 11.0)
        ),
    )
    reduction = invented_reduction(events=events)
    t_s = reduction.series.t_s
    reduction.series.tap_suction_pa[(t_s >= failed_s) & (t_s < 7.0), 2] = 4.0
    return reduction


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Browser, str]]:
    path = tmp_path_factory.mktemp("page") / "page.html"
    run: Any = type(
        "Run", (), {"facts": {"started_utc": "2026-05-02T10:15:00Z", "skirt": "brush"}, "notes": ()}
    )
    html = render_page([make_sheet(_reduction(), invented_car(), run)], "Invented car")
    path.write_text(html, encoding="utf-8")
    with browser() as found:
        yield found, path.as_uri()


def _open(page: tuple[Browser, str], width: int, dark: bool = False) -> Browser:
    found, url = page
    found.size(width, 900)
    found.dark(dark)
    found.requests.clear()
    found.open(url)
    found.until("document.readyState === 'complete' && !document.fonts.status.includes('loading')")
    return found


OUTSIDE = """(() => {
  const wide = document.documentElement.clientWidth;
  return [...document.querySelectorAll('body *')].filter(e => !e.closest('.frame, .scroll')
    && e.getBoundingClientRect().width && (e.getBoundingClientRect().right > wide + 0.5
    || e.getBoundingClientRect().left < -0.5))
    .map(e => e.tagName + '.' + e.getAttribute('class') + ':' + e.textContent.slice(0, 30));
})()"""
CUT = """[...document.querySelectorAll('.key dd, .key dt, .word, .number, .headline, td, .touch-values dd')]
  .filter(e => e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== 'inline')
  .map(e => e.textContent)"""
OVERPRINTED = """(() => {
  const found = [];
  for (const picture of document.querySelectorAll(SELECTOR)) {
    const all = picture.getBoundingClientRect();
    if (!all.width) continue;
    const texts = [...picture.querySelectorAll('text')].filter(t => t.textContent.trim());
    const boxes = texts.map(t => t.getBoundingClientRect());
    boxes.forEach((a, i) => {
      if (a.left < all.left - 1 || a.right > all.right + 1) found.push('outside: ' + texts[i].textContent);
      boxes.slice(0, i).forEach((b, k) => {
        // a box has the room of accents and tails above and below its letters: a fifth of it
        const slack = 0.2 * Math.min(a.height, b.height);
        if (Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1
            && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > slack)
          found.push(texts[i].textContent + ' | ' + texts[k].textContent);
      });
    });
  }
  return found;
})()"""
# WCAG 2.2, success criterion 1.4.3: 4.5 to 1, large text (24 px, or 18.66 px and bold) 3 to 1
FAINT = (
    f"""(() => {{{CONTRAST}"""
    + """
  const under = text => {
    text.scrollIntoView({block: 'center', inline: 'center'});
    const box = text.getBoundingClientRect();
    for (const e of document.elementsFromPoint(box.left + box.width / 2, box.top + box.height / 2)) {
      if (!(e instanceof SVGGeometryElement) || !e.ownerSVGElement) continue;
      const style = getComputedStyle(e), c = parts(style.fill);
      if (!style.fill.startsWith('rgb') || style.opacity !== '1' || style.fillOpacity !== '1') continue;
      return c.slice(0, 3);
    }
    return behind(text.closest('div'));
  };
  const found = [], seen = new Set();
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const e = walker.currentNode.parentElement;
    if (!walker.currentNode.textContent.trim() || seen.has(e) || e.closest('script, title')) continue;
    seen.add(e);
    if (!e.getBoundingClientRect().width) continue;
    const style = getComputedStyle(e), inPicture = e instanceof SVGElement;
    const ink = parts(inPicture ? style.fill : style.color);
    const ratio = contrast(ink, inPicture ? under(e) : behind(e));
    const size = parseFloat(style.fontSize);
    const large = size >= 24 || (size >= 18.66 && style.fontWeight >= 700);
    if (ratio < (large ? 3 : 4.5))
      found.push(`${e.textContent.slice(0, 40)}: ${ratio.toFixed(2)}`);
  }
  return found;
})()"""
)


@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_runs_over_or_is_overprinted(page: tuple[Browser, str], width: int) -> None:
    found = _open(page, width)
    assert found.value("document.documentElement.scrollWidth") <= width
    assert found.value(OUTSIDE) == []
    assert found.value(CUT) == []
    assert found.value(OVERPRINTED.replace("SELECTOR", "'.touch-area svg, .touch-floor svg'")) == []
    # the touched picture stands in the width, no letter of it smaller than 11 px
    assert found.value("document.querySelector('.touch-area svg').getBoundingClientRect().right") <= width
    size = "t => parseFloat(getComputedStyle(t).fontSize)"
    assert min(found.value(f"[...document.querySelectorAll('.touch-area text')].map({size})")) >= 11
    # no request but the page; its style sheet and script were taken, so the hashes in its policy are right
    assert set(found.requests) == {page[1]}
    assert found.value("getComputedStyle(document.querySelector('.verdict')).borderLeftWidth") == "8px"
    assert found.complaints == []


def test_no_label_of_the_still_pictures_is_overprinted(page: tuple[Browser, str]) -> None:
    found = _open(page, 1280)
    found.value("document.querySelector('.still').classList.remove('replaced')")
    assert "\n".join(found.value(OVERPRINTED.replace("SELECTOR", "'.chart'"))) == ""


@pytest.mark.parametrize("dark", [False, True])
def test_every_word_stands_out_from_its_ground(page: tuple[Browser, str], dark: bool) -> None:
    found = _open(page, 1280, dark)
    found.value("document.querySelectorAll('details').forEach(part => { part.open = true; })")
    assert found.value(FAINT) == []
    found.value("document.querySelector('.headline').style.color = 'rgb(119, 119, 119)'")
    assert len(found.value(FAINT)) == 1  # the check can fail: #777 on a tinted ground


def test_a_table_is_cards_on_a_phone(page: tuple[Browser, str]) -> None:
    found = _open(page, 360)
    # every word of a table is whole: no cell is as narrow as a letter
    narrow = "[...document.querySelectorAll('th, td')].filter(e => e.textContent && e.offsetWidth < 60 && "
    assert found.value(narrow + "!e.closest('thead')).map(e => e.textContent)") == []
    label = "getComputedStyle(document.querySelector('td[data-head=Onset]'), '::before').content"
    assert found.value(label) == '"Onset"'


def test_on_a_phone_the_parts_are_folded_and_a_link_opens_one(page: tuple[Browser, str]) -> None:
    found = _open(page, 1280)
    part = "document.querySelector('#run-1-quality')"
    links = "[...document.querySelectorAll('.parts a')]"
    assert found.value(f"{part}.open")
    assert found.value(f"{links}.every(link => document.querySelector(link.hash))")
    long_px = found.value("document.documentElement.scrollHeight")
    found = _open(page, 360)
    assert not found.value(f"{part}.open")
    # a phone's screen is 640 high: nine of them, where it was nineteen
    assert found.value("document.documentElement.scrollHeight") < min(9 * 640, long_px)
    assert found.value(f"{links}.every(link => link.getBoundingClientRect().height >= 24)")
    found.value(f"{links}.find(link => link.hash === '#run-1-quality').click()")
    assert found.value(f"{part}.open")
    assert found.value(f"Math.abs({part}.getBoundingClientRect().top) < 640")


AREA = "document.querySelector('.touch-area')"
NOW = f"parseFloat({AREA}.getAttribute('aria-valuenow'))"
TICKS = "[...document.querySelectorAll('.touch-area text')].map(t => t.textContent).join()"
TAP = "[...document.querySelectorAll('.touch-floor text')].map(t => t.textContent)"


def test_a_keyboard_goes_all_the_way(page: tuple[Browser, str]) -> None:
    found = _open(page, 1280)
    for _ in range(20):
        found.press("Tab")
        if found.value(f"document.activeElement === {AREA}"):
            break
    assert found.value(f"document.activeElement === {AREA}")
    assert found.value(f"getComputedStyle({AREA}).outlineStyle") == "solid"  # one sees where one is
    found.press("Home")
    assert found.value(NOW) == 0.0
    found.press("ArrowRight")
    assert 0 < found.value(NOW) < 0.1
    found.press("PageDown")
    assert found.value(NOW) == pytest.approx(6.0, abs=0.006)  # the tap that fails: the gap is no event
    assert found.value(TAP)[5] == "faulty"
    hatched = "document.querySelectorAll('.touch-floor polygon')[2].getAttribute('fill')"
    assert found.value(hatched) == "url(#r1-hatch)"
    found.press("PageDown")
    assert found.value(NOW) == pytest.approx(8.0, abs=0.006)
    whole = found.value(TICKS)
    for _ in range(3):
        found.press("+")
    assert found.value(TICKS) != whole
    found.press("0")
    assert found.value(TICKS) == whole
    assert "front margin" in found.value(f"{AREA}.getAttribute('aria-valuetext')")


def _over(found: Browser) -> dict[str, float]:
    found.value(f"{AREA}.scrollIntoView({{block: 'center'}})")
    box = found.value(
        f"(() => {{ const b = {AREA}.getBoundingClientRect(); return [b.left, b.top, b.width]; }})()"
    )
    return {"left": box[0], "y": box[1] + 120, "width": box[2]}


def test_a_pointer_shows_values_and_drags_to_zoom(page: tuple[Browser, str]) -> None:
    found = _open(page, 1280)
    box = _over(found)
    # 46 px to the left of the lines and 10 to their right
    at_s = 4.0
    x = box["left"] + 46 + (box["width"] - 56) * at_s / 11.995
    found.mouse("mouseMoved", x, box["y"])
    assert found.value(NOW) == pytest.approx(at_s, abs=0.02)
    # published nowhere, derived: the invented run has 1500 Pa, the first tap 1.05 of it, with noise of 6 Pa
    front_left = float(
        found.value("document.querySelector('.touch-values dd').textContent").removesuffix(" Pa")
    )
    assert front_left == pytest.approx(1.05 * 1500, abs=30)
    assert found.value(TAP)[:2] == ["front-left", f"{front_left:.0f}"]
    whole = found.value(TICKS)
    found.mouse("mousePressed", x, box["y"], held=True)
    found.mouse("mouseMoved", x + 100, box["y"], held=True)
    found.mouse("mouseReleased", x + 100, box["y"])
    assert found.value(TICKS) != whole


def test_fingers_show_values_and_zoom(page: tuple[Browser, str]) -> None:
    found = _open(page, 390)
    box = _over(found)
    middle = box["left"] + box["width"] / 2
    found.touch("touchStart", (middle, box["y"]))
    first = found.value(NOW)
    found.touch("touchMove", (middle + 60, box["y"]))
    found.until(f"{NOW} > {first + 1}")  # moves are handed on with the next picture
    found.touch("touchEnd")
    whole = found.value(TICKS)
    found.touch("touchStart", (middle - 20, box["y"]), (middle + 20, box["y"]))
    found.touch("touchMove", (middle - 80, box["y"]), (middle + 80, box["y"]))
    found.until(f"{TICKS} !== {whole!r}")
    found.touch("touchEnd")


def test_without_a_script_the_still_picture_is_there(page: tuple[Browser, str]) -> None:
    found = page[0]
    found.scripts(False)
    try:
        _open(page, 390)
        shown = "document.querySelector('.still .chart').getBoundingClientRect().width > 300"
        assert found.value(shown)
        assert not found.value("document.querySelector('.touch').getBoundingClientRect().width")
        assert found.value("document.documentElement.scrollWidth") <= 390
    finally:
        found.scripts(True)


def _pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


def test_a_run_is_printed_on_one_page_and_the_details_when_asked(page: tuple[Browser, str]) -> None:
    found = _open(page, 1280)
    assert [_pages(found.pdf(*paper)) for paper in (A4_IN, LETTER_IN)] == [1, 1]
    found.value("document.querySelector('#print-all').click()")
    assert 3 <= _pages(found.pdf(*A4_IN)) <= 9


def test_the_numbers_of_the_page_are_those_of_the_run(page: tuple[Browser, str]) -> None:
    import base64
    import json

    reduction = _reduction()
    found = _open(page, 1280)
    data = json.loads(found.value("document.querySelector('#r1-numbers').textContent"))
    line = data["lines"][0]
    got = np.frombuffer(base64.b64decode(line["low"]), "<i2") * line["scale"]
    # stored in steps of 1/32000 of the greatest
    assert got == pytest.approx(reduction.series.tap_suction_pa[:, 0], abs=0.51 * line["scale"])
    assert data["gaps"]
    assert all(event["kind"] != "data-gap" for event in data["events"])


def test_the_laps_of_a_long_run_are_broken_lines_until_one_zooms_in(tmp_path: Path) -> None:
    path = tmp_path / "laps.html"
    path.write_text(render_page([make_sheet(invented_laps(), invented_car())], "laps"), encoding="utf-8")
    front = len(invented_car().taps) + 1  # behind the taps and the downforce, before rear and throttle

    def line(place: int) -> str:
        return f"document.querySelectorAll('.touch-area path')[{place}]"

    with browser() as found:
        found.size(1280, 900)
        found.open(path.as_uri())
        found.until("!!document.querySelector('.touch-area path')")
        assert "zoom in to see that too" in found.value("document.querySelector('.touch-help').textContent")
        # derived: one begins the line; of 20 times down for 3 s, less than a sixtieth of 400 s, one runs into
        # the longer time and the last is followed by nothing. The throttle shows them all
        assert found.value(f"{line(front)}.getAttribute('d')").count("M") == 1 + 20 - 2
        assert found.value(f"{line(front + 2)}.getAttribute('d')").count("M") == 1
        found.value("document.querySelector('.touch-area').focus()")
        for _ in range(3):
            found.press("+")
        # derived: 50 s are left, and 3 s more than a sixtieth of them: as low as fans at rest
        assert found.value(f"{line(front)}.getBBox().height") > 60
        assert found.complaints == []

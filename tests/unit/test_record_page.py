"""The live page: what it serves, to whom, and in a real browser."""

from __future__ import annotations

import http.client
import json
import os
import re
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from urllib.parse import urlsplit

import pytest

from fakes.browser import CHROMIUM, CONTRAST, browser
from undertray.errors import LinkError
from undertray.live.browser import PageView
from undertray.live.snapshot import AlarmSeen, AxleNow, Snapshot, TapNow
from undertray.report.words import CAUTIONS

NOW = Snapshot(
    elapsed_s=12.5,
    rows_per_s=200,
    rows=2500,
    link="ok",
    taps=(TapNow("<img src=x onerror=alert(1)>", 600.0, ""), TapNow("rear", None, "missing")),
    axles=(AxleNow("front", 16.0, 14.5, 1.5), AxleNow("rear", 13.2, 15.5, -2.3)),
    suction_pa=612,
    downforce_n=29.2,
    required_n=30.0,
    throttle_us=1600,
    seal_index=0.93,
)


PLACED = replace(
    NOW,
    taps=(
        TapNow("rr", 601.0, "", 215.0, 50.0),
        TapNow("fl", 1012.0, "", 40.0, -50.0),
        TapNow("fr", 603.0, "", 41.0, 50.0),
        TapNow("rl", 604.0, "out of range", 214.0, -50.0),
    ),
)
FIGURE_AT = """(() => { const box = byId('margin').getBoundingClientRect();
    return {top: Math.round(box.top), right: Math.round(box.right)}; })()"""
# the least ratio of any text to what is behind it
LEAST_CONTRAST = (
    f"""(() => {{{CONTRAST}"""
    + """
    const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    let least = 99;
    while (walk.nextNode()) {
        const e = walk.currentNode.parentElement;
        if (!walk.currentNode.textContent.trim() || ['SCRIPT', 'STYLE'].includes(e.tagName)) continue;
        if (getComputedStyle(e).visibility === 'hidden') continue;
        least = Math.min(least, contrast(parts(getComputedStyle(e).color), behind(e)));
    }
    return least;
})()"""
)
LEAST_TARGET = (
    """Math.min(...[...document.querySelectorAll('button')].map((b) => b.getBoundingClientRect().height))"""
)


@pytest.fixture
def page() -> Iterator[PageView]:
    view = PageView()
    yield view
    view.close()


def get(url: str, **headers: str) -> tuple[int, dict[str, str], str]:
    parts = urlsplit(url)
    with closing(http.client.HTTPConnection(parts.hostname or "", parts.port or 0, timeout=10)) as connection:
        connection.request("GET", parts.path or "/", headers=headers)
        answer = connection.getresponse()
        return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read().decode()


class Events:
    """A browser's end of the stream, by hand."""

    def __init__(self, url: str) -> None:
        parts = urlsplit(url)
        self.socket = socket.create_connection((parts.hostname or "", parts.port or 0), timeout=10)
        path = f"{parts.path.rstrip('/')}/events"
        self.socket.sendall(f"GET {path} HTTP/1.1\r\nHost: {parts.netloc}\r\n\r\n".encode())
        self.rest = b""

    def line(self) -> bytes:
        while b"\n\n" not in self.rest and b"\r\n\r\n" not in self.rest:
            piece = self.socket.recv(65536)
            if not piece:
                return b""
            self.rest += piece
        end = b"\r\n\r\n" if self.rest.startswith(b"HTTP") else b"\n\n"
        line, _, self.rest = self.rest.partition(end)
        return line

    def close(self) -> None:
        self.socket.close()


def test_the_page_bears_the_cautions_of_the_whole_program(page: PageView) -> None:
    _, _, body = get(page.url)
    assert all(f"<li>{caution}</li>" in body for caution in CAUTIONS)
    assert "{" + "cautions}" not in body


def test_the_page_is_whole_and_asks_for_nothing_else(page: PageView) -> None:
    status, headers, body = get(page.url)
    assert status == 200
    assert page.url.startswith("http://127.0.0.1:")
    policy = headers["content-security-policy"]
    assert policy.startswith("default-src 'none'")
    nonce = re.search(r"script-src 'nonce-([\w-]+)'", policy)
    assert nonce is not None
    assert body.count(f'nonce="{nonce[1]}"') == 2
    assert not re.search(r"""(src|href)\s*=|@import|url\(|https?://""", body)
    assert "no guarantee" in body
    assert get(page.url)[2] != body  # another nonce each time
    assert headers["x-content-type-options"] == "nosniff"


def test_snapshots_come_as_events_and_the_alarm_at_once() -> None:
    now = [0.0]
    page = PageView(clock=lambda: now[0])
    events = Events(page.url)
    assert b"200 OK" in events.line()
    page.show(NOW)
    assert json.loads(events.line().removeprefix(b"data: "))["axles"][1]["margin_n"] == -2.3
    now[0] = 0.05
    page.show(replace(NOW, rows=2510))  # too soon
    page.show(replace(NOW, rows=2511, alarm="SEAL LOST"))
    assert json.loads(events.line().removeprefix(b"data: "))["alarm"] == "SEAL LOST"
    page.close()
    assert events.line().startswith(b"event: over")
    events.close()


def test_a_slow_browser_misses_snapshots_and_holds_nothing_up(page: PageView) -> None:
    slow = Events(page.url)  # never reads
    big = replace(NOW, notice="x" * 50_000)
    begun = time.monotonic()
    for i in range(300):
        page.show(replace(big, alarm=str(i)))
    assert time.monotonic() - begun < 5  # 15 MB would not fit into the buffers of the socket
    assert get(page.url)[0] == 200
    slow.close()


def test_no_more_than_eight_browsers(page: PageView) -> None:
    browsers = [Events(page.url) for _ in range(8)]
    assert all(b"200 OK" in browser.line() for browser in browsers)
    ninth = Events(page.url)
    assert b"503" in ninth.line()
    for events in (*browsers, ninth):
        events.close()


@pytest.mark.parametrize("path", ["/x", "/events/../x", "/%2e%2e/etc/passwd", "/events/", "/" + "a" * 5000])
def test_there_is_nothing_else(page: PageView, path: str) -> None:
    assert get(page.url.rstrip("/") + path)[0] in (404, 414)


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:80", "127.0.0.1.evil.example", "[::1", "", "10.0.0.5"]
)
def test_another_name_for_the_loopback_is_refused(page: PageView, host: str) -> None:
    assert get(page.url, Host=host)[0] == 403


def test_another_address_needs_the_token() -> None:
    page = PageView("0.0.0.0:0")
    parts = urlsplit(page.url)
    local = f"http://127.0.0.1:{parts.port}"
    assert len(parts.path) > 20
    assert get(local + parts.path)[0] == 200
    assert get(local + parts.path, Host="10.0.0.5")[0] == 200
    for path in ("/", "/events", parts.path[:-1], parts.path + "x", "/" + "A" * (len(parts.path) - 1)):
        assert get(local + path)[0] == 404
    events = Events(local + parts.path)
    assert b"200 OK" in events.line()
    events.close()
    other = PageView("0.0.0.0:0")
    assert urlsplit(other.url).path != parts.path
    other.close()
    page.close()


class Ways:
    """The system's sockets, on a computer that goes out with a given address, or with none."""

    def __init__(self, own: str | None) -> None:
        self.own = own

    def __call__(self, *_: object) -> Ways:
        return self

    def __enter__(self) -> Ways:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def connect(self, to: tuple[str, int]) -> None:
        if self.own is None:
            raise OSError("Network is unreachable")

    def getsockname(self) -> tuple[str | None, int]:
        return self.own, 40000


@pytest.mark.parametrize(
    ("own", "host", "note"),
    [("192.168.1.5", "192.168.1.5", False), (None, "ADDRESS", True), ("127.0.0.1", "ADDRESS", True)],
)
def test_the_address_told_is_one_that_a_phone_opens(
    monkeypatch: pytest.MonkeyPatch, own: str | None, host: str, note: bool
) -> None:
    page = PageView("0.0.0.0:0")
    page.close()
    assert "0.0.0.0" not in page.url
    monkeypatch.setattr("undertray.live.browser._Server", lambda *_: StandIn())
    monkeypatch.setattr("undertray.live.browser.socket.socket", Ways(own))
    page = PageView("0.0.0.0:8099")
    assert urlsplit(page.url).netloc == f"{host}:8099"
    assert bool(page.note) == note
    assert PageView("192.168.7.7:8099").url.startswith("http://192.168.7.7:8099/")


class StandIn:
    """A server that serves nothing."""

    server_address = ("", 8099)

    def serve_forever(self, _: float) -> None:
        pass


@pytest.mark.parametrize(
    "address", ["nonsense", ":80", "127.0.0.1:99999", "127.0.0.1", "203.0.113.1:80", "[::1:80"]
)
def test_an_address_that_cannot_be_served_says_so(address: str) -> None:
    with pytest.raises(LinkError, match="--page-address"):
        PageView(address)


def test_an_address_in_use_says_so(page: PageView) -> None:
    with pytest.raises(LinkError, match="cannot serve the page"):
        PageView(f"127.0.0.1:{urlsplit(page.url).port}")


def test_it_takes_no_other_method(page: PageView) -> None:
    parts = urlsplit(page.url)
    with closing(http.client.HTTPConnection("127.0.0.1", parts.port or 0, timeout=10)) as connection:
        connection.request("POST", "/", body="x")
        assert connection.getresponse().status == 501


class Feeding:
    """Shows a snapshot twenty times a second, as a recording does."""

    def __init__(self, page: PageView) -> None:
        self.page, self.now, self.over = page, NOW, threading.Event()
        self.thread = threading.Thread(target=self._run)

    def __enter__(self) -> Feeding:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.over.set()
        self.thread.join()

    def _run(self) -> None:
        elapsed_s = 12.5
        while not self.over.wait(0.05):
            elapsed_s += 0.05
            self.page.show(replace(self.now, elapsed_s=elapsed_s))


@pytest.mark.skipif(CHROMIUM is None or os.name != "posix", reason="no Chromium on this machine")
def test_in_a_real_browser() -> None:
    """Numbers arrive, a name that is markup is only text, nothing overflows a phone, no complaint."""
    page = PageView()
    with browser() as seen:
        seen.size(390, 844)
        with Feeding(page) as feeding:
            seen.open(page.url)
            seen.until("byId('margin').textContent === '\u22122.3'")
            assert seen.value("byId('alarm').textContent") == "no alarm"
            assert seen.value("byId('what').textContent") == "rear axle margin, N: DOES NOT HOLD"
            feeding.now = replace(NOW, throttle_us=1000.0)
            seen.until("byId('what').textContent === 'fans at rest'")
            assert seen.value("byId('margin').textContent") == "rest"  # and no great margin that is lacking
            assert seen.value("document.querySelectorAll('.bad').length") == 1  # the tap without a reading
            assert seen.value("byId('mark-of-need').hidden") is False
            assert seen.value("byId('health').textContent").startswith("link okdisk ok00:")
            assert seen.value("byId('health').getBoundingClientRect().height") < 24  # one line
            taps = seen.value("byId('taps').textContent")
            assert taps == "<img src=x onerror=alert(1)>600 Parear? missing"
            assert seen.value("document.querySelectorAll('img').length") == 0
            # load over need, the mark at half the width: 16.0 of 14.5 and 13.2 of 15.5
            widths = "[...document.querySelectorAll('.bar i')].map((bar) => parseFloat(bar.style.width))"
            assert seen.value(widths) == pytest.approx([50 * 16.0 / 14.5, 50 * 13.2 / 15.5], abs=0.01)
            seen.until("document.querySelector('path').getAttribute('d').split('L').length > 5")
            feeding.now = replace(NOW, alarm="SEAL LOST at <b>front</b>, DOES NOT HOLD, BOARD ALARM")
            seen.until("document.title.startsWith('ALARM SEAL LOST at <b>front')")
            assert seen.value("byId('last').hidden") is True
            seen_alarm = AlarmSeen("SEAL LOST at <b>front</b>", 12.3, None, "rear", -2.3, 103.0)
            feeding.now = replace(feeding.now, last_alarm=seen_alarm)
            seen.until("byId('last').textContent === 'since 00:12.3; worst rear \u22122.3 N'")
            for width in (320, 360, 390, 768, 844, 1280):
                seen.size(width, 800)
                assert seen.value("document.documentElement.scrollWidth") <= width
                assert seen.value("byId('alarm').getBoundingClientRect().top") < 20
                for scheme in ("light", "dark"):
                    seen.dark(scheme == "dark")
                    assert seen.value(LEAST_CONTRAST) >= 4.5, (width, scheme)  # WCAG 2.2, 1.4.3 level AA
                    assert seen.value(LEAST_TARGET) >= 24, (width, scheme)  # 2.5.8 level AA, CSS px
            for size in ((360, 640), (390, 844), (1280, 900)):  # before anything is driven
                seen.size(*size)
                assert seen.value("byId('sound').getBoundingClientRect().bottom") < 0.4 * size[1]
                # what does not fit is left out with the dot before it
                seen.value("line = [...byId('health').children].map(e => e.getBoundingClientRect())")
                assert seen.value("line.every(e => e.top > line[0].top || e.right <= innerWidth)")
            seen.size(390, 844)
            assert seen.value("byId('axles').getBoundingClientRect().bottom") < 500  # without scrolling
            assert seen.value("parseFloat(getComputedStyle(byId('margin')).fontSize)") >= 100
            # the alarm is over: what it was stays until somebody touches it away, by finger or key
            feeding.now = replace(PLACED, last_alarm=replace(seen_alarm, until_s=14.1))
            seen.until(
                "byId('last').textContent.startsWith("
                "'last alarm 00:12.3 to 00:14.1; worst rear \u22122.3 N: S')"
            )
            seen.size(360, 640)
            seen.value("scrollTo(0, 0)")
            # a small phone shows all that is judged, the taps under the floor too, without scrolling
            seen.until("!byId('plan').hidden")
            assert seen.value("byId('plan').getBoundingClientRect().bottom") <= 640
            seen.size(390, 844)
            before = seen.value(FIGURE_AT)
            seen.click("last")
            seen.until("byId('last').hidden")
            # nothing jumps: not when that goes, not when a figure gains a digit
            assert seen.value(FIGURE_AT) == before
            for pa in (999.0, 1000.0):
                feeding.now = replace(PLACED, axles=(), suction_pa=pa)
                seen.until(f"byId('margin').textContent === '{pa:.0f}'")
                places = seen.value(FIGURE_AT)
                assert places["right"] == before["right"]
            assert seen.value("byId('mark-of-need').hidden") is True  # no car, no bars, no word of them
            # front above rear, left before right
            rows = "[...document.querySelectorAll('.row')].map((row) => row.innerText)"
            plan = [" ".join(row.split()) for row in seen.value(rows)]
            assert plan == ["fl 1012 Pa fr 603 Pa", "rl 604 Pa out of range rr 601 Pa"]
            # sound and a screen that stays on need a touch, or the key of whoever goes through with Tab
            seen.value("byId('sound').focus()")
            seen.click("sound")
            seen.until("/^(Sound is on|No sound in this browser); .+\\.$/.test(byId('sound').textContent)")
            feeding.now = replace(PLACED, marks=1)
            seen.until("document.documentElement.classList.contains('flash')")
            seen.until("!document.documentElement.classList.contains('flash')")
            # a mistake on the page itself, half way through a picture
            feeding.over.set()
            page._feed.publish('{"alarm": "", "axles": [], "suction_pa": 1, "elapsed_s": 13}')
            seen.until("byId('alarm').textContent.startsWith('THIS PAGE FAILED')")
            assert float(seen.value("getComputedStyle(byId('live')).opacity")) < 0.5
        # the recorder hangs or the network is gone: the last margin must not look as if it were so
        seen.until("byId('alarm').textContent === 'NO CONNECTION to the recording computer'")
        assert float(seen.value("getComputedStyle(byId('live')).opacity")) < 0.5
        with Feeding(page):
            seen.until("byId('alarm').textContent === 'no alarm'")
            assert seen.value("getComputedStyle(byId('live')).opacity") == "1"
        page.close("port vanished")
        seen.until("byId('alarm').textContent === 'THE RECORDING IS OVER: port vanished'")
        assert seen.value("byId('alarm').className") == "on"
        assert float(seen.value("getComputedStyle(byId('live')).opacity")) < 0.5
        assert seen.complaints == []

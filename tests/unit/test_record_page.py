"""The live page: what it serves, to whom, and in a real browser."""

from __future__ import annotations

import http.client
import json
import re
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from urllib.parse import urlsplit

import pytest

from undertray.errors import LinkError
from undertray.live.page import PageView
from undertray.live.snapshot import AxleNow, Snapshot, TapNow

CHROMIUM = next(
    (p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None
)
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
    for browser in (*browsers, ninth):
        browser.close()


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


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
def test_in_a_real_browser() -> None:
    """Numbers arrive, a name that is markup is only text, nothing overflows a phone, no complaint."""
    assert CHROMIUM is not None
    page = PageView()
    over = threading.Event()

    def run() -> None:
        """Sends for three seconds once a browser is there; then the recording ends."""
        elapsed = 0.0
        while elapsed < 6 and not over.wait(0.05):
            elapsed += 0.1 * bool(page.browsers)
            page.show(replace(NOW, elapsed_s=elapsed, alarm=f"SEAL LOST {int(10 * elapsed) % 2}"))
        page._feed.end()

    threading.Thread(target=run, daemon=True).start()
    with tempfile.TemporaryDirectory() as profile:
        done = subprocess.run(
            [
                CHROMIUM,
                *("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync"),
                *("--disable-background-networking", "--disable-component-update"),
                *("--enable-logging=stderr", f"--user-data-dir={profile}", "--window-size=390,900"),
                *("--virtual-time-budget=5000", "--dump-dom", page.url),
            ],
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )
    over.set()
    page.close()
    dom = done.stdout
    assert "ALARM SEAL LOST" in dom
    assert "margin of the rear axle, N: DOES NOT HOLD" in dom
    assert ">-2.3<" in dom
    assert "&lt;img src=x onerror=alert(1)&gt;" in dom
    assert "<img" not in dom
    path = re.search(r'<path d="(M[^"]+)"', dom)
    assert path is not None
    assert path[1].count("L") > 3  # the strip chart grows
    assert not re.search(r"Refused|Uncaught|Content.Security.Policy", done.stderr), done.stderr[-2000:]

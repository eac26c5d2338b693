"""The page in a real browser: no sideways overflow, no error, no request."""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from fakes.reductions import invented_car, invented_reduction
from undertray.report.page import make_sheet, render_page

CHROMIUM = next(
    (p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None
)
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")

# lays out the page in a frame of each width; the page itself has no script and its policy would forbid one
PROBE = """<!DOCTYPE html><body><script>
const out = [];
let left = WIDTHS.length;
for (const width of WIDTHS) {
  const frame = document.createElement('iframe');
  frame.style = `border:0;width:${width}px;height:900px`;
  frame.src = '/page';
  frame.onload = () => {
    const page = frame.contentDocument;
    const over = [...page.querySelectorAll('body *')].filter(e => !e.closest('.frame, .scroll, svg')
      && e.getBoundingClientRect().right > width + 0.5).map(e => e.tagName);
    const words = [...page.querySelectorAll('.key dd, .key dt, .word, .headline')]
      .filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.textContent);
    out.push([width, frame.contentWindow.innerWidth, page.documentElement.scrollWidth,
      over.join(), words.join(), page.querySelectorAll('svg').length,
      getComputedStyle(page.querySelector('.verdict')).borderLeftWidth].join('|'));
    if (--left === 0) document.body.innerHTML = '<pre>' + out.sort().join('\\n') + '</pre>';
  };
  document.body.appendChild(frame);
}
</script></body>"""
WIDTHS = (390, 1024, 1920)


@pytest.fixture(scope="module")
def served() -> Iterator[tuple[str, list[str]]]:
    page = render_page([make_sheet(invented_reduction(), invented_car())], "Invented car")
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            body = page if self.path == "/page" else PROBE.replace("WIDTHS", str(list(WIDTHS)))
            self.send_response(200 if self.path in ("/page", "/probe") else 404)
            self.send_header("Content-Type", "text/html; charset=utf-8")
            self.end_headers()
            self.wfile.write(body.encode())

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}", asked
    server.shutdown()
    server.server_close()


def _browse(*arguments: str) -> subprocess.CompletedProcess[str]:
    assert CHROMIUM is not None
    with tempfile.TemporaryDirectory() as profile:
        return subprocess.run(
            [
                CHROMIUM,
                *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
                *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
                *("--enable-logging=stderr", f"--user-data-dir={profile}", *arguments),
            ],
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )


def test_no_overflow_at_three_widths_and_no_request_but_the_page(served: tuple[str, list[str]]) -> None:
    address, asked = served
    asked.clear()
    done = _browse("--dump-dom", "--virtual-time-budget=20000", "--window-size=2000,1000", f"{address}/probe")
    found = re.search(r"<pre>(.*?)</pre>", done.stdout, re.S)
    assert found is not None, done.stderr[-2000:]
    seen = [line.split("|") for line in found[1].splitlines()]
    assert sorted(int(s[0]) for s in seen) == list(WIDTHS)
    for width, inner, scroll, over, cut, pictures, border in seen:
        assert width == inner
        assert int(scroll) <= int(width), f"{width} px wide: the page is {scroll} px"
        assert (over, cut) == ("", "")
        assert int(pictures) == 6
        assert border == "8px"  # its style sheet was taken, so the hash in its policy is right
    assert {path for path in asked if path not in ("/probe", "/favicon.ico")} == {"/page"}


def test_the_browser_has_nothing_to_complain_of(served: tuple[str, list[str]]) -> None:
    done = _browse("--dump-dom", f"{served[0]}/page")
    assert "Suction report" in done.stdout
    # a script error, a broken policy or a refused style would be a line from the console
    assert [line for line in done.stderr.splitlines() if "CONSOLE" in line] == []


def test_it_prints(served: tuple[str, list[str]], tmp_path: Path) -> None:
    target = tmp_path / "page.pdf"
    _browse(f"--print-to-pdf={target}", "--no-pdf-header-footer", f"{served[0]}/page")
    content = target.read_bytes()
    assert content.startswith(b"%PDF-")
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b", content)) <= 9

"""A real headless Chromium, spoken to over its own debugging pipe: no package, no port.

``python tests/fakes/browser.py PAGE.html PICTURE.png 1000 1120`` takes a picture of the top of a page.
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import pathlib
import select
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from typing import Any

CHROMIUM = next(
    (p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None
)
_DEADLINE_S = 60
# Contrast as WCAG 2.2 has it (1.4.3; https://www.w3.org/TR/WCAG22/#dfn-relative-luminance), for expressions
# in a page: a colour's numbers, its relative luminance, what is behind an element, the ratio of two colours.
CONTRAST = r"""
const parts = text => (text.match(/[\d.]+/g) || []).map(Number);
const light = c => [0.2126, 0.7152, 0.0722].reduce((sum, weight, i) => {
  const v = c[i] / 255;
  return sum + weight * (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
}, 0);
const behind = e => {
  if (!e) return [255, 255, 255];
  const c = parts(getComputedStyle(e).backgroundColor), share = c[3] ?? 1;
  const under = share < 1 ? behind(e.parentElement) : c;
  return [0, 1, 2].map(i => share * c[i] + (1 - share) * under[i]);
};
const contrast = (ink, ground) => {
  const [a, b] = [light(ink), light(ground)].sort((x, y) => y - x);
  return (a + 0.05) / (b + 0.05);
};
"""


class Browser:
    """One page of it."""

    def __init__(self, commands: int, answers: int) -> None:
        self._commands, self._answers = commands, answers
        self._number, self._rest, self._session = 0, b"", {}  # type: ignore[var-annotated]
        self.complaints: list[str] = []
        self.requests: list[str] = []
        [page] = [t for t in self._call("Target.getTargets")["targetInfos"] if t["type"] == "page"]
        attached = self._call("Target.attachToTarget", targetId=page["targetId"], flatten=True)
        self._session = {"sessionId": attached["sessionId"]}
        for domain in ("Page", "Log", "Runtime", "Network"):
            self._call(f"{domain}.enable")

    def _call(self, method: str, **params: Any) -> dict[str, Any]:
        self._number += 1
        message = {"id": self._number, "method": method, "params": params, **self._session}
        os.write(self._commands, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("method") in ("Log.entryAdded", "Runtime.exceptionThrown"):
                self.complaints.append(json.dumps(answer["params"]))
            if answer.get("method") == "Network.requestWillBeSent":
                self.requests.append(answer["params"]["request"]["url"])
            if answer.get("id") == self._number:
                assert "error" not in answer, answer
                return answer["result"]  # type: ignore[no-any-return]

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            assert select.select([self._answers], [], [], _DEADLINE_S)[0], "the browser does not answer"
            piece = os.read(self._answers, 1 << 20)
            assert piece, "the browser is gone"
            self._rest += piece
        text, _, self._rest = self._rest.partition(b"\0")
        return json.loads(text)  # type: ignore[no-any-return]

    def size(self, width: int, height: int) -> None:
        self._call(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=True
        )

    def open(self, url: str) -> None:
        self._call("Page.navigate", url=url)

    def dark(self, dark: bool) -> None:
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self._call("Emulation.setEmulatedMedia", features=[scheme])

    def scripts(self, allowed: bool) -> None:
        """Whether a page may run its own; what is evaluated here runs all the same."""
        self._call("Emulation.setScriptExecutionDisabled", value=not allowed)

    def press(self, key: str, shift: bool = False) -> None:
        typed = {"text": key} if len(key) == 1 else {}
        for kind in ("keyDown", "keyUp"):
            self._call("Input.dispatchKeyEvent", type=kind, key=key, modifiers=8 * shift,
                       **(typed if kind == "keyDown" else {}))  # fmt: skip

    def mouse(self, kind: str, x: float, y: float, held: bool = False) -> None:
        """``kind`` is mouseMoved, mousePressed or mouseReleased."""
        button = "none" if kind == "mouseMoved" else "left"
        self._call(
            "Input.dispatchMouseEvent", type=kind, x=x, y=y, button=button, buttons=int(held), clickCount=1
        )

    def touch(self, kind: str, *points: tuple[float, float]) -> None:
        """``kind`` is touchStart, touchMove or touchEnd."""
        self._call("Input.dispatchTouchEvent", type=kind, touchPoints=[{"x": x, "y": y} for x, y in points])

    def picture(self) -> bytes:
        """What is to be seen, as PNG."""
        return base64.b64decode(self._call("Page.captureScreenshot", format="png")["data"])

    def pdf(self, width_in: float, height_in: float) -> bytes:
        printed = self._call(
            "Page.printToPDF", printBackground=True, paperWidth=width_in, paperHeight=height_in
        )
        return base64.b64decode(printed["data"])

    def value(self, expression: str) -> Any:
        return self._call("Runtime.evaluate", expression=expression, returnByValue=True)["result"].get(
            "value"
        )

    def click(self, element: str) -> None:
        """Click an element as a person does, who may then be played a sound."""
        expression = f"document.getElementById({element!r}).click()"
        self._call("Runtime.evaluate", expression=expression, userGesture=True)

    def until(self, expression: str) -> None:
        until_s = time.monotonic() + _DEADLINE_S
        while not self.value(expression):
            assert time.monotonic() < until_s, (expression, self.value("document.body.innerText"))
            select.select([], [], [], 0.05)


@contextlib.contextmanager
def browser() -> Iterator[Browser]:
    assert CHROMIUM is not None
    to_read, commands = os.pipe()
    answers, to_write = os.pipe()

    def place() -> None:  # it reads its descriptor 3 and writes to 4
        for end, at in ((to_read, 1003), (to_write, 1004)):
            os.dup2(end, at)
        os.dup2(1003, 3)
        os.dup2(1004, 4)

    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        quiet = [
            "--no-first-run",
            "--disable-sync",
            "--disable-background-networking",
            "--disable-component-update",
        ]
        process = subprocess.Popen(
            [CHROMIUM, "--headless=new", "--no-sandbox", "--disable-gpu", *quiet,
             f"--user-data-dir={profile}", "--remote-debugging-pipe", "about:blank"],
            preexec_fn=place, close_fds=False,  # noqa: PLW1509 - it only moves descriptors
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(to_read)
        os.close(to_write)
        try:
            yield Browser(commands, answers)
        finally:
            os.close(commands)  # the end of its pipe is the end of it
            os.close(answers)
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(5)
            process.kill()
            process.wait()


def _main(page: str, picture: str, width: str, height: str) -> None:
    import io

    from PIL import Image

    with browser() as found:
        found.size(int(width), int(height))
        found.dark(False)
        found.open(pathlib.Path(page).resolve().as_uri())
        found.until("document.readyState === 'complete'")
        # few colours: a page is text and lines, and the picture a quarter of the size
        image = Image.open(io.BytesIO(found.picture())).convert("RGB")
        image.quantize(64).save(picture, optimize=True)


if __name__ == "__main__":
    _main(*sys.argv[1:])

"""The live view in a browser: one page, fed by server-sent events, from this program alone."""

from __future__ import annotations

import json
import secrets
import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from html import escape
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.resources import files
from ipaddress import ip_address
from typing import Any
from urllib.parse import urlsplit

from undertray.errors import LinkError
from undertray.live.snapshot import Snapshot, page_units
from undertray.report.display import SI, Display
from undertray.report.words import CAUTIONS

__all__ = ["UNKNOWN", "PageView", "code_lines", "hostname", "is_loopback", "parsed", "seen_from_outside"]


# Where the live page is: the address to listen on, and the one to tell.

_OUT = {4: (socket.AF_INET, "192.0.2.1"), 6: (socket.AF_INET6, "2001:db8::1")}  # of nobody: RFC 5737, 3849
UNKNOWN = "ADDRESS"
"""Stands for an address that is not known."""


def parsed(address: str) -> tuple[str, int]:
    """Take an address apart."""
    try:
        parts = urlsplit(f"//{address}")
        if parts.hostname and parts.port is not None:
            return parts.hostname, parts.port
    except ValueError:
        pass
    raise LinkError("not an address", seen=address, expected="HOST:PORT", do="give --page-address HOST:PORT")


def seen_from_outside(host: str) -> str:
    """Tell a host as another device has to write it."""
    try:
        address = ip_address(host)
    except ValueError:
        return host
    if not address.is_unspecified:
        return host
    family, beyond = _OUT[address.version]
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as way:
            way.connect((beyond, 9))  # looks up the way there; nothing is sent
            own = str(way.getsockname()[0])
    except OSError:
        return UNKNOWN
    return UNKNOWN if is_loopback(own) else own


def code_lines(url: str) -> list[str]:
    """Draw an address as a QR code, two rows of it in a line: black signs, for a white ground.

    Parameters
    ----------
    url : str
        The address.

    Returns
    -------
    list of str
        With the four empty modules round it that readers need (ISO/IEC 18004).
    """
    import segno

    rows = [list(map(bool, row)) for row in segno.make(url, error="l", micro=False).matrix_iter(border=4)]
    rows += [[False] * len(rows[0])] * (len(rows) % 2)
    signs = {(True, True): "\u2588", (True, False): "\u2580", (False, True): "\u2584", (False, False): " "}
    return [
        "".join(signs[pair] for pair in zip(*rows[i : i + 2], strict=True)) for i in range(0, len(rows), 2)
    ]


def hostname(host: str) -> str | None:
    """Take the port off a ``Host`` header."""
    try:
        return urlsplit(f"//{host}").hostname
    except ValueError:
        return None


def is_loopback(host: str | None) -> bool:
    """Tell whether a host is this computer, for itself only."""
    if host == "localhost":
        return True
    try:
        return ip_address(host or "").is_loopback
    except ValueError:
        return False


_SEND_S = 0.1
_ALIVE_S = 5.0
_WRITE_S = 5.0
_MOST_CLIENTS = 8
_MOST_ASKING = 32
_ASK_S = 5.0
_POLL_S = 0.05
_POLICY = (
    "default-src 'none'; script-src 'nonce-{nonce}'; style-src 'nonce-{nonce}'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


class PageView:
    """Serves the page and feeds it.

    Parameters
    ----------
    address : str or None
        ``HOST:PORT`` to listen on; a free port of the loopback if None. On any address that is
        not the loopback a random token stands in the path, and nothing answers without it.
    clock : callable
        Monotonic time, s.
    units : Display
        Units of the figures.

    Attributes
    ----------
    url : str
        Where the page is, as another device has to write it too: where every address of this
        computer is served, by the one it goes out with.
    note : str
        What to do with the url where that is not known; else empty.

    Raises
    ------
    LinkError
        When the address is none, or cannot be listened on.

    Notes
    -----
    Read only: nothing a browser sends changes anything. A browser that is slow misses
    snapshots, it never holds up the others or the recording. Who has not said within 5 s what it
    wants is hung up on, and of more than 32 such the one that has waited longest: a browser asks
    within milliseconds. A page of another site, open in the same browser, gets nothing.
    """

    def __init__(
        self,
        address: str | None = None,
        clock: Callable[[], float] = time.monotonic,
        units: Display = SI,
    ) -> None:
        host, port = parsed(address) if address else ("127.0.0.1", 0)
        self._clock = clock
        self._sent_s, self._news = float("-inf"), ("", 0)
        self._feed = _Feed()
        local = is_loopback(host)
        self._token = "" if local else secrets.token_urlsafe(16)
        try:
            self._server = _Server((host, port), self._feed, f"/{self._token}", local, units)
        except (OSError, UnicodeError, OverflowError) as error:
            raise LinkError(
                f"cannot serve the page ({getattr(error, 'strerror', None) or error})",
                where=f"{host}:{port}",
                do="choose another --page-address",
            ) from error
        seen = seen_from_outside(host)
        self.note = f"; put this computer's own address for {UNKNOWN}" if seen == UNKNOWN else ""
        shown = f"[{seen}]" if ":" in seen else seen
        self.url = f"http://{shown}:{self._server.server_address[1]}/{self._token}"
        threading.Thread(
            target=self._server.serve_forever, args=(_POLL_S,), name="live page", daemon=True
        ).start()

    @property
    def browsers(self) -> int:
        """How many browsers are connected."""
        return self._feed.clients

    def show(self, snapshot: Snapshot) -> None:
        """Send it to every browser; at once at a mark and when the alarm changes, else ten times a second."""
        news = (snapshot.alarm, snapshot.marks)
        if news == self._news and self._clock() - self._sent_s < _SEND_S:
            return
        self._sent_s, self._news = self._clock(), news
        self._feed.publish(json.dumps(snapshot.as_dict(), allow_nan=False))

    def close(self, ended: str = "") -> None:
        """Say that the recording is over, and why where nobody asked for that, and serve no more."""
        self._feed.end(ended)
        self._server.shutdown()
        self._server.server_close()


class _Feed:
    """The latest snapshot; whoever is slow gets the latest when it is ready."""

    def __init__(self) -> None:
        self._fresh = threading.Condition()
        self._text, self._number, self.over, self.ended = "", 0, False, ""
        self._clients, self._counting = 0, threading.Lock()

    @property
    def clients(self) -> int:
        return self._clients

    def enter(self) -> bool:
        with self._counting:
            if self._clients >= _MOST_CLIENTS:
                return False
            self._clients += 1
            return True

    def leave(self) -> None:
        with self._counting:
            self._clients -= 1

    def publish(self, text: str) -> None:
        with self._fresh:
            self._text, self._number = text, self._number + 1
            self._fresh.notify_all()

    def end(self, ended: str) -> None:
        with self._fresh:
            self.over, self.ended = True, ended
            self._fresh.notify_all()

    def after(self, number: int) -> tuple[str | None, int]:
        """Wait for a newer one; None when none came in time."""
        with self._fresh:
            self._fresh.wait_for(lambda: self._number > number or self.over, _ALIVE_S)
            return (self._text if self._number > number else None), self._number


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False
    request_queue_size = 64

    def __init__(self, address: tuple[str, int], feed: _Feed, root: str, local: bool, units: Display) -> None:
        if ":" in address[0]:
            self.address_family = socket.AF_INET6
        self.feed, self.root, self.local = feed, root, local
        self._asking: dict[Any, float] = {}  # whose request is not whole yet, since when; the oldest first
        self._counting = threading.Lock()
        cautions = "".join(f"<li>{escape(one)}</li>" for one in CAUTIONS)
        page = files("undertray.live").joinpath("page.html").read_text(encoding="utf-8")
        self.page = page.replace("{cautions}", cautions).replace("{units}", json.dumps(page_units(units)))
        super().__init__(address, _Handler)

    def process_request(self, request: Any, client_address: Any) -> None:
        with self._counting:
            self._asking[request] = time.monotonic()
            most = list(self._asking)[:-_MOST_ASKING]
        self._hang_up(most)
        super().process_request(request, client_address)

    def service_actions(self) -> None:
        """Twenty times a second: the handler's own timeout begins anew at each byte."""
        before_s = time.monotonic() - _ASK_S
        with self._counting:
            late = [request for request, since_s in self._asking.items() if since_s < before_s]
        self._hang_up(late)

    def has_asked(self, request: Any) -> None:
        with self._counting:
            self._asking.pop(request, None)

    def close_request(self, request: Any) -> None:
        self.has_asked(request)
        super().close_request(request)

    def _hang_up(self, requests: list[Any]) -> None:
        for request in requests:
            self.has_asked(request)
            with suppress(OSError):
                request.shutdown(socket.SHUT_RDWR)  # its thread wakes up and closes it

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A browser that went away is nothing to print."""


class _Handler(BaseHTTPRequestHandler):
    server: _Server
    timeout = _WRITE_S
    server_version, sys_version = "undertray", ""

    def do_GET(self) -> None:
        self.server.has_asked(self.connection)
        root = self.server.root
        path = urlsplit(self.path).path
        # a page of another site must not read this one by pointing its own name at the loopback
        if self.server.local and not is_loopback(hostname(self.headers.get("Host", ""))):
            self._answer(403, "text/plain", b"not from here\n")
        elif self._for_another_site():
            self._answer(403, "text/plain", b"not for another site\n")
        elif secrets.compare_digest(path.encode(), root.encode()):
            self._page()
        elif secrets.compare_digest(path.encode(), f"{root.rstrip('/')}/events".encode()):
            self._events()
        else:
            self._answer(404, "text/plain", b"nothing here\n")

    def _for_another_site(self) -> bool:
        """Whether a page of another site asks: browsers tell (W3C Fetch Metadata, RFC 6454). A link may."""
        origin = self.headers.get("Origin")
        if origin is not None and origin != f"http://{self.headers.get('Host')}":
            return True
        own = self.headers.get("Sec-Fetch-Site", "none") in ("none", "same-origin")
        return not own and self.headers.get("Sec-Fetch-Dest") != "document"

    def _page(self) -> None:
        nonce = secrets.token_urlsafe(12)
        page = self.server.page.replace("{nonce}", nonce).replace(
            "{events}", f"{self.server.root.rstrip('/')}/events"
        )
        self._answer(200, "text/html; charset=utf-8", page.encode(), _POLICY.format(nonce=nonce))

    def _answer(self, status: int, kind: str, body: bytes, policy: str = "default-src 'none'") -> None:
        self.send_response(status)
        for key, value in (
            ("Content-Type", kind),
            ("Content-Length", str(len(body))),
            ("Content-Security-Policy", policy),
            ("X-Content-Type-Options", "nosniff"),
            ("Referrer-Policy", "no-referrer"),
            ("Cache-Control", "no-store"),
        ):
            self.send_header(key, value)
        self.end_headers()
        self.wfile.write(body)

    def _events(self) -> None:
        feed = self.server.feed
        if not feed.enter():
            self._answer(503, "text/plain", b"too many browsers\n")
            return
        try:
            self.send_response(200)
            self.send_header("Content-Type", "text/event-stream")
            self.send_header("Cache-Control", "no-store")
            self.end_headers()
            number = 0
            while True:
                text, number = feed.after(number)
                if text is None and feed.over:
                    break
                self.wfile.write(b": alive\n\n" if text is None else f"data: {text}\n\n".encode())
            self.wfile.write(f"event: over\ndata: {json.dumps({'ended': feed.ended})}\n\n".encode())
        finally:
            feed.leave()

    def log_message(self, format: str, *args: Any) -> None:
        """Say nothing: the terminal belongs to the run."""

"""The transfer of a kept run: whole and as the board holds it, or not at all."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Mapping
from typing import Any

from undertray.acquire.console import BoardConsole
from undertray.acquire.link import Link
from undertray.acquire.wire import Bad, WireNote, parse_line
from undertray.errors import LinkError

__all__ = ["Transfer"]

_SILENT_S = 5.0
_BEGIN_S = 10.0  # also for what an earlier attempt still sends
_SPARE_S = 30.0
_SLOWEST_BYTES_S = 2000  # slower than a UART at 19200 baud: whoever drips holds nobody up for ever
_ATTEMPTS = 20
_RETURN_S = 5.0
_AGAIN_S = 0.25


class Transfer:
    """Brings runs.

    Parameters
    ----------
    console : BoardConsole
        The board's console.
    clock_s : callable
        Monotonic time, s.
    reopen : callable or None
        Opens the link again after it broke; None: a broken link ends it.
    wait : callable
        Sleeps so many seconds.
    """

    def __init__(
        self,
        console: BoardConsole,
        clock_s: Callable[[], float] = time.monotonic,
        reopen: Callable[[], Link] | None = None,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        self._console = console
        self._clock_s = clock_s
        self._reopen = reopen
        self._wait = wait

    def bring(self, number: int) -> tuple[bytes, str]:
        """Bring a run.

        Parameters
        ----------
        number : int
            Its number on the board.

        Returns
        -------
        bytes, str
            The run as the board holds it, and its SHA-256 in hex, which the board tells as well.

        Raises
        ------
        LinkError
            When the board refuses, tells no digest, or the run did not come whole in 20 attempts or in
            the time: 30 s and a second for each 2000 bytes.
        """
        got, size, until_s, digest = b"", None, self._clock_s() + _SPARE_S, None
        for _ in range(_ATTEMPTS):
            begin = self._begin(number, len(got), until_s)
            if size is None:
                size = self._console.number(begin, "bytes")
                until_s = self._clock_s() + _SPARE_S + size / _SLOWEST_BYTES_S
            if begin.get("bytes") != size:
                raise self._console.nonsense(begin)
            came, digest = self._take_run(size - len(got), until_s)
            whole = got + came
            if digest is not None and hashlib.sha256(whole).hexdigest() == digest:
                return whole, digest
            if self._clock_s() > until_s:
                break
            got = _good_lines(whole, len(got), digest is not None or len(whole) > size)
        raise LinkError(
            f"run {number} did not come whole",
            where=self._console.link.name,
            seen=f"{len(got)} bytes without a fault" if digest is None else "another digest than the board's",
            expected=f"{size} bytes in good time",
            do="it is still on the board: check the cable, then fetch it again",
        )

    def _begin(self, number: int, start: int, until_s: float) -> Mapping[str, Any]:
        """Ask for a run from a byte on; passes over what an earlier attempt still sends."""
        command = f"fetch {number} {start}" if start else f"fetch {number}"

        def fits(data: Mapping[str, Any]) -> bool:
            return "done" not in data and data.get("from", start) == start

        while True:
            self._console.take_up()
            try:
                return self._console.ask(command, min(until_s, self._clock_s() + _BEGIN_S), fits)
            except LinkError as error:
                if not self._console.broken:
                    raise
                self._return(error)

    def _return(self, error: LinkError) -> None:
        """Bring a broken link back; raises what broke it where that fails."""
        until_s = self._clock_s() + _RETURN_S
        while self._console.broken:
            if self._reopen is None or self._clock_s() > until_s:
                raise error
            try:
                self._console.take_up(self._reopen())
                self._console.ask("stop")
            except LinkError:
                self._console.broken = True
                self._wait(_AGAIN_S)

    def _take_run(self, most: int, until_s: float) -> tuple[bytes, str | None]:
        """Take lines until the board says that was all; gives them, and its digest if it came to that."""
        lines: list[bytes] = []
        came = 0
        while came <= most:
            try:
                line = self._console.next(min(self._clock_s() + _SILENT_S, until_s))
            except LinkError:
                break
            if line is None:
                break
            parsed = parse_line(line)
            if isinstance(parsed, WireNote) and parsed.kind == "reply":
                if parsed.data.get("to") != "fetch":
                    continue
                if parsed.data.get("ok") is not True:
                    break
                digest = parsed.data.get("sha256")
                if not isinstance(digest, str):
                    raise LinkError(
                        "the board tells no digest of the run",
                        where=self._console.link.name,
                        do="install this firmware",
                    )
                return b"".join(lines), digest
            lines.append(line + b"\n")
            came += len(line) + 1
        return b"".join(lines), None


def _good_lines(got: bytes, before: int, hopeless: bool) -> bytes:
    """What need not be asked for again: the lines before the first that fails its check.

    ``before`` bytes came in earlier attempts. Where the board came to its end, or sent too much
    (``hopeless``), and no line of this attempt is left to blame, a bad one passed its check by
    chance: nothing is taken for good then.
    """
    good = 0
    for line in got.split(b"\n")[:-1]:
        if isinstance(parse_line(line), Bad):
            break
        good += len(line) + 1
    return b"" if hopeless and good in (before, len(got)) else got[:good]

"""The board's console as a program talks to it: a command a line, its answer among whatever else comes."""

from __future__ import annotations

import json
import time
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

from undertray.acquire.intake import held_by_another
from undertray.acquire.link import Link
from undertray.acquire.wire import NOTE_LIMIT, Row, WireNote, check, parse_line
from undertray.errors import LinkError, NoBoard

__all__ = ["BoardConsole", "encode_command"]

_READ_S = 0.05
_ANSWER_S = 5.0
_LARGEST = 1 << 26


class BoardConsole:
    """Asks one board."""

    def __init__(self, link: Link, clock_s: Callable[[], float] = time.monotonic) -> None:
        self.link = link
        self.broken = self.streamed = False
        self._clock_s = clock_s
        self._rest = b""
        self._waiting: deque[bytes] = deque()

    def take_up(self, link: Link | None = None) -> None:
        """Forget what came and was not read, and go on with another link where one is given."""
        self.link, self.broken = link or self.link, self.broken and link is None
        self._rest, self._waiting = b"", deque()

    def ask(
        self,
        command: str,
        until_s: float | None = None,
        fits: Callable[[Mapping[str, Any]], bool] = lambda _: True,
    ) -> Mapping[str, Any]:
        """Send a command and wait for its answer."""
        to = command.partition(" ")[0]
        until_s = self._clock_s() + _ANSWER_S if until_s is None else until_s
        try:
            self.link.write(command.encode() + b"\n")
        except LinkError:
            self.broken = True
            raise
        while (line := self.next(until_s)) is not None:
            parsed = parse_line(line)
            self.streamed |= isinstance(parsed, Row)
            if isinstance(parsed, WireNote) and (held := held_by_another(parsed, self.link.name)) is not None:
                raise held
            if not isinstance(parsed, WireNote) or parsed.kind != "reply" or parsed.data.get("to") != to:
                continue
            if parsed.data.get("ok") is not True:
                raise LinkError(
                    f"the board refuses '{to}'", where=self.link.name, seen=parsed.data.get("why")
                )
            if fits(parsed.data):
                self.streamed |= parsed.data.get("streamed") is True
                return parsed.data
        raise NoBoard(
            f"the board does not answer to '{command}'",
            where=self.link.name,
            expected="a board with this firmware",
            do="check the port with 'undertray ports', or take the board off and on",
        )

    def next(self, until_s: float) -> bytes | None:
        """Give the next line."""
        while not self._waiting or self._clock_s() > until_s:
            if self._clock_s() > until_s:
                return None
            try:
                piece = self.link.read(_READ_S)
            except LinkError:
                self.broken = True
                raise
            *lines, self._rest = (self._rest + piece).split(b"\n")
            self._waiting.extend(lines)
            if len(self._rest) > NOTE_LIMIT:  # no line of ours: a bad one, as it is
                self._waiting.append(self._rest)
                self._rest = b""
        return self._waiting.popleft()

    def number(self, data: object, key: str) -> int:
        """Take a count out of an answer."""
        value = data.get(key) if isinstance(data, dict) else None
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= _LARGEST:
            raise self.nonsense(data)
        return value

    def nonsense(self, seen: object) -> LinkError:
        """Make the error for an answer that cannot be meant."""
        return LinkError(
            "the board's answer is not understood", where=self.link.name, seen=json.dumps(seen, default=str)
        )


def encode_command(words: str) -> bytes:
    """Write a command that moves fans: it carries the check that rows carry."""
    body = words.encode("ascii")
    return body + b"," + check(body) + b"\n"

"""A scripted link on a clock of its own: no waiting, no threads."""

from __future__ import annotations

from collections.abc import Iterable

from undertray.errors import LinkError


class Clock:
    """Monotonic time that only the script moves."""

    def __init__(self) -> None:
        self.us = 0

    def __call__(self) -> int:
        return self.us

    def sleep(self, seconds: float) -> None:
        self.us += round(seconds * 1e6)


class ScriptedLink:
    """Plays pieces at their times; a piece may be an error to raise."""

    def __init__(
        self, clock: Clock, script: Iterable[tuple[float, bytes | Exception]], name: str = "scripted"
    ) -> None:
        self.name = name
        self.clock = clock
        self.script = sorted(((round(at * 1e6), piece) for at, piece in script), key=lambda step: step[0])
        self.written: list[tuple[int, bytes]] = []
        self.closed = False

    def read(self, timeout_s: float) -> bytes:
        until = self.clock.us + round(timeout_s * 1e6)
        if not self.script or self.script[0][0] > until:
            self.clock.us = until
            return b""
        at, piece = self.script.pop(0)
        self.clock.us = max(self.clock.us, at)
        if isinstance(piece, Exception):
            raise piece
        return piece

    def write(self, data: bytes) -> None:
        self.written.append((self.clock.us, data))

    def close(self) -> None:
        self.closed = True


def vanished() -> LinkError:
    return LinkError("the port vanished", where="scripted")

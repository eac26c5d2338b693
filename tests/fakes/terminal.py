"""A real terminal for a process, 80 x 24 unless asked otherwise, and everything that it was sent."""

from __future__ import annotations

import contextlib
import os
import re
import select
import struct
import subprocess
import time
from collections.abc import Mapping, Sequence

import pyte

_DEADLINE_S = 120.0  # a busy machine takes its time


class Terminal:
    """A process whose three streams are a pseudo-terminal."""

    def __init__(
        self,
        command: Sequence[str],
        env: Mapping[str, str] | None = None,
        size: tuple[int, int] = (80, 24),
        *,
        own_session: bool = False,
    ) -> None:
        import fcntl
        import termios

        self._size = size
        self._master, slave = os.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", size[1], size[0], 0, 0))
        self.seen = b""
        self.process = subprocess.Popen(
            command,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env={**os.environ, "TERM": "xterm", **(env or {})},
            start_new_session=own_session,
        )
        os.close(slave)

    def until(self, words: str | None) -> bytes:
        """Read until words have been sent, from here on, or with None to the end; give what was sent."""
        until_s, begun = time.monotonic() + _DEADLINE_S, len(self.seen)
        while words is None or words.encode() not in self.seen[begun:]:
            assert time.monotonic() < until_s, (words, self.seen[-3000:])
            if not select.select([self._master], [], [], 0.2)[0]:
                continue
            try:
                piece = os.read(self._master, 1 << 16)
            except OSError:  # Linux, when the last process has closed it
                piece = b""
            if not piece:
                assert words is None, (words, self.seen[-3000:])
                break
            self.seen += piece
        return self.seen[begun:]

    def type(self, text: str) -> None:
        os.write(self._master, text.encode())

    def screen(self) -> str:
        """What stands there now, by a terminal emulator of others (pyte)."""
        return self.screens()[-1]

    def screens(self) -> list[str]:
        """What stood there each time a picture had been drawn in place, the last one at the end."""
        shown = pyte.Screen(*self._size)
        stream, stood = pyte.ByteStream(shown), []
        for piece in re.split(rb"(?=\r\x1b\[2K)", self.seen):
            stream.feed(piece)
            stood.append("\n".join(shown.display))
        return stood

    def hang_up(self) -> None:
        """Take the terminal away from the process."""
        with contextlib.suppress(OSError):
            os.close(self._master)

    def close(self) -> int:
        self.hang_up()
        if self.process.poll() is None:
            self.process.kill()
        return self.process.wait(10)


def on_a_terminal(
    command: Sequence[str], env: Mapping[str, str] | None = None, size: tuple[int, int] = (80, 24)
) -> tuple[int, bytes]:
    """Run to the end; give the status and what was sent."""
    terminal = Terminal(command, env, size)
    try:
        seen = terminal.until(None)
        return terminal.process.wait(20), seen
    finally:
        terminal.close()

"""Framing: a stream of bytes, in pieces of any size, cut into lines."""

from __future__ import annotations

from undertray.acquire.wire import NOTE_LIMIT, Bad, parse_line

__all__ = ["Framer"]


class Framer:
    """Cuts a stream of bytes, in pieces of any size, into lines.

    Who joins a stream late sees the rest of a line first. That first piece is dropped when
    it is no whole line of the format, and counted; unless it begins with ``#``, which only
    the start of a line can.

    Attributes
    ----------
    dropped_bytes : int
        Bytes, line ends aside, that belong to no line handed out: the first half line, what
        was beyond the longest line, and at the end the half line that never ended.
    """

    def __init__(self) -> None:
        self.dropped_bytes = 0
        self._rest = b""
        self._joining = True
        self._skipping = False

    def feed(self, piece: bytes) -> list[bytes]:
        """Take a piece of the stream.

        Parameters
        ----------
        piece : bytes
            As it came; may be empty.

        Returns
        -------
        list of bytes
            The lines that ended in this piece, without line feed and carriage return. A
            line too long for the format is cut to one byte over its limit, so that it is
            seen to be bad.
        """
        *lines, self._rest = (self._rest + piece).split(b"\n")
        if lines and self._skipping:
            self.dropped_bytes += len(lines.pop(0))
            self._skipping = False
        lines = [self._cut(line) for line in lines]
        if self._skipping:
            self.dropped_bytes += len(self._rest)
            self._rest = b""
        elif len(self._rest) > NOTE_LIMIT + 1:
            lines.append(self._cut(self._rest))
            self._rest, self._skipping = b"", True
        if lines and self._joining:
            self._joining = False
            if not lines[0].startswith(b"#") and isinstance(parse_line(lines[0]), Bad):
                self.dropped_bytes += len(lines.pop(0))
        return lines

    def _cut(self, line: bytes) -> bytes:
        if len(line) <= NOTE_LIMIT + 1:
            return line.removesuffix(b"\r")
        self.dropped_bytes += len(line) - NOTE_LIMIT - 1
        return line[: NOTE_LIMIT + 1]

    def close(self) -> None:
        """Count the half line that never ended as dropped."""
        self.dropped_bytes += len(self._rest)
        self._rest = b""

"""The lines of a run log: what each may be, and a file taken in block by block."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, BinaryIO

from undertray.acquire.rows import parse_block, parse_log_row
from undertray.acquire.rowtable import RowTable
from undertray.acquire.runfacts import ANNOTATED, Annotation, parse_annotation
from undertray.acquire.wire import WireNote, parse_json, parse_line

__all__ = ["HEADER", "MAGIC", "LogScan", "Note", "blocks_of_lines", "header_line"]

MAGIC = re.compile(rb"#undertray-run ([1-9]\d{0,8})")
"""The first line of a log, with the version of its format."""
HEADER = re.compile(rb"host_us,seq,t_us,throttle_us,flags,([A-Za-z][A-Za-z0-9_,-]*),crc")
"""The header line."""
_CHUNK = 3 << 19  # what is made of one field of it stays in a core's own cache
_LINE_LIMIT = 1 << 16
_MOST_ANNOTATIONS = 1000
_STAMP = re.compile(rb"(0|[1-9]\d{0,14}) ")


@dataclass(frozen=True, slots=True)
class Note:
    """One note of the wire as the log kept it.

    Attributes
    ----------
    host_us : int
        Host time of its arrival, µs since the log was opened; -1 in a plain capture.
    kind : str
        ``device``, ``status``, ``reply``, ``fault`` or one this version does not know.
    data : mapping
        Its decoded JSON object.
    row : int
        How many good rows stood before it.
    """

    host_us: int
    kind: str
    data: Mapping[str, Any]
    row: int


def header_line(columns: tuple[str, ...]) -> bytes:
    """Compose the header line of a log."""
    return ",".join(("host_us", "seq", "t_us", "throttle_us", "flags", *columns, "crc")).encode()


def blocks_of_lines(file: BinaryIO, size: int) -> Iterator[bytes]:
    """Cut a file into blocks of whole lines."""
    rest = b""
    while piece := file.read(min(_CHUNK, size)):
        size -= len(piece)
        end = piece.rfind(b"\n") + 1
        if end:
            yield b"".join((rest, memoryview(piece)[:end]))
            rest = piece[end:]
        else:
            rest = (rest + piece)[: _LINE_LIMIT + 1]  # no line of any format: enough to see that it is bad
    # An editor may take the last line feed away; an end line that still holds is an end.
    if rest.startswith(b"#end ") and _object(rest[5:]) is not None:
        yield rest + b"\n"


def _object(text: bytes) -> Mapping[str, Any] | None:
    try:
        return parse_json(text.decode()) if len(text) <= _LINE_LIMIT else None
    except ValueError:
        return None


def _columns(line: bytes, stamped: bool) -> int:
    """How many pressure columns a row has; 0 for anything that is no good row."""
    parsed = parse_log_row(line, None, stamped)
    return len(parsed[1].counts) if parsed else 0


class LogScan:
    """What has been read of a log, or of a plain capture, so far."""

    def __init__(self, stamped: bool, size: int) -> None:
        self.stamped = stamped
        self.columns = 0
        self.facts: Mapping[str, Any] | None = None
        self.car: Mapping[str, Any] | None = None
        self.annotations: list[Annotation] = []
        self.torn_annotations = 0
        self._bad_at = self._torn_at = -2
        self.header: bytes | None = None
        self.end: Mapping[str, Any] | None = None
        self.notes: list[Note] = []
        self.table = RowTable(0)
        self.bad, self.changed, self.first_changed = 0, 0, b""
        self._device: WireNote | None = None
        self._bad_line = b""
        self._device_line = b""
        self._lines, self._seen, self._left = 0, 0, size  # bytes since rows began, bytes to come

    def take(self, block: bytes) -> None:
        """Read a block of whole lines."""
        if not self.columns:
            lines = (line for line in block.split(b"\n") if line[:1] != b"#")
            self.columns = next(filter(None, (_columns(line, self.stamped) for line in lines)), 0)
            self.table = RowTable(self.columns)
        parsed = parse_block(block, self.columns, self.stamped)
        for i, (before, line) in enumerate(parsed.others):
            number = self._lines + before + i
            if line.startswith(ANNOTATED) and self.stamped:
                self._annotate(line, number)
            elif not self._is_fine(line, self.table.rows + before, number == 0):
                self._count_bad(line, 1)
                self._bad_at, self._bad_line = number, line
        self._lines += len(parsed.fields) + len(parsed.others)
        self._left -= len(block)
        self._seen += len(block) if self.columns else 0
        self.table.add(parsed.fields, 1 + self._left / max(1, self._seen))

    def _count_bad(self, line: bytes, count: int) -> None:
        self.bad += count
        if not line.startswith(b"#bad "):
            self.first_changed = self.first_changed or line
            self.changed += count

    def _annotate(self, line: bytes, number: int) -> None:
        """Take facts that were put right later; where they closed a half line, that one does not count."""
        found = parse_annotation(_object(line[len(ANNOTATED) :]))
        if found is None or len(self.annotations) >= _MOST_ANNOTATIONS:
            self.torn_annotations += 1
            self._torn_at = number
            return
        self.annotations.append(found)
        if found.after_half_line and self._bad_at == number - 1:
            self._count_bad(self._bad_line, -1)
        self.torn_annotations -= found.after_half_line and self._torn_at == number - 1

    def _is_fine(self, line: bytes, row: int, is_first: bool) -> bool:
        """Take a line that is no good row; False when it is a bad one."""
        if line.startswith(b"#"):
            return self._remark(line, row, is_first) if self.stamped else self._note(line, -1, row)
        if not self.stamped:
            return is_first  # the half line with which a capture may begin
        if self.header is None and HEADER.fullmatch(line):
            self.header = line
            return True
        return False

    def _remark(self, line: bytes, row: int, is_first: bool) -> bool:
        """Take a line of the log that begins with ``#``; False when it is a bad one."""
        word, _, rest = line.partition(b" ")
        if word == b"#undertray-run":
            return is_first and MAGIC.fullmatch(line) is not None
        if word in (b"#wire", b"#mark"):
            stamp = _STAMP.match(rest)
            keep = self._note if word == b"#wire" else self._mark
            return stamp is not None and keep(rest[stamp.end() :], int(stamp[1]), row)
        if word == b"#run" and self.facts is None:
            self.facts = _object(rest)
            return self.facts is not None
        if word == b"#car" and self.car is None:
            car = _object(rest)
            self.car = car or {}
            return car is not None
        if word == b"#end":
            self.end = _object(rest)
            return self.end is not None
        return False

    def _mark(self, line: bytes, host_us: int, row: int) -> bool:
        data = _object(line)
        if data is not None:
            self.notes.append(Note(host_us, "mark", data, row))
        return data is not None

    def _note(self, line: bytes, host_us: int, row: int) -> bool:
        # the device note comes again and again, and is by far the longest
        note = self._device if line == self._device_line else parse_line(line)
        if not isinstance(note, WireNote):
            return False
        if note.kind == "device":
            self._device, self._device_line = note, line
        # of a run of hours there are ten thousands: their words are the same
        data = note.data if note.kind == "device" else {sys.intern(k): v for k, v in note.data.items()}
        self.notes.append(Note(host_us, sys.intern(note.kind), data, row))
        return True

"""Intake: pieces of the stream become lines of the log, and are counted."""

from __future__ import annotations

import contextlib

from undertray.acquire.device import Device
from undertray.acquire.logscan import header_line
from undertray.acquire.slots import SlotCount
from undertray.acquire.wire import NOTE_LIMIT, Bad, Row, WireNote, parse_line
from undertray.errors import LinkError, LinkLost, NoBoard, RunLogError, quoted

__all__ = ["READ_BY_ANOTHER", "Framer", "Intake", "held_by_another", "not_our_board", "not_working"]


# Framing: a stream of bytes, in pieces of any size, cut into lines.


class Framer:
    """Cuts a stream of bytes, in pieces of any size, into lines."""

    def __init__(self) -> None:
        self.dropped_bytes = 0
        self._rest = b""
        self._joining = True
        self._skipping = False

    def feed(self, piece: bytes) -> list[bytes]:
        """Take a piece of the stream."""
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


# Who is it, if not a board of ours that works: what came over the port, put into words.

_WHY_LIMIT = 300
READ_BY_ANOTHER = "another program reads this link"
"""What a board answers to the second program that connects; see ``firmware/undertray/remote.py``."""


def not_our_board(port: str, seen: bytes, baud: int | None = None) -> LinkError:
    """Compose the error for a port on which nothing of the format arrived."""
    if not seen.strip(b"\0"):
        return NoBoard(
            "the port is silent",
            where=port,
            expected="lines of the board",
            do="check power and cable, and that the firmware is on the board",
        )
    printable = sum(0x20 <= byte < 0x7F or byte in b"\t\r\n" for byte in seen)
    if printable < 0.9 * len(seen):
        speed = f" (it was opened at {baud} bit/s)" if baud else ""
        do = f"check the speed with --baud{speed}, or choose another port"
        return NoBoard(
            "what arrives is not text: wrong speed, or not an undertray board", where=port, seen=seen, do=do
        )
    if b">>>" in seen or b"Traceback" in seen or b"MicroPython" in seen:
        return NoBoard(
            "MicroPython's own console answers, the firmware is not running",
            where=port,
            seen=seen.strip(),
            do="copy the firmware to the board and reset it",
        )
    return NoBoard(
        "text arrives, but not from an undertray board",
        where=port,
        seen=seen.strip(),
        expected="lines such as '17,81235,1500,0,8192,9f3c'",
        do="choose another port; 'undertray ports' says what answers where",
    )


def held_by_another(note: WireNote, port: str | None = None) -> LinkError | None:
    """Compose the error for a board that another program reads; None when the note says no such thing."""
    if note.kind != "reply" or READ_BY_ANOTHER not in str(note.data.get("why")):
        return None
    return NoBoard(
        "another program holds it: the board serves one at a time on this link",
        where=port,
        do="end that recording or program first, as with Ctrl-C in its terminal",
    )


def not_working(note: WireNote, port: str | None = None) -> LinkError | None:
    """Compose the error for a board that says why it cannot tell what it is.

    Parameters
    ----------
    note : WireNote
        What came before any description of the board, and before any row.
    port : str or None
        Name of the port.

    Returns
    -------
    LinkError or None
        To be raised by the caller; None when the note says no such thing.

    Notes
    -----
    A board that refuses its ``board.json`` samples nothing, answers ``info`` with the reason and
    repeats it unasked. Its refusals of other commands say nothing of the cause.
    """
    refused = note.kind == "reply" and note.data.get("ok") is False
    if not refused or note.data.get("to") not in ("info", "board"):
        return None
    if (held := held_by_another(note, port)) is not None:
        return held
    return LinkError(
        f"the board answers that it cannot work: {quoted(note.data.get('why'), _WHY_LIMIT)}",
        where=port,
        do="put that right on the board and reset it; 'undertray board check' judges a board.json here",
    )


_HELD_BYTES = 1 << 20
_NAMELESS_US = 500_000
_HELD_US = 12_000_000  # a board describes itself every 10 s, asked or not
_SEEN_BYTES = 400
_ENCODED = [chr(b) if 0x20 <= b < 0x7F and b != 0x25 else f"%{b:02X}" for b in range(256)]


class Intake:
    """What has come from the board in this recording."""

    def __init__(self) -> None:
        self.rows = self.notes = self.bad = 0
        self.segments = 1
        self.device: Device | None = None
        self.first_row_us: int | None = None
        self.last_row_us: int | None = None
        self.last_good_us: int | None = None
        self.refusal: object = None
        self.seen = b""
        self._framer = Framer()
        self._dropped_before = 0
        self._columns: int | None = None
        self._slots = SlotCount()
        self._boot: object = None
        self._apart = self._parted = False
        self._headed = False
        self._held: list[tuple[int, bytes, Row | WireNote | Bad]] | None = None
        self._nameless: list[tuple[int, bytes, Row | WireNote | Bad]] | None = []
        self._names: tuple[str, ...] = ()

    @property
    def dropped_bytes(self) -> int:
        """Bytes that became no line: half lines where a link began or broke off, and what was too long."""
        return self._dropped_before + self._framer.dropped_bytes

    @property
    def lost(self) -> int:
        """Slots missing between rows of one power-up."""
        return self._slots.lost

    @property
    def duplicates(self) -> int:
        """Rows that told a slot for the second time."""
        return self._slots.duplicates

    @property
    def holding(self) -> bool:
        """Whether lines wait for their board to say who it is."""
        return bool(self._held)

    def end_link(self) -> tuple[bytes, int]:
        """Count the half line with which a link broke off, and let go of what is held back: text and rows."""
        self._framer.close()
        held, self._held = self._held or [], None
        rows, self._nameless = self._nameless or [], None
        before = self.rows
        text, _ = self._written(rows)
        text += [self._bad(stamp, line) for stamp, line, _ in held]
        return b"".join(text), self.rows - before

    def resume(self) -> None:
        """Begin with a link that came back: nothing is taken until its board is known for the same."""
        self._dropped_before = self.dropped_bytes
        self._framer = Framer()
        self._held = [] if self.device else None
        self._apart = True

    def take(self, piece: bytes, host_us: int) -> tuple[bytes, int, list[Row | WireNote]]:
        """Take a piece of the stream."""
        if len(self.seen) < _SEEN_BYTES:
            self.seen += piece[: _SEEN_BYTES - len(self.seen)]
        arrived = [(host_us, line, parse_line(line, self._columns)) for line in self._framer.feed(piece)]
        if self._held is not None:
            if any(not isinstance(parsed, Bad) for _, _, parsed in arrived):
                self.last_good_us = host_us
            arrived = self._recognised(self._held, arrived)
        if self._nameless is not None:
            arrived = self._named(self._nameless, arrived)
            if self._nameless:
                self.last_good_us = host_us
        rows_before = self.rows
        text, good = self._written(arrived)
        if good:
            self.last_good_us = host_us
        return b"".join(text), self.rows - rows_before, good

    def _written(
        self, arrived: list[tuple[int, bytes, Row | WireNote | Bad]]
    ) -> tuple[list[bytes], list[Row | WireNote]]:
        """Turn lines into those of the log, and count them."""
        text: list[bytes] = []
        good: list[Row | WireNote] = []
        for stamp, line, parsed in arrived:
            if isinstance(parsed, Row) and self._columns not in (None, len(parsed.counts)):
                parsed = Bad("another number of columns")  # noqa: PLW2901 - the first row fixed it
            if isinstance(parsed, Bad):
                text.append(self._bad(stamp, line))
                continue
            good.append(parsed)
            if isinstance(parsed, Row):
                if not self._headed:
                    text.append(self._header(parsed))
                text.append(b"%d,%s\n" % (stamp, line))
                self._count(parsed, stamp)
            else:
                text.append(b"#wire %d %s\n" % (stamp, line))
                self._note(parsed)
        return text, good

    def _named(
        self,
        held: list[tuple[int, bytes, Row | WireNote | Bad]],
        arrived: list[tuple[int, bytes, Row | WireNote | Bad]],
    ) -> list[tuple[int, bytes, Row | WireNote | Bad]]:
        """Hold the first rows back, at most half a second, till the board says what they are."""
        held += arrived
        first = next((stamp for stamp, _, parsed in held if isinstance(parsed, Row)), None)
        told = [p.data for _, _, p in held if isinstance(p, WireNote) and p.kind == "device"]
        if told:
            with contextlib.suppress(RunLogError):  # it is refused where its turn comes
                self._names = Device.from_note(told[0]).names
        if first is not None and not told and held[-1][0] - first <= _NAMELESS_US:
            return []
        self._nameless = None if first is not None or told else []
        return held

    def _bad(self, stamp: int, line: bytes) -> bytes:
        self.bad += 1
        return f"#bad {stamp} {''.join([_ENCODED[byte] for byte in line])}\n".encode()

    def _header(self, row: Row) -> bytes:
        """Compose the header; from here on the number of columns stands."""
        self._headed = True
        self._columns = len(row.counts)
        names = tuple(f"p{i + 1}" for i in range(self._columns))
        for told in (self._names, () if self.device is None else self.device.names):
            names = told if len(told) == self._columns else names
        return header_line(names) + b"\n"

    def _count(self, row: Row, stamp: int) -> None:
        self.rows += 1
        self.last_row_us = stamp
        if self.first_row_us is None:
            self.first_row_us = stamp
        elif self._apart:
            self.segments += 1
            self._parted = True
        self._apart = False
        self._slots.take(row, stamp, self.device)

    def _note(self, note: WireNote) -> None:
        self.notes += 1
        failure = not_working(note) if self.device is None and not self.rows else None
        if failure is not None:
            raise failure
        if note.kind == "reply" and note.data.get("ok") is False:
            self.refusal = note.data.get("why")
        if note.kind != "device":
            return
        try:
            device = Device.from_note(note.data)
        except RunLogError:
            if self.device is None:
                raise
            return  # it stands in the log as it came; whoever reads the log says so
        self._must_be_the_same(device.uid)
        # rows that came back before the board said that it had been off have told this break already
        if self.device is not None and device.boot != self.device.boot and not self._parted:
            self._apart = True
        self._follow_boot(note.data.get("boot"))
        self.device, self._parted = device, False

    def _must_be_the_same(self, uid: object) -> None:
        if self.device is not None and uid != self.device.uid:
            raise LinkLost(
                "another board came back",
                seen=uid,
                expected=f"board {self.device.uid}",
                do="begin a new log for it",
            )

    def _follow_boot(self, boot: object) -> None:
        if self._boot not in (None, boot):
            self._slots.restart()
        self._boot = boot

    def _recognised(
        self,
        held: list[tuple[int, bytes, Row | WireNote | Bad]],
        arrived: list[tuple[int, bytes, Row | WireNote | Bad]],
    ) -> list[tuple[int, bytes, Row | WireNote | Bad]]:
        """Hold lines back until a row that goes on, or a device note, shows that it is the same board."""
        held += arrived
        told = [p.data for _, _, p in arrived if isinstance(p, WireNote) and p.kind == "device"]
        first = next(((stamp, p) for stamp, _, p in held if isinstance(p, Row)), None)
        if told:
            self._must_be_the_same(told[0].get("uid"))
            self._follow_boot(told[0].get("boot"))  # rows may stand before it says that it was off
            self._held = None
            return held
        if first and self.device is not None and self._slots.goes_on(first[1], first[0], self.device):
            self._held = None
            return held
        waited_us = held[-1][0] - held[0][0] if held else 0
        if waited_us > _HELD_US or sum(len(line) for _, line, _ in held) > _HELD_BYTES:
            raise LinkLost("what came back does not say which board it is", do="begin a new log for it")
        return []

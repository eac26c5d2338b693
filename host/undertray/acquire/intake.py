"""Intake: pieces of the stream become lines of the log, and are counted."""

from __future__ import annotations

from undertray.acquire.device import Device
from undertray.acquire.framing import Framer
from undertray.acquire.logscan import header_line
from undertray.acquire.slots import SlotCount
from undertray.acquire.stranger import not_working
from undertray.acquire.wire import Bad, Row, WireNote, parse_line
from undertray.errors import LinkError, RunLogError

__all__ = ["Intake"]

_HELD_BYTES = 1 << 20
_HELD_US = 12_000_000  # a board describes itself every 10 s, asked or not
_SEEN_BYTES = 400
_ENCODED = [chr(b) if 0x20 <= b < 0x7F and b != 0x25 else f"%{b:02X}" for b in range(256)]


class Intake:
    """What has come from the board in this recording.

    Attributes
    ----------
    rows, notes, bad : int
        Lines taken of each kind.
    lost, duplicates : int
        Slots missing in ``seq`` while the board ran through, and rows that tell a slot for the second time.
    segments : int
        1, and one more for each reset of the board or return of the link that rows followed.
    dropped_bytes : int
        Bytes that belong to no line: half lines at the start and end of a link.
    device : Device or None
        What the board last said of itself.
    first_row_us, last_good_us, last_row_us : int or None
        Host time of the first row, the last good line and the last row.
    refusal : object
        Why the board did not obey the last command it refused.
    seen : bytes
        The first bytes that came, to say who is there if it is not a board.
    """

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

    @property
    def dropped_bytes(self) -> int:
        """See the class."""
        return self._dropped_before + self._framer.dropped_bytes

    @property
    def lost(self) -> int:
        """See the class."""
        return self._slots.lost

    @property
    def duplicates(self) -> int:
        """See the class."""
        return self._slots.duplicates

    @property
    def holding(self) -> bool:
        """Whether lines wait for their board to say who it is."""
        return bool(self._held)

    def end_link(self) -> bytes:
        """Count the half line with which a link broke off, and give up what is held back.

        Returns
        -------
        bytes
            Bad lines for the log: what came of a board that never said who it is.
        """
        self._framer.close()
        held, self._held = self._held or [], None
        return b"".join([self._bad(stamp, line) for stamp, line, _ in held])

    def resume(self) -> None:
        """Begin with a link that came back: nothing is taken until its board is known for the same."""
        self._dropped_before = self.dropped_bytes
        self._framer = Framer()
        self._held = [] if self.device else None
        self._apart = True

    def take(self, piece: bytes, host_us: int) -> tuple[bytes, int, list[Row | WireNote]]:
        """Take a piece of the stream.

        Parameters
        ----------
        piece : bytes
            As it came.
        host_us : int
            When the read that brought it returned, µs since the log was opened.

        Returns
        -------
        bytes, int, list of Row or WireNote
            Lines for the log, how many of them are rows, and what is good of them, decoded.

        Raises
        ------
        LinkError
            When the board says that it cannot work, or a link came back with another board, or
            with one that does not say who it is.
        RunLogError
            When the board's first device note is not understood.
        """
        if len(self.seen) < _SEEN_BYTES:
            self.seen += piece[: _SEEN_BYTES - len(self.seen)]
        arrived = [(host_us, line, parse_line(line, self._columns)) for line in self._framer.feed(piece)]
        if self._held is not None:
            if any(not isinstance(parsed, Bad) for _, _, parsed in arrived):
                self.last_good_us = host_us
            arrived = self._recognised(self._held, arrived)
        text: list[bytes] = []
        good: list[Row | WireNote] = []
        rows_before = self.rows
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
        if good:
            self.last_good_us = host_us
        return b"".join(text), self.rows - rows_before, good

    def _bad(self, stamp: int, line: bytes) -> bytes:
        self.bad += 1
        return f"#bad {stamp} {''.join([_ENCODED[byte] for byte in line])}\n".encode()

    def _header(self, row: Row) -> bytes:
        """Compose the header; from here on the number of columns stands."""
        self._headed = True
        self._columns = len(row.counts)
        names = tuple(f"p{i + 1}" for i in range(self._columns))
        if self.device is not None and len(self.device.columns) == self._columns:
            names = tuple(column.name for column in self.device.columns)
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
            raise LinkError(
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
            raise LinkError("what came back does not say which board it is", do="begin a new log for it")
        return []

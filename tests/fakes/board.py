"""A scripted board: well-formed lines of the wire for a given device note, without firmware."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from undertray.acquire.wire import Row, encode_note, encode_row

TICKS = 1 << 30


def device_note(columns: int = 4, **changes: Any) -> dict[str, Any]:
    """A device note as the board sends it: pressure columns of +-10 inH2O parts, 14 bit."""
    column = {"part": "hsc", "range": "010ND", "bus": 0, "address": 40, "mux": None, "port": "low"}
    scale = {"zero": 8192, "pa_per_count": 0.38, "min": 1638, "max": 14745}
    note = {
        "wire": 1,
        "firmware": "0.1.0",
        "board": "scripted",
        "uid": "e6614103e7",
        "boot": 3735928559,
        "rate_hz": 200,
        "tick_hz": 1_000_000,
        "tick_bits": 30,
        "columns": [{"name": f"p{i + 1}", **column, "scale": scale} for i in range(columns)],
    }
    return {**note, **changes}


def device_line(columns: int = 4, **changes: Any) -> bytes:
    return encode_note("device", device_note(columns, **changes))


class ScriptedBoard:
    """Rows at a steady rate; the ticks and the slot numbers wrap as the board's do."""

    def __init__(
        self,
        columns: int = 4,
        rate_hz: float = 200,
        start_us: int = 81_235,
        seq: int = 0,
        counts: Callable[[int], Sequence[int | None]] | None = None,
        throttle_us: int | None = 1500,
        **changes: Any,
    ) -> None:
        self.columns = columns
        self.period_us = round(1e6 / rate_hz)
        self.start_us = start_us
        self.seq = seq
        self.slot = 0
        self.throttle_us = throttle_us
        self.counts = counts or (lambda slot: [8192 + (slot * 7 + 31 * i) % 900 for i in range(columns)])
        self.device = device_note(columns, rate_hz=rate_hz, **changes)

    def device_line(self) -> bytes:
        return encode_note("device", self.device)

    def row(self) -> Row:
        t_us = (self.start_us + self.slot * self.period_us) % TICKS
        row = Row((self.seq + self.slot) % 65536, t_us, self.throttle_us, 0, tuple(self.counts(self.slot)))
        self.slot += 1
        return row

    def line(self) -> bytes:
        return encode_row(self.row())

    def lines(self, count: int) -> Iterator[bytes]:
        return (self.line() for _ in range(count))


def log_of(
    board: ScriptedBoard,
    rows: int,
    *,
    delay_us: Callable[[int], int] = lambda slot: 0,
    facts: str = "{}",
    end: bool = True,
) -> bytes:
    """A run log as the recorder writes it, of one board, host time one period behind each slot."""
    names = ",".join(f"p{i + 1}" for i in range(board.columns))
    first = board.slot
    parts = [
        b"#undertray-run 1\n",
        f"#run {facts}\n".encode(),
        b"#wire 1042 " + board.device_line(),
        f"host_us,seq,t_us,throttle_us,flags,{names},crc\n".encode(),
    ]
    for i in range(rows):
        host_us = 5123 + (first + i) * board.period_us + delay_us(i)
        parts.append(b"%d," % host_us + board.line())
    if end:
        lasted_s = rows * board.period_us / 1e6
        parts.append(f'#end {{"rows": {rows}, "bad": 0, "seconds": {lasted_s}, "why": "stopped"}}\n'.encode())
    return b"".join(parts)

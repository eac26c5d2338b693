"""Run logs and live streams by a stranger: every row and note has a right check, and may say anything."""

from __future__ import annotations

import json
import math
from typing import Any

from fakes.hostile_files import car_tree
from fakes.stranger import Stranger, checked, note_line, to_json

__all__ = ["device", "honest_log", "kept_run", "run_log", "stream"]

TICKS = 1 << 30
_LINEAR = '{"zero": 8192, "pa_per_count": 0.6103143, "min": 1638, "max": 14746}'
_COMPENSATED = """{"kind": "ms5525dso", "c": [36402, 39473, 40393, 29523, 29854, 21917],
 "q": [15, 17, 7, 5, 7, 21], "range_pa": 6895}"""
_CLOCKS = [
    *((1_000_000, 30), (1, 30), (16, 30), (1, 8), (16, 8), (10**9, 62), (10**9, 8), (1, 62), (1000, 30)),
    *((32768, 24), (1_000_000, 16), (10**9, 30), (1000, 62)),
]
_REMARKS = [
    *(b"\n", b"#\n", b"#end {}\n", b"#run {}\n", b"#car {}\n", b"0\n", b"\x00\x00\n", b"," * 300 + b"\n"),
    *(b"#wire 1 \n", b"x" * 70_000 + b"\n"),
]


def device(columns: int, s: Stranger | None = None) -> dict[str, Any]:
    """The description of a board that means no harm."""
    s = s or Stranger(0)
    compensated, mixed = s.chance(0.06), s.chance(0.1)
    listed = [
        {
            **{
                "name": f"p{i + 1}",
                "part": "HSC",
                "range": "040MD",
                "bus": 0,
                "address": 40 + i,
                "mux": None,
            },
            "port": s.pick("low", "high") if mixed else "low",
            "scale": json.loads(_COMPENSATED if compensated and s.chance(0.5) else _LINEAR),
        }
        for i in range(columns)
    ]
    board = '{"wire": 1, "firmware": "0.1.0", "board": "hostile", "uid": "e6614103e7452d2f", "rate_hz": 200}'
    clock = {"boot": s.rng.randrange(2**32), "tick_hz": 1_000_000, "tick_bits": 30}
    return {**json.loads(board), **clock, "columns": listed}


def _hostile_device(s: Stranger, columns: int) -> dict[str, Any]:
    note = device(columns, s)
    if columns > 1 and s.chance(0.2):
        _give_channels(s, note)
    how = s.rng.random()
    if how < 0.45:
        return note
    if how < 0.6:
        note["tick_hz"], note["tick_bits"] = s.rng.choice(_CLOCKS)
        note["rate_hz"] = s.pick(200, 1, 0.01, 1e5, 2000)
    elif how < 0.8:
        for column in note["columns"]:
            for key in column["scale"]:
                if s.chance(0.3) and key not in ("kind", "c", "q"):
                    column["scale"][key] = s.number()
    else:
        s.spoil(note, s.pick(1, 1, 2, 4))
    return note


def _give_channels(s: Stranger, note: dict[str, Any]) -> None:
    """Let the last numbers of a row be no pressures."""
    many = min(s.pick(1, 2, 3, 3, 5, 5), len(note["columns"]) - 1)
    names = s.pick(
        ["ax", "ay", "az", "throttle2_us", "pack2_mv"], ["throttle2_us", "ax", "az", "ay", "unheard-of"]
    )
    note |= {"wire": 2, "channels": names[:many], "columns": note["columns"][: len(note["columns"]) - many]}
    note["accelerometer"] = {
        **{"part": "LIS3DH", "bus": 0, "address": 25, "mg_per_count": s.pick(4, 1, 12, 0.001, 1000)},
        **{"range_mg": s.pick(8000, 2000, 1, 1e6), "odr_hz": 400},
        **{"forward": s.pick("+x", "-y", "+z"), "up": s.pick("+z", "-z", "+x", "+y")},
    }


def _status(s: Stranger, columns: int, t_us: int) -> dict[str, Any]:
    data = {"t_us": t_us % TICKS, "temperature_c": [25.03] * columns, "pack_mv": s.rng.randint(6000, 8400)}
    counts = {"skipped": 0, "dropped": 0, "read_errors": [0] * columns, "free_bytes": 180000}
    return dict(s.spoil({**data, **counts, "second": [8077636] * columns}, s.pick(0, 0, 1, 2)))


def _any_note(s: Stranger, columns: int, t_us: int) -> bytes:
    kind = s.pick(
        "status", "status", "status", "fault", "fault", "reply", "device", "alarm", "column", "z9_-"
    )
    data: Any
    if kind == "status":
        data = _status(s, columns, t_us)
    elif kind == "fault":
        data = {
            "column": f"p{s.rng.randint(0, columns + 1)}",
            "why": s.pick("crc", "nack", "part"),
            "t_us": t_us,
        }
        s.spoil(data, s.pick(0, 0, 1))
    elif kind == "reply":
        data = s.spoil(
            {"to": s.pick("rate", "start", "info", "arm"), "ok": s.chance(0.5), "why": s.text()}, 1
        )
    elif kind == "device":
        data = _hostile_device(s, columns)
    else:
        data = s.value() if s.chance(0.3) else {"k": s.value()}
    if s.chance(0.05):  # the body of one kind under the name of another
        kind = s.pick("status", "fault", "reply", "device")
    return note_line(kind, data)


def _drive(s: Stranger, columns: int, rows: int) -> tuple[list[Any], list[list[Any]]]:
    """Throttle and counts of a drive: fans up, a hold, perhaps a loss, fans down."""
    top = s.pick(1300, 1700, 2000)
    share = [s.rng.uniform(0.4, 1.2) for _ in range(columns)]
    up, down = rows // 6, rows - rows // 6
    lost_from, lost_for = s.rng.randrange(max(1, rows)), s.pick(0, 3, 30, 200, 10**6)
    noise = s.pick(0, 1, 5, 200)
    throttle: list[Any] = []
    counts: list[list[Any]] = []
    for i in range(rows):
        speed = max(0.0, min(1.0, (i - up) / 30)) if i < down else math.exp((down - i) / 20)
        left = 0.15 if lost_from <= i < lost_from + lost_for else 1.0
        pa = 1400 * (speed * (top - 1000) / 700) ** 2 * left
        throttle.append(top if up <= i < down else 1000)
        counts.append([round(8192 + pa * part / 0.61 + noise * (s.rng.random() - 0.5)) for part in share])
    return throttle, counts


def _count(s: Stranger) -> Any:
    far = s.rng.randint(-(10**6), 10**6)
    return s.pick(None, 0, -1, 1, 8192, 14746, 1638, 16383, -(10**15) + 1, 10**15 - 1, 2**31, far)


def _spoil_rows(s: Stranger, throttle: list[Any], counts: list[list[Any]]) -> None:
    columns = len(counts[0]) if counts else 0
    for _ in range(s.pick(0, 0, 1, 1, 2, 4)):
        begin = s.rng.randrange(max(1, len(counts)))
        how, column, value = s.rng.randrange(9), s.rng.randrange(max(1, columns)), _count(s)
        for i in range(begin, min(len(counts), begin + s.pick(1, 1, 3, 50, 10**6))):
            if how == 0:
                counts[i] = [value] * columns
            elif how == 1:
                counts[i][column] = value
            elif how == 2:
                counts[i] = [None] * columns
            elif how == 3:
                counts[i][column] = _count(s)
            elif how == 4:
                throttle[i] = s.pick(None, 0, 1, 999_999, 1000, 65_535, s.rng.randint(0, 999_999))
            elif how == 5:
                throttle[i] = None
            elif how == 6:
                counts[i] = [10**15 - 1 if (i + j) % 2 else -(10**15) + 1 for j in range(columns)]
            elif how == 7:
                throttle[i] = 1000 + (i * 7919) % 1000
            else:
                counts[i] = [8192] * columns


class _Clocks:
    """seq, ticks and host time of a board that may skip, wrap, reset, stand still or fall silent."""

    def __init__(self, s: Stranger, period_us: int) -> None:
        self.s, self.period_us = s, period_us
        self.seq = s.pick(0, 65530, s.rng.randrange(65536))
        self.tick = s.pick(81_235, TICKS - 3000, s.rng.randrange(TICKS))
        self.host = s.pick(0, 5123, 10**14, s.rng.randrange(10**9))
        self.wild = s.chance(0.4)

    def step(self) -> None:
        self._go(1)
        if self.wild and self.s.chance(0.01):
            self._odd(self.s.rng.randrange(8))

    def _go(self, slots: int) -> None:
        self.seq += slots
        self.tick += slots * self.period_us
        self.host += slots * self.period_us

    def _odd(self, how: int) -> None:
        s = self.s
        if how == 0:
            self.seq, self.tick = 0, s.rng.randrange(10**6)  # a reset
        elif how == 1:
            self._go(-1)  # the same slot again
        elif how == 2:
            self._go(s.pick(2, 6, 400, 59_000, 65_535, 65_536, 131_072, 10**6))
        elif how == 3:
            self.host += s.pick(10**6, 10**9, 2**40, 10**13, -1, -(10**4), -(10**6), -(10**9))
        elif how == 4:
            self.seq, self.host = s.pick(self.seq, s.rng.randrange(65536)), s.pick(0, 10**15 - 1, self.host)
        elif how == 5:
            self.tick = s.rng.randrange(TICKS)
        elif how == 6:
            self.period_us = s.pick(0, 1, 500, 5000, 10**6, 2**29, TICKS - 1)
        else:
            self.tick -= s.pick(1, self.period_us // 2, self.period_us, 2 * self.period_us)


def _rows(s: Stranger, columns: int, rows: int, period_us: int) -> list[tuple[int, bytes, int]]:
    """Host time, wire line and tick of each row."""
    throttle, counts = _drive(s, columns, rows)
    _spoil_rows(s, throttle, counts)
    clocks, busy = _Clocks(s, period_us), s.chance(0.2)
    lines = []
    for us, row in zip(throttle, counts, strict=True):
        flags = s.pick(0, 1, 2, 4, 7, 0x100, 0xFFFFFFFF, 0xFF00, s.rng.randrange(2**32)) if busy else 0
        fields = ",".join("" if count is None else str(count) for count in row)
        text = f"{clocks.seq % 65536},{clocks.tick % TICKS},{'' if us is None else us},{flags:x},{fields}"
        lines.append((min(max(clocks.host, 0), 10**15 - 1), checked(text.encode()), clocks.tick % TICKS))
        clocks.step()
    return lines


def _facts(s: Stranger) -> Any:
    notes = {"gap": "1 mm", "springs": "soft", "pack": "A", "surface": "board", "mounting": "2"}
    facts = {"started_utc": "2026-05-02T10:15:00.000000Z", "car": "Hostile", "skirt": s.pick("foam", "brush")}
    return s.spoil(
        {**facts, "mounting": 1, "notes": notes, "host": {"program": "x"}}, s.pick(0, 0, 0, 1, 2, 5)
    )


def _annotation(s: Stranger, columns: int) -> Any:
    """Facts put right later."""
    put_right = {
        "skirt": s.pick("foam", "brush"),
        "gap": s.text(),
        "mass": s.pick("2.9 kg", "1e300 kg", s.text()),
    }
    data = {"at_utc": "2026-05-03T08:00:00+00:00", "facts": put_right}
    if s.chance(0.3):
        data["car"] = car_tree(s, s.pick(0, 1), columns)
    return s.spoil(data, s.pick(0, 0, 1, 2))


def _size(s: Stranger, most: int) -> int:
    return min(most, s.pick(0, 1, 2, 3, 5, 20, 60, 99, 130, 250, 250, 400, 400, 400, 600, 600))


def run_log(seed: int, most_rows: int = 600) -> bytes:
    """A run log, or a capture."""
    s = Stranger(seed)
    columns = s.pick(1, 2, 4, 4, 4, 4, 4, 8, 16)
    period_us = s.pick(5000, 5000, 5000, 2500, 20_000, 1000, 1, 10**6)
    told = note_line("device", _hostile_device(s, columns))
    rows = _rows(s, columns, _size(s, most_rows), period_us)
    stamped = not s.chance(0.05)
    parts = _head(s, columns, told) if stamped else [told]
    quiet = s.chance(0.5)
    for host_us, line, tick in rows:
        parts.append(b"%d,%s" % (host_us, line) if stamped else line)
        if not quiet and s.chance(0.03):
            note = told if s.chance(0.2) else _any_note(s, columns, tick)
            parts += [b"#wire %d %s" % (host_us, note) if stamped else note] * s.pick(1, 1, 1, 2, 5)
            if stamped and s.chance(0.2):
                parts.append(b"#bad %d 1%%00x\n" % host_us)
    if stamped and not s.chance(0.1):
        end = {"rows": len(rows), "bad": 0, "seconds": 1.0, "why": "stopped", "lost": 0}
        parts.append(b"#end " + to_json(s.spoil(end, s.pick(0, 0, 1, 2))).encode() + b"\n")
    for _ in range(s.pick(0, 0, 0, 0, 1, 1, 3) if stamped else 0):
        parts.append(
            b"#annotated "
            + to_json(_annotation(s, columns), s.chance(0.5)).encode("utf-8", "replace")
            + b"\n"
        )
    if s.chance(0.08):
        _shuffle(s, parts)
    text = b"".join(parts)
    text = text.replace(b"\n", b"\r\n") if s.chance(0.03) else text
    text = b"\xef\xbb\xbf" + text if s.chance(0.02) else text
    return text[: s.rng.randrange(len(text) + 1)] if s.chance(0.03) else text


def _head(s: Stranger, columns: int, told: bytes) -> list[bytes]:
    parts = [b"#undertray-run 1\n"]
    parts.append(b"#run " + to_json(_facts(s), s.chance(0.5)).encode("utf-8", "replace") + b"\n")
    if s.chance(0.3):
        car = to_json(car_tree(s, s.pick(0, 1, 2), columns), s.chance(0.5))
        parts.append(b"#car " + car.encode("utf-8", "replace") + b"\n")
    if not s.chance(0.05):
        parts.append(b"#wire 1042 " + told)
    parts.append(b"#wire 1043 " + note_line("status", _status(s, columns, 0)))
    names = [f"p{i + 1}" if not s.chance(0.005) else "q" * 40 for i in range(columns)]
    return [*parts, f"host_us,seq,t_us,throttle_us,flags,{','.join(names)},crc\n".encode()]


def _shuffle(s: Stranger, parts: list[bytes]) -> None:
    for _ in range(s.pick(1, 2, 10)):
        if not parts:
            return
        i, j, how = s.rng.randrange(len(parts)), s.rng.randrange(len(parts)), s.rng.randrange(4)
        if how == 0:
            parts[i], parts[j] = parts[j], parts[i]
        elif how == 1:
            parts.insert(j, parts[i])
        elif how == 2:
            del parts[i]
        else:
            parts.insert(i, s.rng.choice(_REMARKS))


def stream(seed: int, most_rows: int = 300) -> list[tuple[float, bytes | None]]:
    """Pieces of a live stream and the time each comes at, s; None is a port that vanishes."""
    s = Stranger(seed)
    columns, period_us = s.pick(1, 2, 4, 4, 4, 8, 16), s.pick(5000, 5000, 2500, 20_000, 1000, 10**6)
    told = note_line("device", _hostile_device(s, columns) if s.chance(0.6) else device(columns, s))
    lines = [told] if not s.chance(0.1) else []
    for _, line, tick in _rows(s, columns, _size(s, most_rows), period_us):
        lines.append(line)
        if s.chance(0.03):
            lines.append(told if s.chance(0.3) else _any_note(s, columns, tick))
        if s.chance(0.003):
            lines += [line for _, line, _ in _rows(s, s.pick(1, 2, min(16, columns + 1), 16), 3, period_us)]
    text, at_s = b"".join(lines), 0.05
    pieces: list[tuple[float, bytes | None]] = []
    while text:
        size = s.pick(1, 7, 100, 300, 300, 1000, 4000, 1 << 16)
        pieces.append((at_s, text[:size]))
        text = text[size:]
        at_s += s.pick(0.0, 0.005, 0.02, 0.05, 0.3, 0.3, 2.0, 11.0) if s.chance(0.3) else 0.01
        if s.chance(0.01):
            pieces.append((at_s, None))
            at_s += 0.5
            if s.chance(0.7):
                pieces.append(
                    (at_s, told if s.chance(0.7) else note_line("device", _hostile_device(s, columns)))
                )
        if s.chance(0.01):
            noise = (b"\n", b"\r\n\r\n", b"\xff" * 500, b"\x00" * 5000, b"x" * 5000, b"#device,{},0000\n")
            pieces.append((at_s, s.pick(*noise)))
    return pieces


def kept_run(seed: int) -> bytes:
    """A run as a board keeps it: the stream, without a host's time."""
    return b"".join(piece for _, piece in stream(seed, most_rows=120) if piece is not None)


def honest_log(seed: int, rows: int = 400) -> bytes:
    """A log of four taps in which nothing is wrong."""
    s = Stranger(seed)
    throttle, counts = _drive(s, 4, rows)
    parts = [b"#undertray-run 1\n", b'#run {"started_utc": "2026-05-02T10:15:00Z", "skirt": "foam"}\n']
    parts.append(b"#wire 1 " + note_line("device", device(4)))
    parts.append(b"host_us,seq,t_us,throttle_us,flags,p1,p2,p3,p4,crc\n")
    for i, (us, row) in enumerate(zip(throttle, counts, strict=True)):
        parts.append(
            b"%d," % (5000 * i) + checked(f"{i},{5000 * i},{us},0,{','.join(map(str, row))}".encode())
        )
    return b"".join([*parts, b'#end {"rows": %d, "why": "stopped"}\n' % rows])

"""Run logs with something odd in them, line by line after the written format: none of the program's code."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from fakes.handlog import checked

WRAP_US = 1 << 30


def column(name: str, pa_per_count: float = 0.38, port: str = "low", **scale: float) -> dict[str, Any]:
    linear = {"zero": 8192, "pa_per_count": pa_per_count, "min": 100, "max": 16000, **scale}
    place = {"part": "hsc", "range": "010ND", "bus": 0, "address": 40, "mux": None}
    return {"name": name, **place, "port": port, "scale": linear}


def device(columns: Sequence[dict[str, Any]], **changes: Any) -> bytes:
    note = {
        "wire": 1,
        "firmware": "0.1.0",
        "board": "by hand",
        "uid": "e6614103e7",
        "boot": 7,
        "rate_hz": 200,
    }
    note |= {"tick_hz": 1_000_000, "tick_bits": 30, "columns": list(columns), **changes}
    return checked(f"#device,{json.dumps(note, separators=(',', ':'))}").encode()


class OddLog:
    """Lines of a log; ``us`` is the time of the next row, ``seq`` its slot."""

    def __init__(self, names: Sequence[str] = ("p1", "p2"), facts: str = '{"skirt": "soft"}') -> None:
        self.us, self.seq, self.period_us = 0, 0, 5000
        self.lines = [b"#undertray-run 1", f"#run {facts}".encode()]
        self.header = ",".join(("host_us", "seq", "t_us", "throttle_us", "flags", *names, "crc")).encode()

    def note(self, line: bytes) -> OddLog:
        self.lines.append(b"#wire %d %s" % (5000 + self.us, line))
        return self

    def rows(self, count: int, counts: Sequence[int], throttle_us: int = 1700) -> OddLog:
        if self.header:
            self.lines.append(self.header)
            self.header = b""
        for i in range(count):
            # no sensor stands still: two counts to and fro
            told = ",".join(str(c + (i + k) % 3 - 1) for k, c in enumerate(counts))
            text = f"{self.seq % 65536},{(81_235 + self.us) % WRAP_US},{throttle_us},0,{told}"
            self.lines.append(b"%d,%s" % (5000 + self.us, checked(text).encode()))
            self.skip(1)
        return self

    def skip(self, slots: int) -> OddLog:
        self.seq += slots
        self.us += slots * self.period_us
        return self

    def write(self, path: Path, end: str | None = '{"why": "stopped"}') -> Path:
        last = [] if end is None else [f"#end {end}".encode()]
        path.write_bytes(b"\n".join([*self.lines, *last]) + b"\n")
        return path


CAR = """format = 1
name = "by hand"
mass = 2.0
wheelbase = 260
front_weight = 0.5
floor = [[0, -80], [260, -80], [260, 80], [0, 80]]
[[tap]]
name = "front"
column = "p1"
x = 40
y = 0
[[tap]]
name = "rear"
column = "p2"
x = 220
y = 0
"""

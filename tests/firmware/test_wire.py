"""Rows, notes and the check, as the board's interpreter makes them."""

from __future__ import annotations

import binascii
from pathlib import Path

from firmware.runs import engines, run_code


@engines
def test_crc_of_the_published_check_string(tmp_path: Path, engine: str) -> None:
    # Published: check value of CRC-16/IBM-3740 in the catalogue of parametrised CRC algorithms.
    code = "from undertray.wire import check\nprint(hex(check(b'123456789', 9)))"
    assert run_code(tmp_path, code, engine) == ["0x29b1"]


@engines
def test_rows_are_those_of_plain_formatting(tmp_path: Path, engine: str) -> None:
    cases = [
        (0, 0, 0, 0, [0], [0]),
        (65535, 2**30 - 1, 2200, 0x107, [-1, 1, -(2**31) + 1, 2**31 - 1], [0, 1, 2, 0]),
        (9, 10, 1500, 0xABC, [8192, -32768, 32767, 16777215], [0, 3, 6, 0]),
        (100, 1000000, 999, 1, [-(2**23)] * 8, [0] * 8),
    ]
    code = f"""
from array import array
from undertray.wire import row
buf = bytearray(256)
for seq, t, throttle, flags, counts, status in {cases!r}:
    n = row(buf, array("i", [seq, t, throttle, flags, len(counts)]), array("i", counts), bytearray(status))
    print(bytes(buf[:n]).decode(), end="")
"""
    expected = []
    for seq, t_us, throttle, flags, counts, status in cases:
        fields = [str(seq), str(t_us), str(throttle or ""), f"{flags:x}"]
        fields += [str(c) if s < 3 else "" for c, s in zip(counts, status, strict=True)]
        body = ",".join(fields)
        expected.append(f"{body},{binascii.crc_hqx(body.encode(), 0xFFFF):04x}")
    assert run_code(tmp_path, code, engine) == expected


@engines
def test_notes_are_json_in_ascii_and_bounded(tmp_path: Path, engine: str) -> None:
    code = r"""
from undertray.wire import Line, dump, note
print(dump({"b": [1, None, True, False], "a": 'q"\\\n\u00e9', "c": {"x": 0.5}}))
line = Line()
line.begin(b'#x,{"a":')
for value in (2503, -5, -12345, 0, 9):
    line.hundredths(value)
    line.text(b" ")
print(bytes(line.buf[: line.n]).decode())
try:
    note("x", {"a": "b" * 2048})
except ValueError as error:
    print(error)
"""
    assert run_code(tmp_path, code, engine) == [
        r'{"a":"q\"\\??","b":[1,null,true,false],"c":{"x":0.5}}',
        '#x,{"a":25.03 -0.05 -123.45 0.00 0.09 ',
        "note of 2065 bytes, longest is 2048",
    ]


@engines
def test_a_line_goes_into_the_ring_whole_or_not_at_all(tmp_path: Path, engine: str) -> None:
    code = """
from undertray.link import Ring
class Port:
    def __init__(self): self.got = []; self.take = 64
    def write(self, buf, start, n):
        n = min(n, self.take)
        self.got.append(bytes(buf[start : start + n]))
        return n
port = Port()
ring = Ring(port)
line = b"x" * 99 + b"\\n"
put = 0
for i in range(100):
    put += 1 if ring.put(line, 100) else 0
print(put, ring.dropped, ring.room())
now = 0
port.take = 40
ring.pump(now); ring.pump(now)
print([len(piece) for piece in port.got])
port.take = 64
while not ring.empty():
    now += 1000
    ring.pump(now)
ends, total = set(), 0
for piece in port.got:
    total += len(piece)
    ends.add(total % 64)
print(total, b"".join(port.got) == line * put, sorted(ends))
"""
    # 8191 bytes less the 256 of a row under way hold 79 lines of 100; pieces end on multiples of 64 but for
    # the partial one and the last.
    assert run_code(tmp_path, code, engine) == ["79 21 35", "[40, 24]", "7900 True [0, 28, 40]"]

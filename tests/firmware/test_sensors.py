"""Drivers against frames from outside: datasheets, published drivers, and arithmetic done for them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from firmware.runs import engines, run_code

CANNED = """
from array import array
class Canned:
    def __init__(self, frame): self.frame = frame; self.reads = 0; self.written = []
    def readfrom_into(self, address, buf):
        self.reads += 1
        for i in range(len(buf)): buf[i] = self.frame[i]
    def writeto(self, address, buf): self.written.append(bytes(buf))
counts = array("i", [0])
"""


@engines
def test_hsc_frames(tmp_path: Path, engine: str) -> None:
    # Computed for 010ND, transfer function A (10 to 90 % of 2**14), 25 degC; layout: Honeywell TN 008201.
    code = (
        CANNED
        + """
from undertray.sensors.hsc import Driver
frames = ("20006000", "13276000", "2CD96000", "06666000", "399A6000",
          "93276000", "D3276000", "53276000", "00006000", "3FFF6000")
for text in frames:
    bus = Canned(bytes([int(text[i : i + 2], 16) for i in range(0, 8, 2)]))
    part = Driver(bus, 0x28, {"part": "HSC", "range": "010ND"})
    code = part.read_into(counts, 0)
    scale = part.describe()["scale"]
    tenths = int((counts[0] - scale["zero"]) * scale["pa_per_count"] * 10)
    print(code, counts[0], part.temperature_centi, bus.reads, tenths)
"""
    )
    out = [line.split() for line in run_code(tmp_path, code, engine)]
    assert [row[0] for row in out] == ["0", "0", "0", "0", "0", "1", "6", "6", "2", "2"]
    assert [row[1] for row in out[:5]] == ["8192", "4903", "11481", "1638", "14746"]
    assert {row[2] for row in out} == {"2503"}  # 768 * 200 / 2047 - 50 = 25.04 degC, floored
    assert {row[3] for row in out} == {"1"}  # one transaction a sample
    # 1 count is 0.38 Pa, so the frame is within half of that of the pressure it was made for.
    for row, pa in zip(out, (0, -1250, 1250, -2490.89, 2490.89), strict=False):
        assert int(row[4]) / 10 == pytest.approx(pa, abs=0.3)


@engines
def test_sensirion_crc(tmp_path: Path, engine: str) -> None:
    # Published: 0xBEEF -> 0x92 (Sensirion SHT3x datasheet, table 20), 0x00 0x00 -> 0x81 computed.
    code = (
        "from undertray.sensors.sdp import crc8\nprint(hex(crc8(b'\\xbe\\xef', 0)), hex(crc8(bytes(2), 0)))"
    )
    assert run_code(tmp_path, code, engine) == ["0x92 0x81"]


@engines
def test_sdp_frames(tmp_path: Path, engine: str) -> None:
    # Computed: SDP33 -1250 Pa 23.5 degC, SDP31 +100 Pa 25 degC, SDP32 -100 Pa 23.5 degC; factors 20, 60, 240.
    code = (
        CANNED
        + """
from undertray.sensors.sdp import Driver
frames = (("9E5866125C35001406", "1500Pa"), ("1770B9138801003C39", "500Pa"),
          ("A2409A125C3500F003", "125Pa"), ("9E5867125C35001406", "1500Pa"),
          ("9E5866125C35001406", "500Pa"), ("7FFF8F125C35001406", "1500Pa"))
for text, size in frames:
    bus = Canned(bytes([int(text[i : i + 2], 16) for i in range(0, 18, 2)]))
    part = Driver(bus, 0x21, {"part": "SDP3x", "range": size})
    print(part.read_into(counts, 0), counts[0], part.temperature_centi)
    part.want_temperature = False
    second = part.read_into(counts, 0)
    print(second, bus.reads, part.describe()["scale"]["min"])
"""
    )
    out = run_code(tmp_path, code, engine)
    assert out[0::2][:3] == ["0 -25000 2350", "0 6000 2500", "0 -24000 2350"]
    assert out[1::2][:3] == ["0 2 -30000", "0 2 -30000", "0 2 -30000"]
    assert out[6].startswith("5 ")  # a flipped bit in the check
    assert out[8].startswith("6 ")  # another scale factor than the range says
    assert out[10] == "2 32767 2350"  # clipped


@engines
@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"part": "HSC", "range": "040MA"}, "last letter must be D or G"),
        ({"part": "HSC", "range": "40"}, "is not like 040MD"),
        ({"part": "HSC", "range": "040MD", "transfer": "Z"}, "must be one of A, B, C, F"),
        ({"part": "HSC", "range": "040MD", "trasnfer": "A"}, "'trasnfer' is unknown for HSC"),
        ({"part": "SDP3x", "range": "1000Pa"}, "must be one of"),
        ({"part": "HCS", "range": "040MD"}, "unknown part 'HCS', known: "),
    ],
)
def test_wrong_options_are_refused_in_words(
    tmp_path: Path, engine: str, options: dict[str, str], words: str
) -> None:
    code = f"""
from undertray.sensors import open_sensor
try:
    open_sensor(None, 0x28, {json.dumps(options)})
except ValueError as error:
    print(error)
"""
    assert words in run_code(tmp_path, code, engine)[0]

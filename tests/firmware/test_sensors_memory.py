"""No allocation and no integer beyond 30 bits in any driver's reading.

The Unix interpreter has integers of 62 bits before it allocates one, an RP2040 of 30: so the heap lock is not
enough, and the arithmetic is also followed with numbers that look at their own size.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from fakes.parts import FAMILIES
from firmware.runs import needs_micropython, run_code

# Buses that allocate nothing, and answer each family with a good frame.
QUIET = """
from array import array
import micropython, time
from simclock import CLOCK
CLOCK.simulate()
class Bus:
    def __init__(self, frame): self.frame = frame; self.calls = 0; self.reset_pin = None
    def readfrom_into(self, address, buf):
        self.calls += 1
        frame = self.frame
        i = len(buf)
        while i:
            i -= 1
            buf[i] = frame[i]
    def writeto(self, address, buf): self.calls += 1
class Adc:
    def read_u16(self): return 40000
FRAMES = {
    "HSC": b"\\x20\\x00\\x60\\x00", "SSC": b"\\x20\\x00\\x60\\x00", "MS4525DO": b"\\x20\\x00\\x60\\x00",
    "DLVR": b"\\x20\\x00\\x60\\x00", "ABP2": b"\\x40\\x80\\x00\\x00\\x60\\x00\\x00",
    "DLHR": b"\\x40\\x80\\x00\\x00\\x85\\x1e\\xb8", "DLH": b"\\x40\\x80\\x00\\x00\\x85\\x1e\\xb8",
    "MS5525DSO": b"\\x88\\xf9\\x6b", "SDP3x": b"\\x9e\\x58\\x66\\x12\\x5c\\x35\\x00\\x14\\x06",
    "SDP8xx": b"\\x17\\x70\\xb9\\x13\\x88\\x01\\x00\\x3c\\x39", "MPXV7002DP": b"",
}
from undertray.sensors import open_sensor
"""


@needs_micropython
@pytest.mark.parametrize("family", FAMILIES)
def test_a_good_reading_allocates_nothing(tmp_path: Path, family: str) -> None:
    section = {k: v for k, v in FAMILIES[family][0].items() if k not in ("bus", "address", "port", "adc_pin")}
    code = f"""
section = {section!r}
bus = Adc() if section["part"] == "MPXV7002DP" else Bus(FRAMES[section["part"]])
part = open_sensor(bus, 0x28, section)
part._c = [36402, 39473, 40393, 29523, 29854, 21917]
part.describe()
counts = array("i", [0])
def go(read, n):
    good = 0
    part.want_temperature = True
    micropython.heap_lock()
    try:
        while n:
            n -= 1
            if n == 30:
                part.want_temperature = True
            time.sleep_ms(6)
            if read(counts, 0) < 2:
                good += 1
    except MemoryError:
        return "allocated"
    finally:
        micropython.heap_unlock()
    return good
print(go(part.read_into, 60))
"""
    good = int(run_code(tmp_path, QUIET + code)[0])
    # a triggered part has nothing in its first slot, a host-compensated one in the slot of its temperature
    assert 58 <= good <= 60


# Numbers that remember how large any of them became.
WATCHED = """
class Big(Exception): pass
class W(int):
    largest = 0
def watched(name):
    plain = getattr(int, name)
    def do(self, other):
        value = plain(int(self), int(other))
        if isinstance(value, int) and not isinstance(value, bool):
            W.largest = max(W.largest, abs(value))
            return W(value)
        return value
    return do
for name in ("add", "sub", "mul", "floordiv", "mod", "lshift", "rshift", "and", "or", "xor"):
    setattr(W, "__" + name + "__", watched("__" + name + "__"))
    setattr(W, "__r" + name + "__", watched("__r" + name + "__"))
class List(list):
    pass
"""


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("byte", [0x00, 0x3F, 0x7F, 0xFF])
def test_no_number_leaves_30_bits(tmp_path: Path, family: str, byte: int) -> None:
    section = {k: v for k, v in FAMILIES[family][0].items() if k not in ("bus", "address", "port", "adc_pin")}
    code = f"""
section = {section!r}
class Adc:
    def read_u16(self): return W({byte} * 257)
part = open_sensor(Adc() if section["part"] == "MPXV7002DP" else None, 0x28, section)
class Bus:
    def readfrom_into(self, address, buf):
        for i in range(len(buf)): buf[i] = W({byte})
        if part.__class__.__mro__[1].__name__ == "Triggered24": buf[0] = W(0x40)
        if section["part"][:3] == "SDP" and len(buf) > 6: buf[6], buf[7] = W(0), W(part._factor)
    def writeto(self, address, buf): pass
part._bus = Bus()
import undertray.sensors.sdp as sdp
sdp.crc8 = lambda buf, at: buf[at + 2]  # machine integers throughout: nothing to follow
for name in ("_frame", "_short", "_long"):
    if hasattr(part, name): setattr(part, name, List(getattr(part, name)))
part._c = tuple(W(65535) for _ in range(6))
part._q = tuple(W(q) for q in (15, 17, 7, 5, 7, 21))
part._told = True
counts = [0]
for n in range(6):
    part.want_temperature = n in (0, 3)
    part.read_into(counts, 0)
    time.sleep_ms(6)
print(W.largest)
20000 * W(1 << 24)
print(W.largest)
"""
    largest, proof = (int(line) for line in run_code(tmp_path, QUIET + WATCHED + code, "twin"))
    assert 0 <= largest < 2**30
    assert proof == 20000 << 24
    if byte == 0xFF:
        assert largest >= 2**14  # it was followed

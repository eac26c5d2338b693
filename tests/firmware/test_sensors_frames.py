"""Frames and coefficients from outside through each driver: data sheets, public drivers, arithmetic."""

from __future__ import annotations

from pathlib import Path

import pytest

from firmware.runs import engines, run_code

# A bus that says one frame whatever it is asked, and keeps what it was told.
CANNED = """
from array import array
class Canned:
    def __init__(self, text):
        self.frame = bytes([int(text[i : i + 2], 16) for i in range(0, len(text), 2)])
        self.reads = 0
        self.written = []
    def readfrom_into(self, address, buf):
        self.reads += 1
        for i in range(len(buf)): buf[i] = self.frame[i]
    def writeto(self, address, buf): self.written.append(bytes(buf))
counts = array("i", [0])
def pascal(part):
    scale = part.describe()["scale"]
    return "%.2f" % ((counts[0] - scale["zero"]) * scale["pa_per_count"])
"""


def _rows(tmp_path: Path, engine: str, code: str) -> list[list[str]]:
    return [line.split() for line in run_code(tmp_path, CANNED + code, engine)]


@engines
def test_abp2_frames(tmp_path: Path, engine: str) -> None:
    # Computed with the line of the Linux driver abp2030pa.c (10 to 90 % of 2**24;
    # T = raw * 200 / (2**24 - 1) - 50) for 010ND at 25 degC; its table rounds 10 inH2O to 2491 Pa.
    out = _rows(
        tmp_path,
        engine,
        """
from undertray.sensors.abp2 import Driver
for text in ("40800000600000", "404C9D72600000", "4019999A600000", "40E66666600000",
             "60800000600000", "44800000600000", "41800000600000", "40000000000000",
             "40000000600000", "40FFFFFF600000", "00800000600000"):
    bus = Canned(text)
    part = Driver(bus, 0x28, {"part": "ABP2", "range": "010ND"})
    first = part.read_into(counts, 0)          # nothing was asked for yet: only the command goes out
    code = part.read_into(counts, 0)
    print(first, code, counts[0], part.temperature_centi, pascal(part), bus.reads, len(bus.written))
""",
    )
    assert {row[0] for row in out} == {"3"}
    assert [row[1] for row in out] == ["0", "0", "0", "0", "3", "6", "6", "6", "2", "2", "6"]
    assert {row[3] for row in out[:4]} == {"2500"}
    # one count is 0.0004 Pa; the published frames were rounded to it
    for row, pa in zip(out, (0, -1250, -2491, 2491), strict=False):
        assert float(row[4]) == pytest.approx(pa * 2490.89 / 2491, abs=0.006)
    assert [row[5] for row in out] == ["1"] * 11  # one read a sample, and
    assert [row[6] for row in out] == ["2"] * 4 + ["1"] + ["2"] * 6  # a busy part gets no new command


@engines
def test_abp2_worked_example(tmp_path: Path, engine: str) -> None:
    # From memory of the data sheet: count 14260634 on a +-1 psi part is +0.875 psi.
    out = _rows(
        tmp_path,
        engine,
        """
from undertray.sensors.abp2 import Driver
part = Driver(Canned("40D9999A600000"), 0x28, {"part": "ABP2", "range": "001PD"})
part.read_into(counts, 0); part.read_into(counts, 0)
print(counts[0], pascal(part))
""",
    )
    assert out[0][0] == "14260634"
    assert float(out[0][1]) / 6894.757 == pytest.approx(0.875, abs=5e-7)


@engines
def test_ms4525do_counts(tmp_path: Path, engine: str) -> None:
    # Computed for +-1 psi with the lines of PX4's ms4525do (A) and of MS4525DO_RT (B); 25 degC is 0x600.
    out = _rows(
        tmp_path,
        engine,
        """
from undertray.sensors.ms4525do import Driver
for kind, count in (("A", 8192), ("A", 7003), ("A", 9380), ("A", 5815),
                    ("B", 8192), ("B", 6855), ("B", 9528), ("B", 5518)):
    part = Driver(Canned("%04x6000" % count), 0x28, {"part": "MS4525DO", "range": "001DP", "transfer": kind})
    print(part.read_into(counts, 0), counts[0], pascal(part), part.temperature_centi)
for text in ("A0006000", "60006000", "E0006000", "00006000", "3FFF6000", "00000000", "FFFFFFFF"):
    bus = Canned(text)
    part = Driver(bus, 0x28, {"part": "MS4525DO", "range": "001DP"})
    print(part.read_into(counts, 0), bus.reads, len(bus.written))
""",
    )
    assert [row[0] for row in out[:8]] == ["0"] * 8
    pa = (0, -1250, 1250, -2500)
    for row, wanted, step in zip(out[:8], pa + pa, [1.052] * 4 + [0.935] * 4, strict=True):
        assert float(row[2]) == pytest.approx(wanted, abs=step / 2 + 0.01)
        assert row[3] == "2503"
    # stale; reserved; fault; then what ArduPilot takes for a bus fault, not for a pressure
    assert [row[0] for row in out[8:]] == ["1", "6", "6", "6", "6", "6", "6"]
    assert {tuple(row[1:]) for row in out[8:]} == {("1", "0")}


@engines
def test_dlvr_counts(tmp_path: Path, engine: str) -> None:
    # Computed with ArduPilot's line of the L10D: -1250 Pa is 4903 counts; full scale is 6553 from the middle.
    out = _rows(
        tmp_path,
        engine,
        """
from undertray.sensors.dlvr import Driver
for text in ("20006000", "13276000", "39996000", "93276000", "D3276000", "3FFF6000"):
    part = Driver(Canned(text), 0x28, {"part": "DLVR", "range": "L10D"})
    print(part.read_into(counts, 0), counts[0], pascal(part), part.temperature_centi)
scale = part.describe()["scale"]
print(scale["min"], scale["max"])
part = Driver(None, 0x28, {"part": "DLVR", "range": "L05G"})
print("%.1f" % part.describe()["scale"]["zero"])
""",
    )
    assert [row[0] for row in out[:6]] == ["0", "0", "0", "1", "6", "2"]
    for row, pa in zip(out, (0, -1250, 6553 * 1.25 * 2 * 2490.89 / 16384), strict=False):
        assert float(row[2]) == pytest.approx(pa, abs=0.2)
    assert out[6] == ["1639", "14745"]
    assert out[7] == ["1638.4"]


@engines
@pytest.mark.parametrize("bits", [16, 17, 18])
def test_dlh_words(tmp_path: Path, engine: str, bits: int) -> None:
    # Computed with the line of AllSensors_DLHR for L10D; bits below the width are undefined, so set here.
    out = _rows(
        tmp_path,
        engine,
        f"""
from undertray.sensors.dlh import Driver
undefined = (1 << {24 - bits}) - 1
for status, word in ((0x40, 0x800000), (0x40, 0x4C9CDC), (0x40, 0xB36324), (0x48, 0x800000),
                     (0x60, 0x800000), (0x44, 0x800000), (0x41, 0x800000), (0x40, 0), (0x40, 0xFFFFFF)):
    bus = Canned("%02x%06x851eb8" % (status, word | undefined))
    part = Driver(bus, 0x29, {{"part": "DLHR", "range": "L10D", "bits": {bits}}})
    part.read_into(counts, 0)
    print(part.read_into(counts, 0), counts[0], pascal(part), part.temperature_centi, bus.written[0])
""",
    )
    assert [row[0] for row in out] == ["0", "0", "0", "0", "3", "6", "6", "2", "2"]
    assert [int(row[1]) for row in out[:3]] == [w >> (24 - bits) for w in (0x800000, 0x4C9CDC, 0xB36324)]
    step_pa = 1.25 * 2 * 2490.89 / 2**bits
    for row, pa in zip(out, (0, -1250, 1250), strict=False):
        assert float(row[2]) == pytest.approx(pa, abs=step_pa)
    assert {row[3] for row in out[:3]} == {"2500"}  # 25 degC is 0x851EB8
    assert {row[4] for row in out} == {r"b'\xaa\x00\x00'"}


@engines
def test_dlh_sends_listed_commands_only(tmp_path: Path, engine: str) -> None:
    # All Sensors DS-0355, p. 5: single AA, averages of 2, 4, 8, 16 AC to AF, each with two zero bytes.
    out = run_code(
        tmp_path,
        CANNED
        + """
from undertray.sensors.dlh import Driver
for n in (1, 2, 4, 8, 16, 3, 0xAB, True, [2], "2", None):
    try:
        bus = Canned("40800000800000")
        Driver(bus, 0x29, {"part": "DLH", "range": "L10D", "average": n}).start()
        print(bus.written)
    except ValueError as error:
        print(error)
""",
        engine,
    )
    assert out[:5] == [f"[b'\\x{code}\\x00\\x00']" for code in ("aa", "ac", "ad", "ae", "af")]
    assert all(line.startswith("average '") and "must be one of 1, 2, 4, 8, 16" in line for line in out[5:])


# Published example PROM (MS5525DSO data sheet, p. 7, as in ArduPilot's simulator) with its check 0xC, and the
# words of the maker's note AN520 with 0xB (those from memory; the arithmetic agrees).
SHEET = (0xFFFF, 36402, 39473, 40393, 29523, 29854, 21917, 0x000C)
NOTE = (0x3132, 0x3334, 0x3536, 0x3738, 0x3940, 0x4142, 0x4344, 0x4500)


@engines
def test_ms5525dso_prom_check(tmp_path: Path, engine: str) -> None:
    code = f"""
from undertray.sensors.ms5525dso import crc4
print(crc4({SHEET!r}), crc4({NOTE!r}))
print(len([1 for bit in range(128) if (bit < 112 or bit > 119) and
    crc4([w ^ (1 << 15 - bit % 16 if i == bit // 16 else 0) for i, w in enumerate({SHEET!r})]) == 12]))
"""
    # any single flipped bit of the words is found; the low byte of word 7 is not part of the sum
    assert run_code(tmp_path, code, engine) == ["12 11", "8"]


@engines
def test_ms5525dso_words_and_second_words(tmp_path: Path, engine: str) -> None:
    code = f"""
from array import array
import time
from simclock import CLOCK
CLOCK.simulate()
class Part:
    prom = {SHEET!r}
    def __init__(self): self.sent = []; self.word = 0; self.reply = b""
    def writeto(self, address, buf):
        code = buf[0]
        self.sent.append(code)
        if code >= 0xA0: word = self.prom[(code - 0xA0) // 2]; self.reply = bytes((word >> 8, word & 255))
        elif code >= 0x50: self.word = 3869155
        elif code >= 0x40 and code != 0x1E: self.word = 8976747
        elif code == 0: self.reply = self.word.to_bytes(3, "big"); self.word = 0
    def readfrom_into(self, address, buf):
        for i in range(len(buf)): buf[i] = self.reply[i]
counts = array("i", [0])
bus = Part()
from undertray.sensors.ms5525dso import Driver
part = Driver(bus, 0x76, {{"part": "MS5525DSO", "range": "001DS"}})
print(part.probe(), part.describe()["scale"]["c"])
codes = []
for tick in range(6):
    if tick == 3: part.want_temperature = True
    before = len(bus.sent)
    codes.append((part.read_into(counts, 0), counts[0], bus.sent[before:]))
    time.sleep_ms(5)
for code in codes: print(code)
print(part.second_word, part.temperature_centi)
scale = part.describe()["alarm_scale"]
print("%.1f %.6f" % (scale["zero"], scale["pa_per_count"]))
"""
    out = run_code(tmp_path, code, engine)
    assert out[0] == "None [36402, 39473, 40393, 29523, 29854, 21917]"
    assert out[1:7] == [
        "(3, 0, [68])",
        "(0, 8976747, [0, 68])",
        "(0, 8976747, [0, 68])",
        "(0, 8976747, [0, 84])",  # the temperature is asked for
        "(1, 8976747, [0, 68])",  # its slot repeats the pressure, and says so
        "(0, 8976747, [0, 68])",
    ]
    # computed: dT 47843 and 24.99 degC; the board's small integers are good to 0.1 K
    assert out[7].split()[0] == "3869155"
    assert int(out[7].split()[1]) == pytest.approx(2499, abs=10)
    # derived at dT = 0: zero = OFF * 2**21 / SENS, slope = SENS / 2**36 in 1e-4 psi
    zero, slope = (float(word) for word in out[8].split())
    assert zero == pytest.approx(5173805056 * 2**21 / 1192820736, abs=0.1)
    assert slope == pytest.approx(1192820736 / 2**36 * 0.6894757, rel=1e-4)


@engines
def test_mpxv7002_voltages(tmp_path: Path, engine: str) -> None:
    # Vout = Vs * (0.2 * P + 0.5), P in kPa (data sheet as quoted in public sketches), less by the divider
    code = """
class Adc:
    def __init__(self, volts): self.code = int(volts / 3.3 * 4095 + 0.5); self.reads = 0
    def read_u16(self): self.reads += 1; return min(self.code, 4095) << 4 | min(self.code, 4095) >> 8
from undertray.sensors.mpxv7002 import Driver
counts = [0]
for volts, divider in ((2.5, 1), (1.25, 1), (0.5, 1), (3.4, 1), (2.5 / 1.5, 1.5), (3, 1.5), (0.2, 1), (0, 1)):
    adc = Adc(volts)
    part = Driver(adc, 26, {"part": "MPXV7002DP", "divider": divider})
    code = part.read_into(counts, 0)
    scale = part.describe()["scale"]
    pa = (counts[0] - scale["zero"]) * scale["pa_per_count"]
    print(code, "%.2f" % pa, adc.reads, scale["min"], scale["max"])
"""
    out = [line.split() for line in run_code(tmp_path, code, engine)]
    assert [row[0] for row in out] == ["0", "0", "0", "2", "0", "0", "6", "6"]
    step_pa = 3300 / 4095  # one code at 1 V/kPa is 0.8 Pa, half of it rounding
    for row, pa, divider in zip(out, (0, -1250, -2000, None, 0, 2000), (1, 1, 1, 1, 1.5, 1.5), strict=False):
        if pa is not None:
            assert float(row[1]) == pytest.approx(pa, abs=0.5 * step_pa * divider + 0.05)
    assert {row[2] for row in out} == {"16"}
    assert out[0][4] == "65535"  # without a divider the pin ends at 3.3 V, before the sensor does
    assert int(out[4][4]) < 65535

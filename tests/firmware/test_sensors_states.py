"""Drivers against models that keep the parts' protocols: busy, stale, latched up, restarted, trapped."""

from __future__ import annotations

from pathlib import Path

import pytest

from firmware.runs import engines, run_code

# A model on a bus in simulated time; ``tick`` reads once and goes on to the next slot.
BENCH = """
from array import array
import time
from bus import VirtualBus
from parts import PARTS
from simclock import CLOCK
from machine import I2C
from stage import STAGE
from undertray.sensors import open_sensor
CLOCK.simulate()
counts = array("i", [0])
def place(section, address, settle_ms=30):
    section = dict(section)
    bus = STAGE.bus(0)
    model = PARTS[section["part"]](CLOCK, lambda: PRESSURE[0], section)
    bus.attach(address, model)
    time.sleep_ms(settle_ms)
    return model, open_sensor(I2C(0), address, section)
PRESSURE = [500.0]
def tick(part, us):
    start = CLOCK.now_us()
    try:
        code = part.read_into(counts, 0)
    except OSError as error:
        code = -error.errno
    CLOCK.spend(max(0, us - (CLOCK.now_us() - start)))
    return code
def codes(part, us, n):
    return "".join([str(tick(part, us)) for _ in range(n)])
"""

ABP2 = {"part": "ABP2", "range": "010ND"}
DLHR = {"part": "DLHR", "range": "L10D"}
MS4525 = {"part": "MS4525DO", "range": "001DP"}
MS5525 = {"part": "MS5525DSO", "range": "001DS"}


@engines
def test_a_triggered_part_is_never_disturbed_and_repeats_are_marked(tmp_path: Path, engine: str) -> None:
    code = f"""
model, part = place({ABP2!r}, 0x28)
print(part.probe())
for us in (6000, 5300, 3000, 2000, 500):
    print(us, codes(part, us, 40), model.disturbed, model.refused)
"""
    out = [line.split() for line in run_code(tmp_path, BENCH + code, engine)]
    assert out[0] == ["None"]
    # the first slot only asks; a conversion of 4.9 ms is over in every second slot of 3 ms, and so on
    assert out[1][1] == "3" + "0" * 39
    assert out[2][1] == "0" * 40
    assert set(out[3][1]) == set(out[4][1]) == {"0", "1"}
    assert out[3][1].count("0") == 20
    assert out[4][1].count("0") == pytest.approx(40 / 3, abs=1)
    assert out[5][1].count("0") == pytest.approx(40 / 11, abs=1)
    assert {tuple(row[2:]) for row in out[1:]} == {("0", "0")}


@engines
def test_a_reading_is_one_slot_old_and_never_given_twice_as_new(tmp_path: Path, engine: str) -> None:
    code = f"""
model, part = place({ABP2!r}, 0x28)
tick(part, 6000)
seen = []
for pa in (0.0, 100.0, 200.0, 300.0):
    PRESSURE[0] = pa
    code = tick(part, 6000)
    scale = part.describe()["scale"]
    seen.append((code, int((counts[0] - scale["zero"]) * scale["pa_per_count"] + 0.5)))
print(seen)
# The result is fetched, but the next command is not taken: the old result must not come again.
read = STAGE.bus(0).read
def lost(address, data): raise OSError(5, "EIO")
write = STAGE.bus(0).write
STAGE.bus(0).write = lost
print(tick(part, 6000))
STAGE.bus(0).write = write
print(codes(part, 6000, 3))
"""
    out = run_code(tmp_path, BENCH + code, engine)
    assert out[0] == "[(0, 500), (0, 0), (0, 100), (0, 200)]"
    assert out[1:] == ["-5", "300"]


@engines
@pytest.mark.parametrize("section", [ABP2, DLHR], ids=["ABP2", "DLHR"])
def test_faults_of_a_triggered_part(tmp_path: Path, engine: str, section: dict[str, object]) -> None:
    code = f"""
model, part = place({section!r}, 0x28)
def after(fault, n=4):
    codes(part, 6000, 3)
    model.fault = fault
    said = part.probe()
    out = codes(part, 6000, n)
    model.fault = None
    print(fault, said, out, codes(part, 6000, 4), sep=" | ")
after("part")
after("zeros")
after("absent")
codes(part, 6000, 3)
model.fault = "busy"
stuck = codes(part, 5000, 200)
model.fault = None
print(stuck.find("6"), stuck[:3], codes(part, 6000, 4)[-2:])
model.restart()
print(codes(part, 6000, 3))
model.fixed_count = 0
tick(part, 6000)
print(codes(part, 6000, 1))
model.fixed_count = (1 << 24) - 1
tick(part, 6000)
print(codes(part, 6000, 1))
"""
    out = run_code(tmp_path, BENCH + code, engine)
    assert out[0] == "part | memory check failed | 3666 | 0000"
    assert out[1] == "zeros | sends nothing but zeros: switch its supply off and on | 3666 | 0000"
    assert out[2] == "absent | no answer | -5-5-5-5 | 3000"
    # given up after 16 polls for each ms of conversion (5 and 3), then asked anew
    at, first, back = out[3].split()
    assert int(at) == 16 * (5 if section is ABP2 else 3)
    assert first == "111"
    assert back == "00"
    assert out[4] == "600"  # it lost its conversion: zeros, once
    assert out[5:] == ["2", "2"]


@engines
def test_ms5525dso_is_never_read_too_early(tmp_path: Path, engine: str) -> None:
    code = f"""
for osr in (256, 512, 1024, 2048, 4096):
    for us in (500, 1000, 2500, 5000, 10000):
        model, part = place(dict({MS5525!r}, osr=osr), 0x76)
        said = part.probe()
        part.describe()
        text = codes(part, us, 120)
        part.want_temperature = True
        text += codes(part, us, 120)
        print(osr, us, said, model.trapped, sorted(set(text)), part.second_word == 29854 * 128 + 47843)
"""
    out = run_code(tmp_path, BENCH + code, engine)
    assert len(out) == 25
    assert {" ".join(line.split()[2:4]) for line in out} == {"None 0"}
    assert all(line.endswith("['0', '1', '3'] True") for line in out), out


@engines
def test_ms5525dso_drops_what_its_trap_spoils(tmp_path: Path, engine: str) -> None:
    code = f"""
model, part = place({MS5525!r}, 0x76)
print(part.probe(), any(part.describe()["scale"]["c"]), codes(part, 5000, 4))
good = counts[0]
model.restart()                                # a dip of the supply: no conversion under way
values = []
for _ in range(6):
    values.append((tick(part, 5000), counts[0] == good, counts[0] == 0x123456))
print(values, model.trapped)
for fault in ("crc", "zeros", "absent"):
    model.fault = fault
    print(part.probe())
"""
    out = run_code(tmp_path, BENCH + code, engine)
    assert out[0] == "None True 3000"
    # 0 is a fault, the spoilt word is dropped (empty), then it is right again; the spoilt word never shows
    assert out[1].startswith("[(6, True, False), (3, True, False), (0, True, False)")
    assert out[1].endswith("(0, True, False)] 1")
    assert out[2:] == ["the check of its PROM does not fit", "its PROM is empty", "no answer"]


@engines
def test_ms5525dso_sends_no_words_that_the_host_has_no_coefficients_for(tmp_path: Path, engine: str) -> None:
    code = f"""
model, part = place({MS5525!r}, 0x76)
model.fault = "absent"
print(part.probe(), part.describe()["scale"]["c"], "alarm_scale" in part.describe())
model.fault = None
def start():
    try:
        return part.start()
    except OSError as error:
        return -error.errno
print(start(), codes(part, 5000, 3))
print(part.probe(), start(), codes(part, 5000, 3))       # not told to the host yet
print(part.describe()["scale"]["c"])
before = CLOCK.now_us()
pause = part.start()
print(CLOCK.now_us() - before < 2000, pause)
time.sleep_ms(pause)
print(codes(part, 5000, 3))
"""
    out = run_code(tmp_path, BENCH + code, engine)
    assert out == [
        "no answer [0, 0, 0, 0, 0, 0] False",
        "-5 666",
        "None -5 666",
        "[36402, 39473, 40393, 29523, 29854, 21917]",
        "True 3",
        "300",
    ]


@engines
def test_ms4525do_must_mark_what_it_repeats(tmp_path: Path, engine: str) -> None:
    code = f"""
model, part = place({MS4525!r}, 0x28)
print(part.probe())
model.fault = "sleeping"
print(part.probe())
model.fault = None
model.marks_repeat = lambda conversion: False
print(part.probe())
model.fault = "absent"
print(part.probe())
model.fault = "part"
print(part.probe())
"""
    assert run_code(tmp_path, BENCH + code, engine) == [
        "None",
        "has nothing new: a part of the sleeping kind, which is not supported",
        "does not mark a repeated reading: another kind of part",
        "no answer",
        "reports a diagnostic fault",
    ]


@engines
@pytest.mark.parametrize(
    "section",
    [
        {"part": "HSC", "range": "010ND"},
        {"part": "DLVR", "range": "L10D"},
        MS4525,
    ],
    ids=lambda section: str(section["part"]),
)
def test_free_running_parts(tmp_path: Path, engine: str, section: dict[str, object]) -> None:
    code = f"""
model, part = place({section!r}, 0x28, 0)
print(part.probe())                       # its supply came a moment ago
time.sleep_ms(6)
print(part.probe())
print(codes(part, 1000, 5), codes(part, 200, 10))
for count in (0, 16383):
    model.fixed_count = count
    print(codes(part, 1000, 1))
model.fixed_count = None
for pa in (1e6, -1e6):
    PRESSURE[0] = pa
    time.sleep_ms(2)
    print(codes(part, 1000, 1), counts[0])
"""
    out = run_code(tmp_path, BENCH + code, engine)
    rail = "6" if section is MS4525 else "2"
    assert out[0] == "no answer"
    assert out[1] == "None"
    marked = out[2].split()
    assert set(marked[0]) == {"0"} or marked[0][1:] == "0000"
    assert 1 <= marked[1].count("0") <= 3  # fresh once a millisecond
    assert out[3:] == [rail, rail, f"{rail} 16383", f"{rail} 0"]


@engines
def test_the_models_keep_to_their_protocols(tmp_path: Path, engine: str) -> None:
    """Faults of the models would hide faults of the drivers: what a wrong driver would meet."""
    code = f"""
from bus import VirtualBus
model, _ = place({MS5525!r}, 0x76)
i2c = I2C(0)
def fetch():
    i2c.writeto(0x76, b"\\x00")
    return int.from_bytes(i2c.readfrom(0x76, 3), "big")
i2c.writeto(0x76, b"\\x44"); early = fetch(); time.sleep_ms(3)
i2c.writeto(0x76, b"\\x44"); time.sleep_ms(3); spoilt = fetch()
i2c.writeto(0x76, b"\\x44"); time.sleep_ms(3); good = fetch(); twice = fetch()
print(early, hex(spoilt), good > 9000000, twice)
model, _ = place({DLHR!r}, 0x29)
try:
    i2c.writeto(0x29, b"\\xab\\x00\\x00")
except OSError:
    print(model.refused, model.present())
model, _ = place({ABP2!r}, 0x18)
i2c.writeto(0x18, b"\\xaa\\x00\\x00")
print(hex(i2c.readfrom(0x18, 1)[0]), end=" ")
time.sleep_ms(5)
print(hex(i2c.readfrom(0x18, 1)[0]))
other = PARTS["ABP2"](CLOCK, lambda: -300.0, {ABP2!r})
both = VirtualBus(CLOCK)
class Passing:
    def find(self, address): return [other] if address == 0x18 else []
    def present(self): return True
both.attach(0x18, model); both.attach(0x70, Passing())
both.write(0x18, b"\\xaa\\x00\\x00")
time.sleep_ms(5)
a, b, c = model.read(7), other.read(7), both.read(0x18, 7)
print(c == bytes([a[i] & b[i] for i in range(7)]), c != a, c != b)
"""
    assert run_code(tmp_path, BENCH + code, engine) == [
        "0 0x123456 True 0",
        "1 False",
        "0x60 0x40",
        "True True True",
    ]

"""Cost of one sample slot: ``python tests/bench/slot.py``.

What can be said without a board. First, in one run of the Unix interpreter and on the same canned parts: time
and memory a row of the firmware's whole slot (read, throttle, alarm, row with check, ring) against the plain
loop that reads, formats and prints. Then the time that the bus alone takes on a board, by arithmetic. Neither
was measured on hardware, and the ratio of the two loops is another there: the emitter is the same, the clock,
the memory and the C code of the port are not.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from firmware.canned import CANNED_APP
from firmware.runs import run_code

ROUNDS = 20
LOOPS = """
import sys
from array import array
from undertray.sensors.hsc import Driver

class Out:
    def __init__(self): self.n = 0
    def write(self, text): self.n += len(text); return len(text)

def plain(buses, pulses, out, rows):
    '''What one writes first: read, put together, print.'''
    seq = 0
    buf = bytearray(4)
    while rows:
        rows -= 1
        now = time.ticks_us()
        width = pulses.get()
        fields = [str(seq), str(now), str(width), "0"]
        for bus in buses:
            bus.readfrom_into(40, buf)
            fields.append("%d" % ((buf[0] & 0x3F) << 8 | buf[1]))
        out.write(",".join(fields) + "\\n")
        seq = (seq + 1) & 0xFFFF

def ours(sampler, ring, pulses, rows):
    '''The firmware: the same, with status, alarm, stale marks, check and a ring that never waits.'''
    now = 0
    while rows:
        rows -= 1
        now = (now + 1000) & 0x3FFFFFFF
        pulses.left = 1
        sampler.slot(now, 0)
        ring.pump(now)

def reads(buses, rows):
    buf = bytearray(2)
    while rows:
        rows -= 1
        for bus in buses:
            bus.readfrom_into(40, buf)

def measure(n):
    import utime
    app = make(1000)
    buses = [column.sensor._bus for column in app.rig.columns] * (n // 4)
    if n == 8:
        sensors = [Driver(bus, 40, {"part": "HSC", "range": "040MD"}) for bus in buses]
        for i, sensor in enumerate(sensors[4:]):
            app.sampler._readers.append(sensor.read_into)
        app.sampler.head[4] = 8
        app.sampler.counts = array("i", [0] * 8)
        app.sampler.status = bytearray(8)
        app.sampler.health.state = bytearray(8)
        app.sampler.health.failures = bytearray(8)
    pulses = app.rig.throttle._machine
    out = Out()
    best = {"plain": 1 << 60, "ours": 1 << 60, "reads": 1 << 60}
    used = {}
    for _ in range(ROUNDS):
        for which in best:
            gc.collect()
            gc.disable()
            free = gc.mem_free()
            start = utime.ticks_us()
            if which == "plain":
                plain(buses, pulses, out, 500)
            elif which == "reads":
                reads(buses, 500)
            else:
                ours(app.sampler, app.ring, pulses, 500)
            took = utime.ticks_us() - start
            used[which] = free - gc.mem_free()
            gc.enable()
            best[which] = min(best[which], took)
    for which in best:
        print(which, n, best[which], used[which])
"""


def measure(folder: Path) -> dict[tuple[str, int], tuple[int, int]]:
    """Nanoseconds and bytes a row of each loop ("reads": the canned parts alone), for 4 and 8 columns."""
    code = CANNED_APP + LOOPS.replace("ROUNDS", str(ROUNDS)) + "\nmeasure(4)\nmeasure(8)\n"
    found = {}
    for line in run_code(folder, code):
        which, n, took_us, used = line.split()
        found[which, int(n)] = (int(took_us) * 2, int(used) // 500)  # of 500 rows: ns and bytes a row
    return found


def bus_time_us(n_bytes: int, scl_hz: float, mux: bool) -> float:
    """Time of one read on the wire; with a multiplexer one written byte goes before it."""
    # I2C specification (UM10204, 7.0): nine clocks a byte with its acknowledge, and start and stop
    bits = 2 + 9 * (1 + n_bytes) + (2 + 9 * 2 if mux else 0)
    return bits / scl_hz * 1e6


def budget() -> list[tuple[str, int, float, float]]:
    """(what, columns, us a row on the bus, rows/s that leaves at most): arithmetic for "400 kHz"."""
    scl_hz = 357e3  # on the wire, by the emulated port
    call_us = 27.0  # the port's own time a transaction, by the same emulation
    out = []
    for what, size, mux in (("2 bytes", 2, False), ("4 bytes", 4, False), ("2 bytes, multiplexer", 2, True)):
        for n in (4, 8):
            took = n * (bus_time_us(size, scl_hz, mux) + call_us * (2 if mux else 1))
            out.append((what, n, took, 1e6 / took))
    return out


# Rows/s of the plain loop on an emulated RP2040 at 125 MHz, 4-byte reads of 145 us each.
PLAIN_ROWS_S = {4: 575, 8: 355}
READ_4_US = 145


def projection(found: dict[tuple[str, int], tuple[int, int]]) -> dict[int, float]:
    """Rows/s to expect on a board, were everything slower there by one factor, that of the plain loop.

    Cautious: native code is slowed less than bytecode. No board was measured.
    """
    out = {}
    bus_us = {n: took for what, n, took, _ in budget() if what == "2 bytes"}
    for n, rows_s in PLAIN_ROWS_S.items():
        reads = found["reads", n][0]
        factor = (1e6 / rows_s - n * READ_4_US) / (found["plain", n][0] - reads)
        out[n] = 1e6 / (bus_us[n] + factor * (found["ours", n][0] - reads))
    return out


def main() -> None:
    """Print both tables."""
    with tempfile.TemporaryDirectory() as folder:
        found = measure(Path(folder))
    print("Unix interpreter, one run, best of", ROUNDS)
    print(f"{'columns':>8} {'plain us':>9} {'slot us':>8} {'ratio':>6} {'plain B':>8} {'slot B':>7}")
    for n in (4, 8):
        plain, ours = found["plain", n], found["ours", n]
        ratio = plain[0] / ours[0]
        print(
            f"{n:>8} {plain[0] / 1000:>9.2f} {ours[0] / 1000:>8.2f} {ratio:>6.2f} {plain[1]:>8} {ours[1]:>7}"
        )
    print("\nbus on a board, arithmetic (SCL 357 kHz, 27 us a call)")
    print(f"{'read':>22} {'columns':>8} {'us a row':>9} {'rows/s':>7} {'left at 1000 rows/s':>20}")
    for what, n, took, most in budget():
        print(f"{what:>22} {n:>8} {took:>9.0f} {most:>7.0f} {1000 - took:>17.0f} us")
    print("\nprojection for a board, from the plain loop's rate there; not a measurement")
    for n, rows_s in projection(found).items():
        print(f"{n:>8} columns, 2-byte reads: about {rows_s:.0f} rows/s")
    print(json.dumps({f"{which}-{n}": value for (which, n), value in found.items()}))


if __name__ == "__main__":
    main()

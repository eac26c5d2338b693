# ruff: noqa: F821
"""Sensirion SDP3x and SDP8xx: 16 bits with CRC-8, continuous mode, average till read.

Commands and frame as in Sensirion's own public driver (arduino-i2c-sdp): continuous,
temperature-compensated differential pressure, average till read 0x3615; stop 0x3FF9, deaf for
0.5 ms after it; a frame of 9 bytes: pressure, temperature, scale factor, each with its check. The
scale factor is read from the part, never assumed, and again whenever it was started anew.
"""

import time

import micropython

from undertray.sensors import CRC, OK, PART, SATURATED, choice, known

__all__ = ["Driver", "crc8"]

_START = b"\x36\x15"
_STOP = b"\x3f\xf9"
# Scale factor in counts a pascal -> range in Pa: SDP3x 60/240/20, SDP8xx 60/240 (ArduPilot and
# public drivers; the part's own answer decides).
_RANGES = {60: ("500Pa", 500), 240: ("125Pa", 125), 20: ("1500Pa", 1500)}
# First result 8 ms after start, the next 12 ms may be off by a few % of the reading.
_SETTLE_MS = 20


@micropython.viper
def crc8(buf, at: int) -> int:
    """CRC-8 of two bytes: polynomial 0x31, start 0xFF (0xBEEF gives 0x92)."""
    p = ptr8(buf)
    value = 0xFF
    i = 0
    while i < 2:
        value ^= p[at + i]
        k = 0
        while k < 8:
            value <<= 1
            if value & 0x100:
                value ^= 0x131
            k += 1
        i += 1
    return value


class Driver:
    """One SDP3x or SDP8xx."""

    def __init__(self, bus, address, options):
        known(options, ())
        self._bus = bus
        self._address = address
        self._part = options["part"]
        self._range = choice(options, "range", "", [name for name, _ in _RANGES.values()])
        self._factor = [factor for factor in _RANGES if _RANGES[factor][0] == self._range][0]
        self._short = bytearray(3)
        self._long = bytearray(9)
        self._check_scale = True
        self.want_temperature = True
        self.temperature_centi = None
        self.second_word = None

    def probe(self):
        try:
            time.sleep_ms(self.start())
            self._bus.readfrom_into(self._address, self._long)
        except OSError:
            return "no answer"
        if not self._whole():
            return "its check does not fit"
        factor = (self._long[6] << 8) | self._long[7]
        if factor != self._factor:
            return "has {} counts a pascal, a {} part has {}".format(factor, self._range, self._factor)
        return None

    def start(self):
        try:
            self._bus.writeto(self._address, _STOP)
        except OSError:
            pass  # an idle part does not take the stop
        time.sleep_us(1000)
        self._bus.writeto(self._address, _START)
        self._check_scale = True
        return _SETTLE_MS

    def _whole(self):
        frame = self._long
        return crc8(frame, 0) == frame[2] and crc8(frame, 3) == frame[5] and crc8(frame, 6) == frame[8]

    @micropython.native
    def read_into(self, counts, index):
        if self.want_temperature or self._check_scale:
            frame = self._long
            self._bus.readfrom_into(self._address, frame)
            if not self._whole():
                return CRC
            if (frame[6] << 8) | frame[7] != self._factor:
                return PART
            self._check_scale = False
            self.want_temperature = False
            raw = (frame[3] << 8) | frame[4]
            # T = raw / 200, so half a hundredth a count.
            self.temperature_centi = (raw - 65536 if raw & 0x8000 else raw) // 2
        else:
            frame = self._short
            self._bus.readfrom_into(self._address, frame)
            if crc8(frame, 0) != frame[2]:
                return CRC
        count = (frame[0] << 8) | frame[1]
        if count & 0x8000:
            count -= 65536
        counts[index] = count
        return SATURATED if count == 32767 or count == -32768 else OK

    def describe(self):
        limit = _RANGES[self._factor][1] * self._factor
        scale = {"zero": 0, "pa_per_count": 1.0 / self._factor, "min": -limit, "max": limit}
        return {"part": self._part, "range": self._range, "scale": scale}

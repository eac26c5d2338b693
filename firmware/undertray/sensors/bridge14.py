"""The frame that HSC, MS4525DO and DLVR share: 14 bits of pressure behind two status bits.

Free-running and read without a command: b0 = S1 S0 P13..P8, b1 = P7..P0, b2 = T10..T3,
b3 = T2 T1 T0 x x x x x. The board may stop after two bytes (Honeywell technical note 008201, "I2C
communications"; MS4525DO data sheet, January 2011, p. 13-14; DLVR data sheet DS-0300).
"""

import micropython

from undertray.sensors import OK, PART, SATURATED, STALE, WAIT

__all__ = ["Bridge14"]

# Status bits: 00 fresh, 01 command mode or reserved (no measurement), 10 already fetched, 11 fault.
_CODES = bytes((OK, PART, STALE, PART))


class Bridge14:
    """A part with that frame. ``at_rail`` is the code of a count at one of its two ends."""

    def __init__(self, bus, address, options, scale, at_rail=SATURATED):
        self._bus = bus
        self.address = address
        self._part = options["part"]
        self._range = options.get("range", "")
        self._scale = scale
        self.at_rail = at_rail
        self._short = bytearray(2)
        self._long = bytearray(4)
        self.want_temperature = True
        self.temperature_centi = None
        self.second_word = None

    def probe(self):
        try:
            self._bus.readfrom_into(self.address, self._long)
        except OSError:
            return "no answer"
        state = self._long[0] >> 6
        if state == 1:
            return "is in command mode: switch its supply off and on"
        return "reports a diagnostic fault" if state == 3 else None

    def start(self):
        return 0

    @micropython.native
    def read_into(self, counts, index):
        if self.want_temperature:
            frame = self._long
            self._bus.readfrom_into(self.address, frame)
            self.want_temperature = False
            # T = raw * 200 / 2047 - 50; the low five bits of the last byte are not data.
            raw = (frame[2] << 3) | (frame[3] >> 5)
            self.temperature_centi = raw * 20000 // 2047 - 5000
        else:
            frame = self._short
            self._bus.readfrom_into(self.address, frame)
        count = ((frame[0] & 0x3F) << 8) | frame[1]
        counts[index] = count
        code = _CODES[frame[0] >> 6]
        if code < WAIT and (count == 0 or count == 16383):
            return self.at_rail
        return code

    def describe(self):
        return {"part": self._part, "range": self._range, "scale": self._scale}

"""Honeywell TruStability HSC and SSC: 14 bits, free-running, plain read.

Two status bits and 14 bits of pressure in two bytes, 11 bits of temperature in two more
(Honeywell technical note 008201, "I2C communications"). Count limits of the four transfer
functions as in the Linux driver hsc030pa.c.
"""

import micropython

from undertray.sensors import OK, PART, SATURATED, STALE, WAIT, known, span_pa

__all__ = ["Driver"]

_LIMITS = {"A": (1638, 14746), "B": (819, 15565), "C": (819, 13926), "F": (655, 15401)}
# Status bits: 00 fresh, 01 command mode (it measures nothing), 10 already fetched, 11 diagnostic.
_CODES = bytes((OK, PART, STALE, PART))


class Driver:
    """One HSC or SSC."""

    def __init__(self, bus, address, options):
        known(options, ("transfer",))
        self._bus = bus
        self._address = address
        self._part = options["part"]
        self._range = options.get("range", "")
        transfer = options.get("transfer", "A")
        if transfer not in _LIMITS:
            raise ValueError("transfer '{}' must be A, B, C or F".format(transfer))
        low_pa, high_pa = span_pa(self._range)
        low, high = _LIMITS[transfer]
        self._scale = {
            "zero": low - low_pa * (high - low) / (high_pa - low_pa),
            "pa_per_count": (high_pa - low_pa) / (high - low),
            "min": low,
            "max": high,
        }
        self._short = bytearray(2)
        self._long = bytearray(4)
        self.want_temperature = True
        self.temperature_centi = None
        self.second_word = None

    def probe(self):
        try:
            self._bus.readfrom_into(self._address, self._long)
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
            self._bus.readfrom_into(self._address, frame)
            self.want_temperature = False
            # T = raw * 200 / 2047 - 50; the low five bits of the last byte are not data.
            raw = (frame[2] << 3) | (frame[3] >> 5)
            self.temperature_centi = raw * 20000 // 2047 - 5000
        else:
            frame = self._short
            self._bus.readfrom_into(self._address, frame)
        count = ((frame[0] & 0x3F) << 8) | frame[1]
        counts[index] = count
        code = _CODES[frame[0] >> 6]
        if code < WAIT and (count == 0 or count == 16383):
            return SATURATED
        return code

    def describe(self):
        return {"part": self._part, "range": self._range, "scale": self._scale}

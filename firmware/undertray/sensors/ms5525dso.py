"""TE MS5525DSO: raw 24-bit words D1 (pressure) and D2 (temperature); the host compensates.

Commands, exponents Q and the check of the PROM as in PX4's driver ms5525dso (the check is that of the
maker's note AN520). D1 is converted in every slot, D2 when the temperature is asked for: that slot
repeats its last D1, marked so. An ADC read that comes too early or twice gives 0 and spoils the
next result as well (PX4, ArduPilot): so there is a clock in front of every read, and after a 0 the
next word is dropped too. Words without coefficients are worth nothing to the host, and these go out
with the board's description: a part whose PROM was not read before that stays a fault.
"""

import time

import micropython
from micropython import const

from undertray.sensors import OK, PART, SATURATED, STALE, WAIT, choice, known

__all__ = ["Driver", "crc4"]

_RESET = b"\x1e"
_FETCH = b"\x00"
_EIO = const(5)
_RESET_MS = const(10)  # 3 to 10 ms in public drivers
# Over-sampling -> (commands for D1 and D2, longest conversion in us). 1024 as in ArduPilot's
# simulator, the others from memory (same converter family).
_RATES = {
    256: (b"\x40", b"\x50", 600),
    512: (b"\x42", b"\x52", 1170),
    1024: (b"\x44", b"\x54", 2280),
    2048: (b"\x46", b"\x56", 4540),
    4096: (b"\x48", b"\x58", 9040),
}
_SPARE_US = const(100)
# Exponents Q1 to Q6 and the range in Pa. Sources agree on the 1 psi part only.
_RANGES = {"001DS": ((15, 17, 7, 5, 7, 21), 6894.757)}
_NONE = const(0)
_D1 = const(1)
_D2 = const(2)


def crc4(words):
    """Check of the eight PROM words: the low four bits of the last one should be this."""
    remainder = 0
    for i in range(16):
        word = words[i >> 1] & 0xFF00 if i >= 14 else words[i >> 1]
        remainder ^= word & 0xFF if i & 1 else word >> 8
        for _ in range(8):
            remainder = ((remainder << 1) ^ 0x3000 if remainder & 0x8000 else remainder << 1) & 0xFFFF
    return remainder >> 12


class Driver:
    """One MS5525DSO. Its range is the end of the order code: 001DS, 1 psi differential."""

    def __init__(self, bus, address, options):
        known(options, ("osr",))
        osr = choice(options, "osr", 1024, _RATES)
        self._range = choice(options, "range", "", _RANGES)
        self._bus = bus
        self._address = address
        self._part = options["part"]
        self._convert_d1, self._convert_d2, longest_us = _RATES[osr]
        self._wait_us = longest_us + _SPARE_US
        self._q, self._range_pa = _RANGES[self._range]
        self._c = [0] * 6  # unknown
        self._told = False  # the coefficients stood in the description
        self._frame = bytearray(3)
        self._pending = _NONE
        self._due = time.ticks_us()
        self._spoilt = False
        self._known = False
        self._last = 0
        self.want_temperature = True
        self.temperature_centi = None
        self.second_word = None

    def probe(self):
        self._pending = _NONE
        self._spoilt = False
        try:
            self._bus.writeto(self._address, _RESET)
            time.sleep_ms(_RESET_MS)
            fault = self._read_prom()
            if fault:
                return fault
            for command in (self._convert_d2, self._convert_d1):
                self._bus.writeto(self._address, command)
                time.sleep_us(self._wait_us)
                word = self._fetch()
                if word == 0:
                    return "gives no conversion"
                if command is self._convert_d2:
                    self._take_temperature(word)
        except OSError:
            return "no answer"
        return None

    def _read_prom(self):
        """Keep the coefficients; gives None or what is wrong with them. 16 transactions, about 1.5 ms."""
        word = bytearray(2)
        words = []
        for i in range(8):
            self._bus.writeto(self._address, bytes((0xA0 + 2 * i,)))
            self._bus.readfrom_into(self._address, word)
            words.append((word[0] << 8) | word[1])
        if not any(words):
            return "its PROM is empty"
        if crc4(words) != words[7] & 15:
            return "the check of its PROM does not fit"
        self._c = words[1:7]
        return None

    def start(self):
        self._pending = _NONE
        self._spoilt = False
        self._known = False
        if not self._told:
            raise OSError(_EIO, "coefficients")
        self._convert(_D2)
        return self._wait_us // 1000 + 1

    @micropython.native
    def _fetch(self):
        frame = self._frame
        self._bus.writeto(self._address, _FETCH)
        self._bus.readfrom_into(self._address, frame)
        return (frame[0] << 16) | (frame[1] << 8) | frame[2]

    @micropython.native
    def _convert(self, what):
        self._bus.writeto(self._address, self._convert_d2 if what == _D2 else self._convert_d1)
        self._due = time.ticks_add(time.ticks_us(), self._wait_us)
        self._pending = what

    @micropython.native
    def _repeat(self, counts, index):
        if not self._known:
            return WAIT
        counts[index] = self._last
        return STALE

    def _take_temperature(self, word):
        self.second_word = word
        self.want_temperature = False
        # T = 20 degC + dT * C6 / 2**Q6, dT = D2 - C5 * 2**Q5, in small integers: good to 0.1 K.
        delta = word - (self._c[4] << self._q[4])
        self.temperature_centi = 2000 + (((delta >> 8) * (self._c[5] >> 3)) >> (self._q[5] - 11))

    @micropython.native
    def read_into(self, counts, index):
        if not self._told:
            return PART
        what = self._pending
        code = WAIT
        if what != _NONE:
            if time.ticks_diff(time.ticks_us(), self._due) < 0:
                return self._repeat(counts, index)
            self._pending = _NONE  # whatever comes now, this result is used up
            word = self._fetch()
            if word == 0:
                self._spoilt = True
                self._known = False
                code = PART
            elif self._spoilt:
                self._spoilt = False
            elif what == _D2:
                self._take_temperature(word)
                code = self._repeat(counts, index)
            else:
                self._last = word
                self._known = True
                counts[index] = word
                code = SATURATED if word == 0xFFFFFF else OK
        self._convert(_D2 if self.want_temperature and not self._spoilt else _D1)
        return code

    def describe(self):
        c = self._c
        q = self._q
        self._told = any(c)
        out = {
            "part": self._part,
            "range": self._range,
            "scale": {"kind": "ms5525dso", "c": list(c), "q": list(q), "range_pa": self._range_pa},
        }
        if self._told:
            # P in 1e-4 psi = (D1 * SENS / 2**21 - OFF) / 2**15; at 20 degC SENS = C1 * 2**Q1 and
            # OFF = C2 * 2**Q2.
            pa_per_count = c[0] * 2.0 ** (q[0] - 36) * 0.6894757
            zero = c[1] * 2.0 ** (q[1] + 21 - q[0]) / c[0]
            reach = self._range_pa / pa_per_count
            out["alarm_scale"] = {
                "zero": zero,
                "pa_per_count": pa_per_count,
                "min": int(zero - reach),
                "max": int(zero + reach),
            }
        return out

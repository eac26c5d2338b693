"""NXP MPXV7002DP: a voltage, read by the board's own ADC and averaged. A fallback.

Output = supply * (0.2 * P + 0.5) with P in kPa from -2 to 2, positive when P1 is above P2 (data sheet as
quoted by a public MicroPython sketch): up to 4.5 V, and a pin takes 3.3 V. So a divider in front of the pin,
whichever port the tap is on: a finger or a syringe presses as well as it sucks. The ADC has 12 bits,
stretched to 16 by ``read_u16``, and some wide codes (erratum RP2040-E11): the mean of several reads helps
with both.
"""

import micropython
from micropython import const

from undertray.sensors import OK, PART, SATURATED, choice, known

__all__ = ["Driver"]

_FULL = const(65535)
_END = const(65472)  # four of the 4096 codes from the end: noise is about one
_RANGE_PA = 2000


class Driver:
    """One MPXV7002DP.

    ``reads`` are averaged (16), ``supply_mv`` is its supply (5000), ``reference_mv`` that of the
    ADC (3300), ``divider`` its output over the voltage at the pin (1).
    """

    def __init__(self, adc, _pin, options):
        known(options, ("reads", "supply_mv", "reference_mv", "divider"))
        reads = _number(options, "reads", 16, 1, 64)
        supply = _number(options, "supply_mv", 5000, 4500, 5500)
        reference = _number(options, "reference_mv", 3300, 2000, 3600)
        divider = _number(options, "divider", 1, 1, 4)
        if reads != int(reads):
            raise ValueError("reads {} must be a whole number".format(reads))
        self._part = options["part"]
        self._range = choice(options, "range", "", ("", "2kPa"))
        self._read = adc.read_u16
        self._reads = int(reads)
        half = 0.5 * supply / divider / reference * _FULL
        pa_per_count = 5000.0 * divider * reference / supply / _FULL
        reach = _RANGE_PA / pa_per_count
        self._scale = {
            "zero": half,
            "pa_per_count": pa_per_count,
            "min": int(half - reach),
            "max": min(int(half + reach), _FULL),
        }
        # Half of the lowest voltage it can say: it has no supply, or the wire is off.
        self._dead = int(half - reach) // 2
        self.want_temperature = False
        self.temperature_centi = None
        self.second_word = None

    def probe(self):
        code = self.read_into([0], 0)
        if code == PART:
            return "output near 0 V: no supply, or its wire is off"
        return None

    def start(self):
        return 0

    @micropython.native
    def read_into(self, counts, index):
        read = self._read
        n = self._reads
        total = n >> 1
        i = 0
        while i < n:
            total += read()
            i += 1
        count = total // n
        counts[index] = count
        if count < self._dead:
            return PART
        return SATURATED if count >= _END else OK

    def describe(self):
        return {"part": self._part, "range": self._range, "scale": self._scale}


def _number(options, key, default, low, high):
    value = options.get(key, default)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
        raise ValueError("{} {} must be a number from {} to {}".format(key, value, low, high))
    return value

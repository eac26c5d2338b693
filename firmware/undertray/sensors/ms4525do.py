"""TE MS4525DO: 14 bits, free-running, and a reading that is fetched again says so.

Output line as in PX4's driver ms4525do and the public Arduino library MS4525DO_RT: type A from 10 to
90 % of 16383 counts, type B from 5 to 95 %. Counts 0 and 16383 are taken as a bus fault, not as
saturation, as ArduPilot does: the smallest part reaches 1 psi, so a floor never drives it there.
"""

import time

from undertray.sensors import PART, choice, known, span_pa, straight
from undertray.sensors.bridge14 import Bridge14

__all__ = ["Driver"]

_FULL = 16383
_SHARES = {"A": 0.1, "B": 0.05}
_TRIES = 10


class Driver(Bridge14):
    """One MS4525DO. Its range is the end of the order code, such as 001DP: 1 psi, differential."""

    def __init__(self, bus, address, options):
        known(options, ("transfer",))
        code = options.get("range", "")
        if len(code) < 3 or code[-1] != "P":
            raise ValueError("range '{}' is not like 001DP".format(code))
        span = span_pa(code[:-2] + "P" + code[-2])  # 001DP -> 001PD
        low = _SHARES[choice(options, "transfer", "A", _SHARES)] * _FULL
        super().__init__(bus, address, options, straight(low, _FULL - low, span), PART)

    def probe(self):
        """Also whether it marks what it repeats: two reads at once bring the same data, once fresh."""
        fault = super().probe()
        if fault:
            return fault
        first = bytearray(4)
        second = self._long
        fresh = 0
        try:
            for _ in range(_TRIES):
                self._bus.readfrom_into(self.address, first)
                self._bus.readfrom_into(self.address, second)
                if first[0] >> 6 == 0:
                    fresh += 1
                    first[0] |= 0x80
                    if first == second:
                        return None
                # Either nothing new yet, or a conversion (0.5 to 1 ms, from memory) ended in between.
                time.sleep_us(700)
        except OSError:
            return "stopped answering"
        if not fresh:
            return "has nothing new: a part of the sleeping kind, which is not supported"
        return "does not mark a repeated reading: another kind of part"

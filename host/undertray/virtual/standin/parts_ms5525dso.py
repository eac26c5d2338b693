"""TE MS5525DSO on the virtual bus: reset, PROM with its check, one conversion at a time, and its trap.

An ADC read before the conversion is over, or a second one, gives 0, and the result after that is
wrong as well. ``fault``: "absent"; "crc" (a flipped bit in the PROM); "zeros" (an empty PROM).
"""

from bus import Nack
from parts import Part

# Coefficients of the data sheet's example (as in ArduPilot's simulator) and exponents of the 1 psi part.
COEFFICIENTS = (36402, 39473, 40393, 29523, 29854, 21917)
EXPONENTS = (15, 17, 7, 5, 7, 21)
PROM = (0xFFFF,) + COEFFICIENTS + (0x000C,)
PSI_PA = 6894.757
RESET_US = 3000
TIMES_US = (600, 1170, 2280, 4540, 9040)
SPOILT = 0x123456


class Ms5525dso(Part):
    def __init__(self, clock, pressure_pa, section):
        super().__init__(clock, pressure_pa, section)
        self.prom = PROM
        self.trapped = 0  # reads that came too early or twice
        self.deaf_until = 0
        self.restart()

    def restart(self):
        self.reply = None
        self.result = None
        self.done_us = 0
        self.spoil = False

    def words(self):
        """D1 and D2 of this moment: the maker's formulas, turned round."""
        c, q = COEFFICIENTS, EXPONENTS
        delta = (self.temperature_c() - 20) * 100 * 2 ** q[5] / c[5]
        offset = c[1] * 2 ** q[1] + c[3] * delta / 2 ** q[3]
        slope = c[0] * 2 ** q[0] + c[2] * delta / 2 ** q[2]
        d1 = (self.pressure_pa() / PSI_PA * 1e4 * 2**15 + offset) * 2**21 / slope
        return min(max(int(d1 + 0.5), 1), 0xFFFFFF), int(c[4] * 2 ** q[4] + delta + 0.5)

    def write(self, data):
        self.answer()
        now = self.clock.now_us()
        if now < self.deaf_until or len(data) != 1:
            raise Nack()
        command = data[0]
        if command == 0x1E:
            self.restart()
            self.deaf_until = now + RESET_US
        elif 0xA0 <= command <= 0xAE and not command & 1:
            word = 0 if self.fault == "zeros" else self.prom[(command - 0xA0) >> 1]
            if self.fault == "crc" and command == 0xA4:
                word ^= 1
            self.reply = bytes((word >> 8, word & 255))
        elif command in (0x40, 0x42, 0x44, 0x46, 0x48, 0x50, 0x52, 0x54, 0x56, 0x58):
            self.result = self.words()[1 if command >= 0x50 else 0]
            if self.fixed_count is not None and command < 0x50:
                self.result = self.fixed_count
            if self.spoil:
                self.spoil = False
                self.result = SPOILT
            self.done_us = now + TIMES_US[(command & 15) >> 1]
        elif command == 0x00:
            word = self.result
            if word is None or now < self.done_us:
                self.trapped += 1
                self.spoil = True
                word = 0
            self.result = None
            self.reply = bytes((word >> 16, word >> 8 & 255, word & 255))
        else:
            raise Nack()

    def read(self, n):
        self.answer()
        if self.reply is None or n > len(self.reply):
            raise Nack()
        reply, self.reply = self.reply, None
        return reply[:n]


PARTS = {"MS5525DSO": Ms5525dso}

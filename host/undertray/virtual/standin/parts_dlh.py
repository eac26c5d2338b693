"""All Sensors DLH/DLHR on the virtual bus: five commands, and noise in the bits below its width.

A byte that is no command does harm: what it then does nobody should rely on, so the model answers
no more (``refused`` counts them).
"""

from bus import Nack
from parts_abp2 import Triggered

INCH_PA = 249.089
FULL = 1 << 24
SINGLE_US = {16: 2800, 17: 3500, 18: 4100}  # 17 bits: in between
AVERAGES = {0xAA: 1, 0xAC: 2, 0xAD: 4, 0xAE: 8, 0xAF: 16}


class Dlh(Triggered):
    def __init__(self, clock, pressure_pa, section):
        super().__init__(clock, pressure_pa, section)
        code = section["range"]
        reach = float(code[1:-1]) * INCH_PA
        self.line = ((-reach if code[-1] == "D" else 0.0), reach, 0.1 * FULL, 0.9 * FULL)
        self.width = section.get("bits", 16)
        single = SINGLE_US[self.width]
        self.commands = {bytes((code, 0, 0)): n * single for code, n in AVERAGES.items()}

    def write(self, data):
        try:
            super().write(data)
        except Nack:
            if self.refused:
                self.fault = "absent"
            raise

    def temperature_word(self):
        return int((self.temperature_c() + 40) * FULL / 125 + 0.5)

    def frame(self, pressure_pa):
        data = bytearray(super().frame(pressure_pa))
        # To the nearest step of its width; undefined below, so made up.
        step = 1 << (24 - self.width)
        count = (data[0] << 16 | data[1] << 8 | data[2]) + step // 2
        count = min(count, FULL - 1) & ~(step - 1) | (self.clock.now_us() & (step - 1))
        data[0], data[1], data[2] = count >> 16, count >> 8 & 255, count & 255
        return bytes(data)


PARTS = {"DLH": Dlh, "DLHR": Dlh}

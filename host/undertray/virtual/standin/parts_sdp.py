"""Sensirion SDP3x/SDP8xx on the virtual bus: idle and continuous mode, averaging, CRC, clipping."""

from bus import Nack
from parts import Part

FACTORS = {"125Pa": 240, "500Pa": 60, "1500Pa": 20}
FIRST_US = 8000
DEAF_US = 500


def crc8(data):
    value = 0xFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = ((value << 1) ^ 0x31) & 0xFF if value & 0x80 else value << 1
    return value


def word(value):
    data = bytes(((value >> 8) & 0xFF, value & 0xFF))
    return data + bytes((crc8(data),))


class Sdp(Part):
    def __init__(self, clock, pressure_pa, section):
        super().__init__(clock, pressure_pa, section)
        self.factor = FACTORS[section["range"]]
        self.running_since = None
        self.deaf_until = 0
        self.flip = False

    def restart(self):
        """A dip of the supply: back to idle."""
        self.running_since = None

    def write(self, data):
        self.answer()
        now = self.clock.now_us()
        if now < self.deaf_until or len(data) != 2:
            raise Nack()
        command = (data[0] << 8) | data[1]
        if command == 0x3FF9:
            if self.running_since is None:
                raise Nack()
            self.running_since = None
            self.deaf_until = now + DEAF_US
        elif command in (0x3603, 0x3608, 0x3615, 0x361E) and self.running_since is None:
            self.running_since = now
        else:
            raise Nack()  # in continuous mode only a read or the stop is taken

    def read(self, n):
        self.answer()
        now = self.clock.now_us()
        if self.running_since is None or now - self.running_since < FIRST_US or n > 9:
            raise Nack()
        if self.fixed_count is not None:
            count = self.fixed_count
        else:
            scaled = self.pressure_pa() * self.factor
            count = int(scaled + 0.5) if scaled >= 0 else -int(0.5 - scaled)
        count = min(max(count, -32768), 32767)
        temperature = int(self.temperature_c() * 200 + 0.5)
        frame = bytearray(word(count) + word(temperature) + word(self.factor))
        if self.fault == "crc":
            frame[2] ^= 0x01
        return bytes(frame[:n])


PARTS = {"SDP3x": Sdp, "SDP8xx": Sdp}

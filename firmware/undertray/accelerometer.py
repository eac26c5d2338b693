"""LIS3DH: acceleration along three axes, beside the pressures on the same bus.

Registers, bits and mg a digit as in its data sheet (DocID17530) and public drivers: WHO_AM_I 0x0F is 0x33;
CTRL_REG1 0x20 has the data rate in its upper half and the axes in bits 0 to 2; CTRL_REG4 0x23 has block
update in bit 7, range in bits 4 and 5, high resolution in bit 3; STATUS_REG 0x27 has bit 3 where all axes
have a new reading; then six bytes of it, low byte first, 12 bits at the upper end. Bit 7 of a register: go on
to the next. Ready again 7 readings after a change of mode (data sheet, table of turn-on times).
"""

import micropython
from micropython import const

from undertray.sensors import OK, PART, SATURATED, WAIT

__all__ = ["AXES", "Lis3dh"]

AXES = ("ax", "ay", "az")
_RATES = {100: 5, 200: 6, 400: 7, 1344: 9}
_RANGES = {"2g": (0, 1), "4g": (1, 2), "8g": (2, 4), "16g": (3, 12)}  # bits, mg a count
_WHO_AM_I = const(0x0F)
_CTRL_REG1 = const(0x20)
_CTRL_REG4 = const(0x23)
_FROM_STATUS = const(0xA7)
_NAME = const(0x33)
_PATIENCE = const(50)  # readings without a new one: it lost its supply, and sleeps since


class Lis3dh:
    """One part, with what the drivers of ``sensors`` have; a reading is three counts, 12 bits with a sign."""

    want_temperature = False
    temperature_centi = None
    second_word = None

    def __init__(self, bus, section):
        self._bus = bus
        self.address = section["address"]
        self._section = section
        bits, self._mg = _RANGES[section["range"]]
        rate_hz = section["odr_hz"]
        self._begin = (
            bytes((_CTRL_REG4, 0x88 | bits << 4)),
            bytes((_CTRL_REG1, _RATES[rate_hz] << 4 | 7)),
        )
        self._pause_ms = 7000 // rate_hz + 1
        self._frame = bytearray(7)
        self._waits = 0

    def probe(self):
        name = bytearray(1)
        try:
            self._bus.readfrom_mem_into(self.address, _WHO_AM_I, name)
            if name[0] != _NAME:
                return "its name is 0x{:02x}, that of a LIS3DH 0x33".format(name[0])
            self.start()
        except OSError:
            return "no answer"
        return None

    def start(self):
        for setting in self._begin:
            self._bus.writeto(self.address, setting)
        self._waits = 0
        return self._pause_ms

    @micropython.native
    def read_into(self, counts, index):
        frame = self._frame
        self._bus.readfrom_mem_into(self.address, _FROM_STATUS, frame)
        if not frame[0] & 8:
            self._waits += 1
            if self._waits < _PATIENCE:
                return WAIT
            self._waits = _PATIENCE
            return PART
        self._waits = 0
        code = OK
        i = 1
        while i < 7:
            count = frame[i + 1] << 4 | frame[i] >> 4
            if count == 0x7FF or count == 0x800:
                code = SATURATED
            if count & 0x800:
                count -= 0x1000
            counts[index] = count
            index += 1
            i += 2
        return code

    def describe(self):
        section = self._section
        return {
            "part": section["part"],
            "bus": section["bus"],
            "address": self.address,
            "mg_per_count": self._mg,
            "range_mg": 1000 * int(section["range"][:-1]),
            "odr_hz": section["odr_hz"],
            "forward": section["forward"],
            "up": section["up"],
        }

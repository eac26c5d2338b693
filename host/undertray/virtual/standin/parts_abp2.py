"""Honeywell ABP2 on the virtual bus: command, busy, 24 bits; and the frame of seven that DLH shares.

``fault``: "absent"; "part" (the memory check of the status); "busy" (for ever); "zeros" (latched up: good
status and nothing but zeros). A command during a conversion is counted in ``disturbed`` and starts it anew.
"""

from bus import Nack
from parts import Part, span_pa

TOP = (1 << 24) - 1


class Triggered(Part):
    """What differs: ``commands`` to their time in us, ``line`` from Pa to counts, ``temperature_word``."""

    def __init__(self, clock, pressure_pa, section):
        super().__init__(clock, pressure_pa, section)
        self.done_us = None
        self.data = bytes(6)
        self.disturbed = 0
        self.refused = 0

    def restart(self):
        """A dip of the supply: no conversion, no result."""
        self.done_us = None
        self.data = bytes(6)

    def write(self, data):
        self.answer()
        now = self.clock.now_us()
        if bytes(data) not in self.commands:
            self.refused += 1
            raise Nack()
        if self.done_us is not None and now < self.done_us:
            self.disturbed += 1
        self.done_us = now + self.commands[bytes(data)]
        # The pressure is taken when the conversion begins; the result is told when it is over.
        self.result = self.frame(self.pressure_pa())

    def frame(self, pressure_pa):
        low_pa, high_pa, low, high = self.line
        count = int(low + (pressure_pa - low_pa) / (high_pa - low_pa) * (high - low) + 0.5)
        count = min(max(count, 0), TOP) if self.fixed_count is None else self.fixed_count
        raw = self.temperature_word()
        return bytes((count >> 16, count >> 8 & 255, count & 255, raw >> 16, raw >> 8 & 255, raw & 255))

    def read(self, n):
        self.answer()
        if n > 7:
            raise Nack()
        status = 0x40
        if self.done_us is not None and (self.clock.now_us() < self.done_us or self.fault == "busy"):
            status = 0x60
        elif self.done_us is not None:
            self.data = self.result
        if self.fault == "part":
            status |= 0x04
        data = bytes(6) if self.fault == "zeros" else self.data
        return (bytes((status,)) + data)[:n]


class Abp2(Triggered):
    commands = {b"\xaa\x00\x00": 4900}  # 5 ms at most

    def __init__(self, clock, pressure_pa, section):
        super().__init__(clock, pressure_pa, section)
        low_pa, high_pa = span_pa(section["range"])
        self.line = (low_pa, high_pa, 1677722, 15099494)

    def temperature_word(self):
        return int((self.temperature_c() + 50) * TOP / 200 + 0.5)


PARTS = {"ABP2": Abp2}

"""TCA9548A on the virtual bus: one control byte, a bit a channel, passed on after the stop.

``fault``: "absent"; "stuck" (it takes the byte and does not switch). A part behind it that holds SDA holds
the whole bus while its channel is on.
"""

from parts import Part


class Tca9548a(Part):
    def __init__(self, clock, pressure_pa, section):
        super().__init__(clock, pressure_pa, section)
        self.late_us = 0
        self.control = 0
        self.behind = []
        self.resets = 0

    def attach(self, channel, address, part):
        self.behind.append((channel, address, part))

    def find(self, address):
        """Parts with this address on the channels that are on."""
        if self.fault == "absent":
            return []
        return [part for channel, at, part in self.behind if at == address and self.control >> channel & 1]

    def holds(self):
        """Whether a part on a channel that is on keeps SDA low."""
        return any(part.holds_sda for channel, _, part in self.behind if self.control >> channel & 1)

    def reset(self):
        """Its reset pin went low, or its supply dipped: all channels off."""
        self.control = 0
        self.resets += 1

    restart = reset

    def write(self, data):
        self.answer()
        if self.fault != "stuck" and len(data):
            self.control = data[-1]  # the last byte counts

    def read(self, n):
        self.answer()
        return bytes((self.control,)) * n


PARTS = {"TCA9548A": Tca9548a}

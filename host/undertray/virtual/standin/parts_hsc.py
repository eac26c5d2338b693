"""Honeywell HSC/SSC on the virtual bus: free-running, stale bit, clipping, diagnostic status."""

from bus import Nack
from parts import Part, span_pa

LIMITS = {"A": (1638, 14746), "B": (819, 15565), "C": (819, 13926), "F": (655, 15401)}
CONVERSION_US = 1000  # about 1 kHz, from memory


class Hsc(Part):
    def __init__(self, clock, pressure_pa, section):
        super().__init__(clock, pressure_pa, section)
        self.low_pa, self.high_pa, self.low, self.high = self.limits(section)
        self.fetched = -1

    def limits(self, section):
        """Lowest and highest pressure, and the counts at them."""
        low_pa, high_pa = span_pa(section["range"])
        low, high = LIMITS[section.get("transfer", "A")]
        return low_pa, high_pa, low, high

    def marks_repeat(self, conversion):
        return conversion == self.fetched or self.fault == "stale"

    def read(self, n):
        self.answer()
        if n < 2 or n > 4:
            raise Nack()
        conversion = self.clock.now_us() // CONVERSION_US
        status = 2 if self.marks_repeat(conversion) else 0
        self.fetched = conversion
        if status == 0 or self.count is None:
            self.count = self.count_of(self.pressure_pa())
        if self.fault == "part":
            status = 3
        elif self.fault == "command":
            status = 1
        count = self.fixed_count if self.fixed_count is not None else self.count
        raw = int((self.temperature_c() + 50) * 2047 / 200 + 0.5)
        # The low five bits of the last byte are no data: here they are set, so that nobody trusts them.
        frame = bytes(((status << 6) | (count >> 8), count & 0xFF, raw >> 3, ((raw & 7) << 5) | 0x1F))
        return frame[:n]

    def count_of(self, pressure_pa):
        share = (pressure_pa - self.low_pa) / (self.high_pa - self.low_pa)
        count = int(self.low + share * (self.high - self.low) + 0.5)
        return min(max(count, 0), 16383)

    def write(self, data):
        self.answer()
        raise Nack()  # it takes no command


PARTS = {"HSC": Hsc, "SSC": Hsc}

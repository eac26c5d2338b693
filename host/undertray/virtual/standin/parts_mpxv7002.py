"""NXP MPXV7002DP behind an ADC pin: 0.5 to 4.5 V at 5 V, a divider, 12 bits with a little noise.

``fault``: "absent" (no supply: 0 V).
"""

from parts import Part


class Mpxv7002(Part):
    def __init__(self, clock, pressure_pa, section):
        super().__init__(clock, pressure_pa, section)
        self.supply = section.get("supply_mv", 5000) / 1000
        self.divider = section.get("divider", 1)
        self.reference = section.get("reference_mv", 3300) / 1000
        self.asked = 0

    def volts(self):
        """At the pin."""
        if self.fault == "absent":
            return 0.0
        out = self.supply * (0.2 * self.pressure_pa() / 1000 + 0.5)
        return min(max(out, 0.1 * self.supply), 0.9 * self.supply) / self.divider

    def read_u16(self):
        # Sixteen steps over one code, evenly: the mean of 16 reads is finer than one code.
        self.asked += 1
        dither = (self.asked * 7 % 16 + 0.5) / 16 - 0.5
        code = int(self.volts() / self.reference * 4095 + dither + 0.5)
        code = min(max(code, 0), 4095) if self.fixed_count is None else self.fixed_count
        return (code << 4) | (code >> 8)


PARTS = {"MPXV7002DP": Mpxv7002}

"""TE MS4525DO on the virtual bus: as HSC, but its output is a share of 16383, and what repeats is marked."""

from parts import span_pa
from parts_hsc import Hsc

SHARES = {"A": (0.1, 0.8), "B": (0.05, 0.9)}


class Ms4525do(Hsc):
    """``fault`` "sleeping": a part that measures only when told to."""

    def limits(self, section):
        code = section["range"]  # 001DP: P for psi is the last letter
        low_pa, high_pa = span_pa(code[:-2] + code[-1] + code[-2])
        offset, share = SHARES[section.get("transfer", "A")]
        return low_pa, high_pa, offset * 16383, (offset + share) * 16383

    def marks_repeat(self, conversion):
        return self.fault == "sleeping" or super().marks_repeat(conversion)


PARTS = {"MS4525DO": Ms4525do}

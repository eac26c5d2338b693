"""All Sensors DLVR on the virtual bus: as HSC, with 1.25 of its span in 16384 counts."""

from parts_hsc import Hsc

INCH_PA = 249.089


class Dlvr(Hsc):
    def limits(self, section):
        code = section["range"]  # L10D
        reach = float(code[1:-1]) * INCH_PA
        return (-reach if code[-1] == "D" else 0.0), reach, 0.1 * 16384, 0.9 * 16384


PARTS = {"DLVR": Dlvr}

"""What every model of a part has: what it measures, and the faults that can be laid on it.

A family lives in ``parts_<family>.py`` and says in ``PARTS`` which names of board.json it stands for.
``section`` is the column's entry of board.json.
"""

from bus import Nack

POWER_UP_US = 5000  # deaf for the first milliseconds, from memory

_UNITS_PA = {"M": 100.0, "B": 100000.0, "K": 1000.0, "N": 249.089, "P": 6894.757}


class Part:
    """``fault``: None, "absent", or a word that the family's file explains (such as "part", "stale", "crc")."""

    def __init__(self, clock, pressure_pa, section):
        self.clock = clock
        self.pressure_pa = pressure_pa
        self.section = section
        self.fault = None
        self.fixed_count = None
        self.count = None
        self.nacks = 0
        self.holds_sda = False  # behind a multiplexer: holds the bus while its channel is on
        self.late_us = POWER_UP_US

    def present(self):
        return self.fault != "absent" and self.clock.now_us() >= self.late_us

    def answer(self):
        """Raise Nack where the part would not acknowledge its address."""
        if self.nacks > 0:
            self.nacks -= 1
            raise Nack()
        if not self.present():
            raise Nack()

    def temperature_c(self):
        return 25.0

    def restart(self):
        """A dip of the supply."""


def span_pa(code):
    size = float(code[:-2]) * _UNITS_PA[code[-2]]
    return (-size if code[-1] == "D" else 0.0), size


def models():
    """All families, by the part name of board.json."""
    found = {}
    for family in FAMILIES:
        found.update(__import__("parts_" + family).PARTS)
    return found


FAMILIES = (
    "hsc",
    "sdp",
    "abp2",
    "dlh",
    "dlvr",
    "ms4525do",
    "ms5525dso",
    "mpxv7002",
    "tca9548a",
)

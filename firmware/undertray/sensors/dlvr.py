"""All Sensors DLVR: 14 bits, free-running, plain read.

inH2O = 1.25 * span * (count - offset) / 2**14 with offset 0.5 of the counts for a differential part
(ArduPilot's driver DLVR) and 0.1 for a gauge part (as its sister DLH has it, from memory): in both
the range lies between 10 and 90 %.
"""

from undertray.sensors import known, straight, water_span_pa
from undertray.sensors.bridge14 import Bridge14

__all__ = ["Driver"]

_COUNTS = 16384


class Driver(Bridge14):
    """One DLVR. Its range is the code of the order number, such as L10D: 10 inH2O, differential."""

    def __init__(self, bus, address, options):
        known(options, ())
        span = water_span_pa(options.get("range"))
        super().__init__(bus, address, options, straight(_COUNTS / 10, _COUNTS * 9 / 10, span))

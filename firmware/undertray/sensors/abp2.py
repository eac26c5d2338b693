"""Honeywell ABP2: 24 bits, triggered, about 5 ms a conversion.

Command AA 00 00, status, count limits (10 to 90 % of 2**24) and temperature as in the Linux driver
abp2030pa.c: 0x40 is good, 0x60 busy, anything else a fault. T = raw * 200 / (2**24 - 1) - 50.
"""

from undertray.sensors import known, span_pa, straight
from undertray.sensors.triggered24 import Triggered24

__all__ = ["Driver"]

_COMMAND = b"\xaa\x00\x00"
_WAIT_MS = 5


class Driver(Triggered24):
    """One ABP2."""

    def __init__(self, bus, address, options):
        known(options, ())
        scale = straight(1677722, 15099494, span_pa(options.get("range")))
        super().__init__(bus, address, options, scale, _COMMAND, _WAIT_MS, 24, 0xFF, 20000, 5000)

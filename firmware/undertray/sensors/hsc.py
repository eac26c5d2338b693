"""Honeywell TruStability HSC and SSC: 14 bits, free-running, plain read.

Count limits of the four transfer functions as in the Linux driver hsc030pa.c.
"""

from undertray.sensors import choice, known, span_pa, straight
from undertray.sensors.bridge14 import Bridge14

__all__ = ["Driver"]

_LIMITS = {"A": (1638, 14746), "B": (819, 15565), "C": (819, 13926), "F": (655, 15401)}


class Driver(Bridge14):
    """One HSC or SSC."""

    def __init__(self, bus, address, options):
        known(options, ("transfer",))
        low, high = _LIMITS[choice(options, "transfer", "A", _LIMITS)]
        super().__init__(bus, address, options, straight(low, high, span_pa(options.get("range"))))

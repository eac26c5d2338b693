"""All Sensors DLH and DLHR: 16 to 18 bits in 24, triggered, single or averaged.

Commands and status as in the data sheet DS-0355, p. 5-6; output as in the public library
AllSensors_DLHR: inH2O = 1.25 * span * (count - offset) / 2**24, offset 0.5 (differential) or 0.1 (gauge)
of 2**24, so the range lies between 10 and 90 %. T = raw * 125 / 2**24 - 40. Bits below the calibrated
width are undefined and are shifted out.
"""

from undertray.sensors import choice, known, straight, water_span_pa
from undertray.sensors.triggered24 import Triggered24

__all__ = ["Driver"]

# Only these are ever sent: other bytes are said to change what the part keeps (public test sketch).
_COMMANDS = {
    1: b"\xaa\x00\x00",
    2: b"\xac\x00\x00",
    4: b"\xad\x00\x00",
    8: b"\xae\x00\x00",
    16: b"\xaf\x00\x00",
}
# One conversion in ms, rounded up: 16 bits 2.8 (AllSensors_DLHR), 18 bits 4.1 (comment of a public
# driver), 17 bits in between (from memory).
_WAIT_MS = {16: 3, 17: 4, 18: 5}
_MASK = 0xE7  # bits 4 and 3 tell the mode


class Driver(Triggered24):
    """One DLH or DLHR. Its range is the code of the order number, such as L10D."""

    def __init__(self, bus, address, options):
        known(options, ("bits", "average"))
        bits = choice(options, "bits", 16, _WAIT_MS)
        average = choice(options, "average", 1, _COMMANDS)
        full = 1 << bits
        scale = straight(full / 10, full * 9 / 10, water_span_pa(options.get("range")))
        wait_ms = _WAIT_MS[bits] * average
        super().__init__(bus, address, options, scale, _COMMANDS[average], wait_ms, bits, _MASK, 12500, 4000)

# ruff: noqa: F821
"""The processor, where the firmware reaches past MicroPython: addresses of its registers.

RP2040 data sheet, 2.2 (address map), and RP2350 data sheet, 2.2.
"""

import sys

import micropython

__all__ = ["FRAME", "SENDING", "i2c_blocks", "on_chip", "usb_state"]

FRAME = 0x7FF
SENDING = 0x800

_I2C = {"RP2040": (0x40044000, 0x40048000), "RP2350": (0x40090000, 0x40098000)}


def i2c_blocks():
    """Register addresses of the two I2C blocks, or None on a processor that is not known."""
    name = getattr(sys.implementation, "_machine", "")
    for chip, blocks in _I2C.items():
        if chip in name:
            return blocks
    return None


def on_chip():
    """Whether the registers are there: on a PC, where the tests run, they are not."""
    return i2c_blocks() is not None


@micropython.viper
def usb_state() -> int:
    """FRAME: number of the host's last frame, one a millisecond. SENDING: a packet waits to be fetched.

    SOF_RD, and the buffer control of endpoint 2 IN, bit 10 (RP2040 data sheet, 4.1.4): the end point on which
    MicroPython's serial port sends. SIE_STATUS has a bit for a bus that sleeps, and MicroPython's own
    interrupt clears it at once.
    """
    usb = ptr32(0x50110048)
    buffers = ptr32(0x50100090)
    return (int(usb[0]) & 0x7FF) | ((int(buffers[0]) & 0x400) << 1)

"""I2C buses and the multiplexer: open them, clock a hung bus free, switch channels."""

import time

from machine import I2C, Pin
from micropython import const

__all__ = ["Bus", "Mux", "MuxChannel"]

_TIMEOUT_US = 2000
_CLOCKS = 9
_TIMED_OUT = const(110)
# What a multiplexer is switched to, besides a channel.
_OFF = const(-1)
_UNKNOWN = const(-2)


class Bus:
    """One I2C controller and its pins.

    ``i2c`` is what drivers talk to. Opening a controller again gives the same object (the port
    keeps one for each), so drivers need not be told.
    """

    def __init__(self, number, sda_pin, scl_pin, freq_khz):
        self.number = number
        self._sda = sda_pin
        self._scl = scl_pin
        self._freq = freq_khz * 1000
        self.hung = False
        self.clock_held = False
        self.muxes = []
        self.i2c = None
        self.free()

    def free(self):
        """Clock out a part that holds SDA, then open the controller; False if a line stays low.

        A board reset in the middle of a read leaves the part waiting for the rest of its clocks. A
        byte and its acknowledge are nine; with SDA released the part takes the next as no
        acknowledge and lets go, and a stop ends it. At most 0.2 ms. Against a held SCL there is no remedy
        but the reset of a multiplexer, if the part is behind it.
        """
        sda = Pin(self._sda, Pin.OPEN_DRAIN, value=1)
        scl = Pin(self._scl, Pin.OPEN_DRAIN, value=1)
        clocks = 0
        while scl.value() and not sda.value() and clocks < _CLOCKS:
            scl.value(0)
            time.sleep_us(5)
            scl.value(1)
            time.sleep_us(5)
            clocks += 1
        if clocks:
            scl.value(0)
            sda.value(0)
            time.sleep_us(5)
            scl.value(1)
            time.sleep_us(5)
            sda.value(1)
            time.sleep_us(5)
        for mux in self.muxes:
            mux.reset()
        # Looked at only now: a part behind a multiplexer is cut off by its reset.
        self.clock_held = not scl.value()
        free = bool(sda.value()) and not self.clock_held
        self.i2c = I2C(
            self.number, sda=Pin(self._sda), scl=Pin(self._scl), freq=self._freq, timeout=_TIMEOUT_US
        )
        self.hung = not free
        return free


class Mux:
    """A TCA9548A: one control byte, a bit a channel, and the channel connects after the stop.

    Only one channel of all the multiplexers of a bus is ever on, so parts of the same address
    never answer together.
    """

    def __init__(self, bus, address, reset_pin=None):
        self.bus = bus
        self.address = address
        self.selected = _UNKNOWN  # a restart of the board alone leaves it as it was
        self._off = b"\x00"
        self._reset = None if reset_pin is None else Pin(reset_pin, Pin.OUT, value=1)
        bus.muxes.append(self)

    def reset(self):
        """All channels off, by its reset pin where one is wired."""
        self.selected = _UNKNOWN
        if self._reset is not None:
            self._reset.value(0)
            time.sleep_us(1)
            self._reset.value(1)
            self.selected = _OFF

    def leave(self):
        """Switch all channels off. One that does not answer has no supply, and connects nothing."""
        self.selected = _OFF
        try:
            self.bus.i2c.writeto(self.address, self._off)
        except OSError as error:
            if error.errno == _TIMED_OUT:
                raise

    def select(self, channel, byte):
        """Switch one channel on, and the other multiplexers of the bus off."""
        for other in self.bus.muxes:
            if other is not self and other.selected != _OFF:
                other.leave()
        self.selected = _UNKNOWN
        self.bus.i2c.writeto(self.address, byte)
        self.selected = channel


class MuxChannel:
    """One channel of a multiplexer, used like the bus itself."""

    def __init__(self, mux, channel):
        self.mux = mux
        self.channel = channel
        self._byte = bytes((1 << channel,))

    def verify(self):
        """Select and read the control byte back: None, or a sentence saying what is wrong."""
        back = bytearray(1)
        try:
            self.mux.select(self.channel, self._byte)
            self.mux.bus.i2c.readfrom_into(self.mux.address, back)
        except OSError:
            return "multiplexer 0x{:02x} does not answer".format(self.mux.address)
        if back[0] != self._byte[0]:
            return "multiplexer 0x{:02x} did not switch to channel {}".format(self.mux.address, self.channel)
        return None

    def readfrom_into(self, address, buf):
        mux = self.mux
        if mux.selected != self.channel:
            mux.select(self.channel, self._byte)
        try:
            mux.bus.i2c.readfrom_into(address, buf)
        except OSError:
            mux.selected = _UNKNOWN  # perhaps it lost its supply, and with it the channel
            raise

    def writeto(self, address, buf):
        mux = self.mux
        if mux.selected != self.channel:
            mux.select(self.channel, self._byte)
        try:
            return mux.bus.i2c.writeto(address, buf)
        except OSError:
            mux.selected = _UNKNOWN
            raise

    def scan(self):
        self.mux.select(self.channel, self._byte)
        return [found for found in self.mux.bus.i2c.scan() if found != self.mux.address]

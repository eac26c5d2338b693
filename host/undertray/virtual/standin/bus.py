"""The virtual I2C bus: parts by address, no answer, a line held low.

A part has ``read(n)`` giving bytes, ``write(data)`` and ``present()``; the first two may raise ``Nack``. A
multiplexer also has ``find(address)`` and ``attach(channel, address, part)``.
"""

EIO = 5
ETIMEDOUT = 110


class Nack(Exception):
    """The part does not acknowledge."""


class VirtualBus:
    def __init__(self, clock):
        self.clock = clock
        self.parts = {}
        self.held_clocks = 0  # SCL pulses that a part needs before it lets go of SDA
        self.freq = 400000
        self.timeout_us = 2000
        self.transactions = 0
        self.call_us = 27
        self.before = None  # called with the time ahead of every transaction

    def attach(self, address, part):
        self.parts[address] = part

    def hold(self, clocks):
        """A part holds SDA until it has seen ``clocks`` more pulses (-1: for good)."""
        self.held_clocks = clocks

    def pulse(self):
        """One SCL pulse made by hand."""
        if self.held_clocks > 0:
            self.held_clocks -= 1

    def _begin(self, n):
        """Time on the wire: start, address and ``n`` bytes with their acknowledge, stop."""
        self.transactions += 1
        if self.before is not None:
            self.before(self.clock.now_us())
        if self.held_clocks:
            self.clock.spend(self.timeout_us)
            raise OSError(ETIMEDOUT, "ETIMEDOUT")
        self.clock.spend(((2 + 9 * (1 + n)) * 1000000 + self.freq - 1) // self.freq + self.call_us)

    def _find(self, address):
        part = self.parts.get(address)
        if part is not None:
            return part
        for through in self.parts.values():
            if hasattr(through, "find"):  # a multiplexer passes the address on
                part = through.find(address)
                if part is not None:
                    return part
        raise OSError(EIO, "EIO")

    def read(self, address, n):
        self._begin(n)
        try:
            return self._find(address).read(n)
        except Nack:
            raise OSError(EIO, "EIO")

    def write(self, address, data):
        self._begin(len(data))
        try:
            self._find(address).write(data)
        except Nack:
            raise OSError(EIO, "EIO")

    def scan(self):
        found = []
        if self.held_clocks:
            return found
        for address in range(0x08, 0x78):
            try:
                part = self._find(address)
                if not hasattr(part, "present") or part.present():
                    found.append(address)
            except (OSError, Nack):
                pass
        return found

"""The virtual I2C bus: parts by address, no answer, a line held low.

A part has ``read(n)`` giving bytes, ``write(data)`` and ``present()``; the first two may raise ``Nack``. A
multiplexer also has ``find(address)``, ``holds()`` and ``attach(channel, address, part)``.
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

    def held(self):
        """Whether SDA is held low: by a part on it, or by one behind a channel that is on."""
        if self.held_clocks:
            return True
        for part in self.parts.values():
            if hasattr(part, "holds") and part.holds():
                return True
        return False

    def _begin(self, n):
        """Time on the wire: start, address and ``n`` bytes with their acknowledge, stop."""
        self.transactions += 1
        if self.before is not None:
            self.before(self.clock.now_us())
        if self.held():
            self.clock.spend(self.timeout_us)
            raise OSError(ETIMEDOUT, "ETIMEDOUT")
        self.clock.spend(((2 + 9 * (1 + n)) * 1000000 + self.freq - 1) // self.freq + self.call_us)

    def _find(self, address):
        """All parts that listen to this address; more than one is a clash."""
        found = [self.parts[address]] if address in self.parts else []
        for through in self.parts.values():
            if hasattr(through, "find"):  # a multiplexer passes the address on
                found += through.find(address)
        return found

    def read(self, address, n):
        self._begin(n)
        data = None
        for part in self._find(address):
            try:
                got = part.read(n)
            except Nack:
                continue
            # The line is low when anyone pulls it low, so two answers come as their common ones.
            data = got if data is None else bytes([data[i] & got[i] for i in range(n)])
        if data is None:
            raise OSError(EIO, "EIO")
        return data

    def write(self, address, data):
        self._begin(len(data))
        taken = False
        for part in self._find(address):
            try:
                part.write(data)
                taken = True
            except Nack:
                pass
        if not taken:
            raise OSError(EIO, "EIO")

    def scan(self):
        if self.held():
            return []
        return [
            address for address in range(0x08, 0x78) if any([part.present() for part in self._find(address)])
        ]

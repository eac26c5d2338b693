"""Ports for the firmware on a PC: a scripted host in simulated time, pipes otherwise."""

import sys

IN = 1
OUT = 4


class ScriptedPort:
    """A host that says its lines at their times, and reads except when it is deaf.

    ``{n}`` in a line is the number that the board gave out last; a line that begins with ``!`` is sent without
    that and with the check at its end.
    """

    def __init__(self, clock, script, deaf_us, garbage=None):
        self.clock = clock
        self.script = [(at, text.encode() if isinstance(text, str) else bytes(text)) for at, text in script]
        self.deaf_us = deaf_us
        self.garbage = Garbage(garbage) if garbage else None
        self.pending = b""
        self.taken = 0
        self.answers = any(b"{n}" in text for _, text in self.script)
        self.number = b""
        self.tail = b""
        self.out = sys.stdout.buffer

    def ready(self):
        now = self.clock.now_us()
        if self.taken >= len(self.pending):
            self.pending = b""
            self.taken = 0
            while self.script and self.script[0][0] <= now:
                self.pending += self._sealed(self.script.pop(0)[1]) + b"\n"
            if self.garbage is not None:
                self.pending += self.garbage.until(now)
        state = IN if self.pending else 0
        for start, end in self.deaf_us:
            if start <= now < end:
                return state
        return state | OUT

    def read(self):
        byte = self.pending[self.taken]
        self.taken += 1
        return byte

    def write(self, buf, start, n):
        piece = bytes(buf[start : start + n])
        self.out.write(piece)
        self.hear(piece)
        return n

    def hear(self, piece):
        """Take note of a number that the board gives out."""
        if not self.answers:
            return
        self.tail = (self.tail + piece)[-200:]
        at = self.tail.rfind(b'"number":') + 9
        if at > 8 and b"," in self.tail[at:]:
            self.number = self.tail[at:].split(b",")[0].rstrip(b"}")

    def _sealed(self, line):
        line = line.replace(b"{n}", self.number)
        if not line.startswith(b"!"):
            return line
        value = 0xFFFF
        for byte in line[1:]:
            value ^= byte << 8
            for _ in range(8):
                value = ((value << 1) ^ 0x1021 if value & 0x8000 else value << 1) & 0xFFFF
        return line[1:] + b",%04x" % value


class Garbage:
    """Random lines, some of them begun like a command: the same from the same seed everywhere.

    ``lines`` of them, one every ``every_us`` from ``from_us`` on; ``words`` to begin with, ``lengths`` to have.
    """

    def __init__(self, spec):
        self.spec = spec
        self.state = spec["seed"]
        self.said = 0

    def next(self, n):
        # Constants of the linear congruential generator in Numerical Recipes, 3rd edition, section 7.1.
        self.state = (self.state * 1664525 + 1013904223) & 0xFFFFFFFF
        return (self.state >> 8) % n

    def until(self, now):
        spec = self.spec
        out = b""
        while self.said < spec["lines"] and spec["from_us"] + self.said * spec["every_us"] <= now:
            self.said += 1
            n = spec["lengths"][self.next(len(spec["lengths"]))]
            line = bytes([self.next(256) for _ in range(n)])
            if self.next(3) == 0:
                line = spec["words"][self.next(len(spec["words"]))].encode() + b" " + line
            out += line.replace(b"\n", b"n").replace(b"\r", b"r") + b"\n"
        return out


class Overheard:
    """A port that calls ``began`` when the host says ``start``, on its way to the firmware."""

    def __init__(self, port, began):
        self.ready = port.ready
        self.write = port.write
        self._read = port.read
        self._began = began
        self._line = b""

    def read(self):
        byte = self._read()
        if byte == 10 or byte == 13:
            if self._line.strip() == b"start":
                self._began()
            self._line = b""
        elif len(self._line) <= 8:
            self._line += bytes([byte])
        return byte


def pipe_port():
    """MicroPython's own port, which ends the program when its host has gone."""
    from undertray.link import Port

    class PipePort(Port):
        def ready(self):
            found = 0
            for item in self._poller.ipoll(0):
                found |= item[1]
            # A pipe whose other end is closed may tell only that: then reading shows its end.
            return (found & 5) | (IN if found & 0x18 else 0)

        def read(self):
            byte = Port.read(self)
            if byte < 0:
                raise SystemExit(0)
            return byte

    return PipePort()

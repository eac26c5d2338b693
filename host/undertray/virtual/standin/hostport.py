"""Ports for the firmware on a PC: a scripted host in simulated time, pipes otherwise."""

import sys

IN = 1
OUT = 4


class ScriptedPort:
    """A host that says its lines at their times, and reads except when it is deaf."""

    def __init__(self, clock, script, deaf_us):
        self.clock = clock
        self.script = [(at, text.encode() if isinstance(text, str) else bytes(text)) for at, text in script]
        self.deaf_us = deaf_us
        self.pending = b""
        self.out = sys.stdout.buffer

    def ready(self):
        now = self.clock.now_us()
        while self.script and self.script[0][0] <= now:
            self.pending += self.script.pop(0)[1] + b"\n"
        state = IN if self.pending else 0
        for start, end in self.deaf_us:
            if start <= now < end:
                return state
        return state | OUT

    def read(self):
        byte = self.pending[0]
        self.pending = self.pending[1:]
        return byte

    def write(self, buf, start, n):
        self.out.write(bytes(buf[start : start + n]))
        return n


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

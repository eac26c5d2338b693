"""Width of the servo pulse to the fan controllers, as the receiver sends it."""

import time

import micropython
import rp2
from machine import Pin
from micropython import const

from undertray.chip import on_chip
from undertray.pulse_pio import CLOCK_HZ, pulse_width

__all__ = ["Absent", "EdgeReader", "PioReader", "open_throttle"]

_LOST_US = const(100_000)
_FIFO = const(8)


class Absent:
    """No throttle pin is wired: the column stays empty."""

    wired = direct = False
    limits_us = (0, 0)

    def read(self, _now):
        return 0


class _Reader:
    """Keeps the last good width, and forgets it 100 ms after the pulse that brought it."""

    wired = True
    direct = False  # whether the sampler fetches the widths itself, from the registers

    def __init__(self, shortest_us, longest_us):
        self.limits_us = (shortest_us, longest_us)
        self._shortest = shortest_us
        self._longest = longest_us
        self._width = 0
        self._seen = 0

    def _latest(self):
        """The last width since it was asked for, 0 when there is none."""
        return 0

    @micropython.native
    def read(self, now):
        """Width of the last pulse in microseconds, 0 when none came in the last 100 ms."""
        width = self._latest()
        if width:
            self._width = width
            self._seen = now
        elif self._width and time.ticks_diff(now, self._seen) > _LOST_US:
            self._width = 0
        return self._width


class PioReader(_Reader):
    """A state machine measures; nothing runs on the processor until it is asked."""

    def __init__(self, pin, shortest_us, longest_us, number):
        super().__init__(shortest_us, longest_us)
        line = Pin(pin, Pin.IN, Pin.PULL_DOWN)
        self._machine = rp2.StateMachine(number, pulse_width, freq=CLOCK_HZ, in_base=line, jmp_pin=line)
        self._machine.active(1)
        self.direct = on_chip()

    @micropython.native
    def _latest(self):
        # A full queue drops new words, so it is emptied every time and the last one kept.
        machine = self._machine
        if not machine.rx_fifo():
            return 0
        found = 0
        left = _FIFO
        while left and machine.rx_fifo():
            width = machine.get()
            if self._shortest <= width <= self._longest:
                found = width
            left -= 1
        return found


class EdgeReader(_Reader):
    """Pin interrupt on both edges, for a board whose state machines are taken."""

    def __init__(self, pin, shortest_us, longest_us, _number):
        super().__init__(shortest_us, longest_us)
        self._rise = time.ticks_us()
        self._high = False
        self._fresh = 0
        self._line = Pin(pin, Pin.IN, Pin.PULL_DOWN)
        handler = self._edge  # bound once: binding in the interrupt would allocate
        self._line.irq(handler, Pin.IRQ_RISING | Pin.IRQ_FALLING, hard=True)

    def _edge(self, line):
        level = line.value()
        now = time.ticks_us()
        if level:
            self._rise = now
            self._high = True
        elif self._high:
            self._high = False
            width = time.ticks_diff(now, self._rise)
            if self._shortest <= width <= self._longest:
                self._fresh = width

    def _latest(self):
        width = self._fresh
        self._fresh = 0
        return width


def open_throttle(section, number=0):
    """The reader that board.json asks for; ``number`` is that of the fan, 0 or 1."""
    if section is None or section.get("direction") == "output":
        return Absent()
    kind = PioReader if section["reader"] == "pio" else EdgeReader
    return kind(section["pin"], section["shortest_us"], section["longest_us"], number)

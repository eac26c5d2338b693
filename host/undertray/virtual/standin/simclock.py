"""The one clock of the stand-in: real, or simulated and then moved only by what costs time.

Simulated time makes a run repeatable to the byte: asking for the time, a bus transaction, a pause
and idling each move it on by a modelled cost, and nothing else does.
"""

import utime

# Modelled costs on an RP2040 at 125 MHz, in microseconds. The loop looks at the clock once a turn, and
# a turn with nothing to do takes some dozens of them (an estimate, not measured). One 4-byte read takes
# 145 of which the bus has 118 (by an emulated board), so 27 are left for the call.
TICKS_US = 20
CALL_US = 27
IDLE_US = 200
# Real time: what one look at the clock yields to other processes, so that a loop that spins on a
# board does not take a whole core here.
YIELD_S = 0.00002


class Clock:
    def __init__(self):
        self.simulated = False
        self.end_us = None
        self.offset_us = 0
        self._now_us = 0
        self._zero_us = self._real()
        self.watchers = []
        self._held_us = None

    def _real(self):
        # CPython's clock in the twin, MicroPython's own otherwise.
        if hasattr(utime, "monotonic_ns"):
            return utime.monotonic_ns() // 1000
        return utime.ticks_us()

    def simulate(self, end_us=None):
        self.simulated = True
        self.end_us = end_us
        self._now_us = 0

    def now_us(self):
        """Microseconds since power-up, never wrapped."""
        if self._held_us is not None:
            return self._held_us
        if self.simulated:
            return self._now_us
        return self._real() - self._zero_us

    def look(self):
        """The time as the firmware asks for it."""
        if self._held_us is not None:
            return self._held_us
        if self.simulated:
            self.spend(TICKS_US)
            return self._now_us
        utime.sleep(YIELD_S)
        now = self._real() - self._zero_us
        for watcher in self.watchers:
            watcher(now)
        return now

    def at(self, us, call, argument):
        """Call as if it were ``us``: an interrupt that came while something else took time."""
        self._held_us = us
        try:
            call(argument)
        finally:
            self._held_us = None

    def spend(self, us):
        """Time that passes because something was done; nothing in real time, where it passes by itself."""
        if self.simulated:
            self._now_us += us
            for watcher in self.watchers:
                watcher(self._now_us)
            if self.end_us is not None and self._now_us >= self.end_us:
                raise SystemExit(0)

    def pause(self, us):
        if self.simulated:
            self.spend(us)
        elif us > 0:
            utime.sleep(us / 1000000)


CLOCK = Clock()

"""Absolute deadlines on a clock that wraps."""

import time

import micropython
from micropython import const

__all__ = ["Pacer"]

_SECOND_US = const(1_000_000)


class Pacer:
    """Deadlines of the sample slots: slot k is due at begin + k / rate, whatever happened before.

    The part of a microsecond that the period leaves over is carried, so the rate is exact.
    """

    def __init__(self):
        self.due = time.ticks_us()
        self._rate = 1
        self._period = _SECOND_US
        self._rest = 0
        self._sum = 0

    def set_rate(self, rate_hz):
        self._rate = rate_hz
        self._period = _SECOND_US // rate_hz
        self._rest = _SECOND_US % rate_hz

    def begin(self, now):
        self.due = now
        self._sum = 0

    @micropython.native
    def step(self):
        """Go on to the next slot."""
        period = self._period
        self._sum += self._rest
        if self._sum >= self._rate:
            self._sum -= self._rate
            period += 1
        self.due = time.ticks_add(self.due, period)

    @micropython.native
    def pass_over(self, now):
        """Leave out the slots whose whole period is over; gives their number."""
        passed = 0
        late = time.ticks_diff(now, self.due)
        while late >= _SECOND_US + self._period:
            self.due = time.ticks_add(self.due, _SECOND_US)
            passed += self._rate
            late -= _SECOND_US
        while late > self._period:
            self.step()
            passed += 1
            late = time.ticks_diff(now, self.due)
        return passed

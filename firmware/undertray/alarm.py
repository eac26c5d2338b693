# ruff: noqa: F821
"""The alarm output: LED and buzzer, from the mean suction of the taps, with no host needed.

It sounds when the mean falls below ``alarm_pa``, or by more than ``alarm_drop_pa`` within 100 ms,
while the throttle is up; and when no tap can be read at all. Whole numbers only: suction is
counted in sixteenths of a pascal.
"""

import time
from array import array

import micropython
from machine import Pin
from micropython import const

__all__ = ["Alarm", "plan"]

_FIELDS = const(4)
# Kept values are lifted above zero, so that they need no sign.
_LIFT = const(1 << 28)


def plan(columns):
    """What turns counts into sixteenths of a pascal: zero, right shift, factor, right shift a column.

    Suction = ((count - zero) >> a) * factor >> b, and the product stays below 2**29: the
    difference has at most 15 bits after the first shift, the factor 14. A column without a straight
    line (the host compensates it) and without ``alarm_scale`` gets factor 0 and is left out.
    """
    out = array("i", [0] * (_FIELDS * len(columns)))
    for i, column in enumerate(columns):
        told = column.sensor.describe()
        scale = told.get("alarm_scale", told["scale"])
        if "pa_per_count" not in scale:
            continue
        reach = max(abs(scale["max"] - scale["zero"]), abs(scale["min"] - scale["zero"]))
        coarse = 0
        while reach >= 32768:
            reach /= 2
            coarse += 1
        factor = scale["pa_per_count"] * 16 * (1 << coarse)
        fine = 0
        while factor < 8192:
            factor *= 2
            fine += 1
        sign = -1 if column.section["port"] == "high" else 1
        out[_FIELDS * i] = int(scale["zero"] + 0.5)
        out[_FIELDS * i + 1] = coarse
        out[_FIELDS * i + 2] = sign * int(factor + 0.5)
        out[_FIELDS * i + 3] = fine
    return out


@micropython.viper
def _total(counts, status, steps, work, age, n: int) -> int:
    """Sum of the columns read lately, in sixteenths of a pascal.

    ``work`` holds 0: how many slots "lately" is, 1: how many columns are in the sum (written), 2: place in
    the past, 3 and on: the last reading of each column, lifted. ``age`` counts the slots since it was read.
    """
    halves = ptr16(counts)
    states = ptr8(status)
    step = ptr16(steps)
    space = ptr32(work)
    ages = ptr8(age)
    lately = int(space[0])
    used = 0
    total = 0
    i = 0
    while i < n:
        # By halves, with the sign put back: a 32-bit load has none on a 64-bit interpreter.
        factor = int(step[8 * i + 5])
        if factor & 0x8000:
            factor -= 0x10000
        factor = (factor << 16) | int(step[8 * i + 4])
        if states[i] < 3 and factor != 0:
            zero = int(step[8 * i + 1])
            if zero & 0x8000:
                zero -= 0x10000
            zero = (zero << 16) | int(step[8 * i])
            high = int(halves[2 * i + 1])
            if high & 0x8000:
                high -= 0x10000
            count = (high << 16) | int(halves[2 * i])
            value = (((count - zero) >> int(step[8 * i + 2])) * factor) >> int(step[8 * i + 6])
            space[3 + i] = value + 0x10000000
            ages[i] = 0
        elif ages[i] < 255:
            ages[i] += 1
        if int(ages[i]) <= lately:
            total += int(space[3 + i]) - 0x10000000
            used += 1
        i += 1
    space[1] = used
    return total


@micropython.viper
def _highest(past, work, mean: int) -> int:
    """Highest of the last 100 ms, this one included, which takes the oldest one's place."""
    values = ptr32(past)
    space = ptr32(work)
    n = int(space[0])
    highest = mean + 0x10000000
    at = int(space[2])
    values[at] = highest
    at += 1
    if at >= n:
        at = 0
    space[2] = at
    i = 0
    while i < n:
        value = int(values[i])
        if value > highest:
            highest = value
        i += 1
    return highest - 0x10000000


class Alarm:
    """Watches the mean suction; ``update`` once a slot."""

    def __init__(self, section, columns, throttle_wired):
        self.on = False
        self._low = section["alarm_pa"] * 16
        self._fine = (section["alarm_pa"] + section["hysteresis_pa"]) * 16
        self._drop = section["alarm_drop_pa"] * 16
        self._up_us = section["throttle_up_us"]
        self._spin_up_us = section["spin_up_ms"] * 1000
        self._hold_us = section["hold_ms"] * 1000
        self._wired = throttle_wired
        pins = (section["led_pin"], section["buzzer_pin"])
        self._pins = [Pin(pin, Pin.OUT, value=0) for pin in pins if pin is not None]
        self._n = len(columns)
        self._plan = plan(columns)
        self._work = array("i", [1, 0, 0] + [_LIFT] * self._n)
        self._age = bytearray([255] * self._n)
        self._past = array("i", [_LIFT])
        self._used = 0
        self._up = False
        self._armed = False
        self._up_since = 0
        self._on_since = 0

    def set_rate(self, rate_hz):
        """The slots of the last 100 ms are looked back on (one at least)."""
        slots = max(1, min(rate_hz // 10, 250))
        self._past = array("i", [_LIFT] * slots)
        self._work[0] = slots
        self._work[2] = 0
        self._used = 0

    def _forget(self, mean):
        """Another set of taps has another mean: that is no fall of the suction."""
        self._used = self._work[1]
        for i in range(len(self._past)):
            self._past[i] = mean + _LIFT

    @micropython.native
    def _follow_throttle(self, width, now):
        """Up or down. A lost signal is not a lowered throttle: it leaves the alarm as it is."""
        up = self._up
        if not self._wired:
            up = True
        elif width:
            up = width >= self._up_us
        if up and not self._up:
            self._up_since = now
            self._armed = False
        self._up = up

    @micropython.native
    def update(self, counts, status, width, now):
        """Take a slot's counts; gives whether the output is on."""
        total = _total(counts, status, self._plan, self._work, self._age, self._n)
        self._follow_throttle(width, now)
        used = self._work[1]
        if used == 0:
            self._used = 0
            bad = True
        else:
            mean = total // used
            if used != self._used:
                self._forget(mean)
            fell = _highest(self._past, self._work, mean) - mean > self._drop
            if mean >= self._fine:
                self._armed = True
            elif self._wired and not self._armed:
                # After the time to spin up, suction that never came is an alarm too.
                self._armed = time.ticks_diff(now, self._up_since) > self._spin_up_us
            bad = fell or (self._armed and mean < (self._fine if self.on else self._low))
        if not self._up:
            self._switch(False)
        elif bad:
            self._on_since = now
            self._switch(True)
        elif self.on and time.ticks_diff(now, self._on_since) > self._hold_us:
            self._switch(False)
        return self.on

    def _switch(self, on):
        if on != self.on:
            self.on = on
            for pin in self._pins:
                pin.value(on)

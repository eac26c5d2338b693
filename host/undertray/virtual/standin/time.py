"""Stands in front of the built-in ``time``: the RP2040's 30-bit ticks, on the stand-in's clock."""

import utime
from simclock import CLOCK

PERIOD = 1 << 30
MASK = PERIOD - 1
HALF = PERIOD >> 1

time = utime.time
time_ns = utime.time_ns


def ticks_us():
    return (CLOCK.look() + CLOCK.offset_us) & MASK


def ticks_ms():
    return ((CLOCK.look() + CLOCK.offset_us) // 1000) & MASK


def ticks_add(ticks, delta):
    return (ticks + delta) & MASK


def ticks_diff(end, start):
    return ((end - start + HALF) & MASK) - HALF


def sleep_us(us):
    CLOCK.pause(us)


def sleep_ms(ms):
    CLOCK.pause(ms * 1000)


def sleep(seconds):
    CLOCK.pause(int(seconds * 1000000))

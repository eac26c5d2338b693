# ruff: noqa: F821
"""The alarm output: LED and buzzer, from the mean suction of the taps, with no host needed.

It sounds when the mean falls below ``alarm_pa``, or by more than ``alarm_drop_pa`` within 100 ms,
while the throttle is up; and when no tap can be read at all. Whole numbers only: suction is
counted in sixteenths of a pascal.
"""

from array import array

import machine
import micropython
from machine import Pin
from micropython import const

__all__ = ["Alarm", "plan", "watch"]

_FIELDS = const(4)
# Kept values are lifted above zero, so that they need no sign.
_LIFT = const(1 << 28)
_BINS = const(10)


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
def watch(counts, status, steps, work, age, width: int, now: int) -> int:
    """Follow the throttle and the sum of the columns read lately; bit 0: on, bit 1: that is new.

    ``work`` holds 0: how many slots "lately" is, 1: how many columns are in the sum, 2: slots to a bin,
    3: slots left in this bin, 4: bins, 5: this bin, 6: number of columns, 7 to 9: limit, limit and
    hysteresis, drop, all in sixteenths of a pascal, 10: whether a throttle is wired, 11: the width from which
    it is up, 12: time to spin up, 13: time to hold, 14: up, 15: since, 16: armed, 17: on, 18: bad last,
    19: the sum, lifted, then the last reading of each column and the highest sum of each bin, lifted.
    ``age`` counts the slots since a column was read.
    """
    halves = ptr16(counts)
    states = ptr8(status)
    step = ptr16(steps)
    space = ptr32(work)
    ages = ptr8(age)
    lately = int(space[0])
    n = int(space[6])
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
            space[20 + i] = value + 0x10000000
            ages[i] = 0
        elif ages[i] < 255:
            ages[i] += 1
        if int(ages[i]) <= lately:
            total += int(space[20 + i]) - 0x10000000
            used += 1
        i += 1
    space[19] = total + 0x10000000
    bins = 20 + n
    last = bins + int(space[4])
    if used != int(space[1]):
        # Another set of columns has another sum: that is no fall of the suction.
        space[1] = used
        i = bins
        while i < last:
            space[i] = total + 0x10000000
            i += 1
    at = bins + int(space[5])
    left = int(space[3]) - 1
    if left < 0:
        left = int(space[2]) - 1
        at += 1
        if at >= last:
            at = bins
        space[5] = at - bins
        space[at] = total + 0x10000000
    elif total + 0x10000000 > int(space[at]):
        space[at] = total + 0x10000000
    space[3] = left
    highest = 0
    i = bins
    while i < last:
        value = int(space[i])
        if value > highest:
            highest = value
        i += 1
    # A lost signal is not a lowered throttle: it leaves the alarm as it is.
    up = int(space[14])
    if not int(space[10]):
        up = 1
    elif width:
        up = 0
        if width >= int(space[11]):
            up = 1
    if up and not int(space[14]):
        space[15] = now
        space[16] = 0
    space[14] = up
    # The sum against so many times the limit: there is no division here.
    on = int(space[17])
    bad = 0
    if used == 0 or highest - 0x10000000 - total > used * int(space[9]):
        bad = 1
    if used and total >= used * int(space[8]):
        space[16] = 1
    elif used:
        if int(space[10]) and not int(space[16]) and ((now - int(space[15])) & 0x3FFFFFFF) > int(space[12]):
            space[16] = 1  # after the time to spin up, suction that never came is an alarm too
        if int(space[16]) and (on or total < used * int(space[7])):
            bad = 1
    now_on = on
    if not up:
        now_on = 0
    elif bad:
        space[18] = now
        now_on = 1
    elif on and ((now - int(space[18])) & 0x3FFFFFFF) > int(space[13]):
        now_on = 0
    space[17] = now_on
    if now_on != on:
        return now_on | 2
    return now_on


class Alarm:
    """Watches the mean suction; ``watch`` once a slot on ``steps``, ``work`` and ``age``."""

    def __init__(self, section, columns, throttle_wired):
        pins = (section["led_pin"], section["buzzer_pin"])
        self._pins = [Pin(pin, Pin.OUT, value=0) for pin in pins if pin is not None]
        self._light = self._pins[0] if section["led_pin"] is not None else None
        n = len(columns)
        self.steps = plan(columns)
        self.age = bytearray([255] * n)
        # As many bins as there can be: a change of the rate must not move the array.
        self.work = array("i", [1, 0, 1, 0, 1, 0, n] + [0] * 12 + [_LIFT] * (1 + n + _BINS))
        fine_pa = section["alarm_pa"] + section["hysteresis_pa"]
        for i, pa in enumerate((section["alarm_pa"], fine_pa, section["alarm_drop_pa"])):
            self.work[7 + i] = pa * 16
        self.work[10] = throttle_wired
        self.work[11] = section["throttle_up_us"]
        self.work[12] = section["spin_up_ms"] * 1000
        self.work[13] = section["hold_ms"] * 1000

    @property
    def on(self):
        return bool(self.work[17])

    def set_rate(self, rate_hz):
        """Look back on the last 100 ms: ten bins of 10 ms, or of a slot each where that is longer."""
        slots = max(1, min(rate_hz // 10, 250))
        wide = (slots + 9) // 10
        for i, value in enumerate((slots, 0, wide, 0, (slots + wide - 1) // wide, 0)):
            self.work[i] = value

    def wink(self, level):
        """Switch the light alone, where there is one and the alarm leaves it dark."""
        if self._light is not None:
            state = machine.disable_irq()
            if not self.work[17]:
                self._light.value(level)
            machine.enable_irq(state)

    def show(self, on):
        """Switch the outputs."""
        for pin in self._pins:
            pin.value(on)

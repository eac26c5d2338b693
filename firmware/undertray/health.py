"""Columns that do not read: counted, told to the host, left alone, and tried again.

A column that fails 20 times in a row is asked once a second until it answers, so that neither
its time-outs nor its exceptions cost the others their slots.
"""

import time
from array import array

from micropython import const

from undertray.sensors import NACK, SATURATED, WAIT

__all__ = ["Health"]

_FAILURES = const(20)
_SECOND_US = const(1_000_000)
_TIMED_OUT = const(110)
_ASLEEP = const(1)
_WAKING = const(2)
_DETAILS = (
    b"",
    b"bus hung",
    b"bus hung, clocked free",
    b"bus hung, clocked free, multiplexers reset",
    b"asked once a second",
    b"20 failures, asked once a second",
    b"bus hung, SCL held low",
)
_PLAIN = const(0)
_BUS_HUNG = const(1)
_BUS_FREED = const(2)
_RESTING = const(4)
_GOES_TO_REST = const(5)
_CLOCK_HELD = const(6)


class Health:
    """Failures, rest and recovery of the columns of a rig.

    What is found in a slot is only noted down there; ``tell`` sends it, outside the interrupt.
    """

    def __init__(self, rig, notes):
        n = len(rig.parts)
        self.errors = array("i", [0] * n)
        self.state = bytearray(n)  # 0: read in every slot
        self.failures = bytearray(n)  # in a row
        self.failing = False  # whether any of them may be above zero
        self.told = False  # whether somebody listens to fault notes
        self.spent = 0  # exceptions since the last collection, about 100 bytes each
        self.recovered = False
        self._rig = rig
        self._notes = notes
        self._sensors = [column.sensor for column in rig.parts]
        self._due = array("i", [0] * n)
        self._quiet = bytearray(n)
        self._found = bytearray(n)  # code of a fault that waits to be told
        self._detail = bytearray(n)
        self._found_us = array("i", [0] * n)
        self.waiting = False  # a fault is to be told

    def bus_error(self, i, errno, now):
        """A transaction failed; a hung bus is clocked free at once. Gives the code of the reading."""
        self.spent += 1
        if errno == _TIMED_OUT:
            bus = self._rig.parts[i].bus
            freed = bus is not None and bus.free()
            if freed:
                detail = _BUS_FREED + bool(bus.muxes)
            else:
                detail = _CLOCK_HELD if bus is not None and bus.clock_held else _BUS_HUNG
            self._note(i, NACK, now, detail)
            if not freed:
                self._rest_bus(bus, now)
        return NACK

    def odd(self, i, code, now):
        """Take note of a code other than a plain or a repeated reading."""
        if code == WAIT:
            return
        if code == SATURATED:
            self.failures[i] = 0
            self._note(i, code, now, _PLAIN)
            return
        self.errors[i] += 1
        if self.state[i] == _ASLEEP:
            self._note(i, code, now, _RESTING)
            return
        self.failures[i] += 1
        self.failing = True
        if self.failures[i] < _FAILURES:
            self._note(i, code, now, _PLAIN)
            return
        self._sleep(i, now)
        self._note(i, code, now, _GOES_TO_REST)

    def rouse(self, i, now, reader, counts):
        """What the slot does for a column at rest: mostly nothing. Gives the code of the reading."""
        if time.ticks_diff(now, self._due[i]) < 0:
            return WAIT
        try:
            if self.state[i] == _ASLEEP:
                pause_ms = self._sensors[i].start()
                if pause_ms:
                    self.state[i] = _WAKING
                    self._due[i] = time.ticks_add(now, pause_ms * 1000)
                    return WAIT
            code = reader(counts, i)
        except OSError as error:
            code = self.bus_error(i, error.errno, now)
        if code > WAIT:
            self._sleep(i, now)
        elif code < WAIT:
            self.state[i] = 0
            self.failures[i] = 0
            self.recovered = True  # the device note goes out again: a supply may have dipped
        return code

    def once_a_second(self):
        self.failing = max(self.failures) > 0
        i = 0
        while i < len(self._quiet):
            if self._quiet[i]:
                self._quiet[i] -= 1
            i += 1

    def _rest_bus(self, bus, now):
        """Leave all columns of a bus alone for a second."""
        i = 0
        for column in self._rig.parts:
            if column.bus is bus:
                self._sleep(i, now)
            i += 1

    def _sleep(self, i, now):
        self.state[i] = _ASLEEP
        self.failures[i] = 0
        self._due[i] = time.ticks_add(now, _SECOND_US)

    def _note(self, i, code, now, detail):
        """A fault to tell, at most one a second and column."""
        if self.told and not self._quiet[i]:
            self._detail[i] = detail
            self._found_us[i] = now
            self._found[i] = code
            self.waiting = True
            self._quiet[i] = 2  # counted down once a second: never two notes within one

    def tell(self):
        """Send the fault notes that wait."""
        self.waiting = False
        i = 0
        while i < len(self._found):
            code = self._found[i]
            if code:
                self._found[i] = 0
                if not self._notes.fault(i, code, self._found_us[i], _DETAILS[self._detail[i]]):
                    self._quiet[i] = 0
            i += 1

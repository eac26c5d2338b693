"""One sample slot: read every column, watch the alarm, write the row.

Nothing in a slot allocates while the sensors answer. A bus error makes an exception, which does:
``health.spent`` counts them, so that the loop can collect before they fill the memory.
"""

import gc
import time
from array import array

import micropython
from micropython import const

from undertray.health import Health
from undertray.notes import Notes
from undertray.sensors import STALE, WAIT
from undertray.wire import ROW_LIMIT, row

__all__ = ["ALARM", "DRIVEN", "SKIPPED", "Sampler"]

SKIPPED = const(1)
ALARM = const(2)
DRIVEN = const(4)
_SECOND_US = const(1_000_000)
_DEVICE_S = const(10)


class Sampler:
    """Reads the columns of a rig into rows on a ring, and into a store when there is one."""

    def __init__(self, rig, ring, alarm=None, store=None):
        n = len(rig.columns)
        self.rig = rig
        self.ring = ring
        self.alarm = alarm
        self.store = store
        self.notes = Notes(rig, ring)
        self.health = Health(rig, self.notes)
        self.streaming = False
        self.skipped = 0
        self.free_bytes = 0
        self.device = b""
        self.driven_us = 0  # width that the board itself sends to the fan controllers
        self.counts = array("i", [0] * n)
        self.status = bytearray([WAIT] * n)
        self.head = array("i", [0, 0, 0, 0, n])
        self._readers = [column.sensor.read_into for column in rig.columns]
        self._throttle = rig.throttle
        self._row = bytearray(ROW_LIMIT)
        self._seq = 0
        self._gap = 0
        self.rate_hz = 1
        self._to_second = 1
        self._to_device = 0
        self._weigh = False

    def set_rate(self, rate_hz):
        """Take a rate, and see whether a slot leaves time to ask how much memory is free."""
        self.rate_hz = rate_hz
        self._to_second = rate_hz
        before = time.ticks_us()
        self.free_bytes = gc.mem_free()
        self._weigh = time.ticks_diff(time.ticks_us(), before) * 4 * rate_hz < _SECOND_US
        self.device = self.rig.device_note(rate_hz)
        if self.alarm is not None:
            self.alarm.set_rate(rate_hz)

    def start(self):
        """Send rows, the device note first."""
        if not self.streaming:
            self._to_second = self.rate_hz
            self._gap = 0
        self.streaming = True
        self.health.told = True
        self._to_device = 0 if self.ring.put(self.device, len(self.device)) else _DEVICE_S

    def stop(self):
        """Send no rows; the alarm goes on."""
        self.streaming = False
        self.health.told = False

    @micropython.native
    def slot(self, now, passed):
        """Take one sample at tick ``now``; ``passed`` slots before it had to be skipped."""
        counts = self.counts
        status = self.status
        readers = self._readers
        health = self.health
        states = health.state
        failing = health.failing
        head = self.head
        flags = 0
        n = head[4]
        i = 0
        while i < n:
            if states[i]:
                code = health.rouse(i, now, readers[i], counts)
            else:
                try:
                    code = readers[i](counts, i)
                except OSError as error:
                    code = health.bus_error(i, error.errno, now)
            status[i] = code
            if code > STALE:
                health.odd(i, code, now)
            else:
                if code:
                    flags |= 256 << i
                if failing:
                    health.failures[i] = 0
            i += 1
        head[1] = now
        self._finish(now, passed, flags)

    @micropython.native
    def _finish(self, now, passed, flags):
        head = self.head
        width = self.driven_us
        if width:
            flags |= DRIVEN
        else:
            width = self._throttle.read(now)
        head[2] = width
        if self.alarm is not None and self.alarm.update(self.counts, self.status, width, now):
            flags |= ALARM
        if passed:
            self.skipped += passed
            self._gap = SKIPPED
        storing = self.store is not None and self.store.state and self.store.watch(width, now)
        if self.streaming or storing:
            seq = (self._seq + passed) & 0xFFFF
            self._seq = (seq + 1) & 0xFFFF
            head[0] = seq
            head[3] = flags | self._gap
            if storing:
                self.store.add(head, self.counts, self.status)
                self._gap = 0
            if self.streaming and self.ring.put(self._row, row(self._row, head, self.counts, self.status)):
                self._gap = 0
        self._to_second -= 1 + passed
        if self._to_second <= 0:
            self._once_a_second(now)

    def _once_a_second(self, now):
        self._to_second = self.rate_hz
        self.health.once_a_second()
        for column in self.rig.columns:
            column.sensor.want_temperature = True
        if self.store is not None:
            self.store.second(now)
        if not self.streaming:
            return
        if self._weigh:
            self.free_bytes = gc.mem_free()
        self.notes.status(now, self.skipped, self.health.errors, self.free_bytes, self.store)
        self._to_device += 1
        if self.health.recovered:
            self._to_device = _DEVICE_S
        if self._to_device >= _DEVICE_S and self.ring.put(self.device, len(self.device)):
            self._to_device = 0
            self.health.recovered = False

"""One sample slot: read every column, write the row; and what goes with it once a second.

Nothing in a slot allocates while the sensors answer. A bus error makes an exception, which does:
``spent`` counts them, so that the loop can collect before they fill the memory.
"""

import gc
import time
from array import array

import micropython
from micropython import const

from undertray.sensors import CRC, NACK, PART, SATURATED, STALE, WAIT
from undertray.wire import ROW_LIMIT, Line, row

__all__ = ["Sampler"]

_FAILURES = const(20)
_SECOND_US = const(1_000_000)
_DEVICE_S = const(10)
_TIMED_OUT = const(110)
_ASLEEP = const(1)
_WAKING = const(2)
_WHY = {NACK: b'"nack"', CRC: b'"crc"', PART: b'"part"', SATURATED: b'"saturated"'}


class Sampler:
    """Reads the columns of a rig into rows on a ring."""

    def __init__(self, rig, ring):
        n = len(rig.columns)
        self.rig = rig
        self.ring = ring
        self.streaming = False
        self.skipped = 0
        self.spent = 0
        self.free_bytes = 0
        self.device = b""
        self.flags = 0  # bits 1 and 2 of the row: set by the alarm and the bench
        self.driven_us = 0
        self.counts = array("i", [0] * n)
        self.status = bytearray([WAIT] * n)
        self.errors = array("i", [0] * n)
        self._names = [('"' + column.name + '"').encode() for column in rig.columns]
        self._sensors = [column.sensor for column in rig.columns]
        self._readers = [sensor.read_into for sensor in self._sensors]
        self._failures = bytearray(n)
        self._state = bytearray(n)
        self._due = array("i", [0] * n)
        self._told = bytearray(n)
        self._head = array("i", [0, 0, 0, 0, n])
        self._row = bytearray(ROW_LIMIT)
        self._note = Line()
        self._seq = 0
        self._gap = 0
        self._rate = 1
        self._to_status = 0
        self._to_device = 0
        self._weigh = False
        self._second_words = any("kind" in sensor.describe()["scale"] for sensor in self._sensors)

    def set_rate(self, rate_hz):
        """Take a rate, and see whether a slot leaves time to ask how much memory is free."""
        self._rate = rate_hz
        self._to_status = rate_hz
        before = time.ticks_us()
        self.free_bytes = gc.mem_free()
        self._weigh = time.ticks_diff(time.ticks_us(), before) * 4 * rate_hz < _SECOND_US
        self.device = self.rig.device_note(rate_hz)

    def start(self):
        """Send rows, the device note first."""
        if not self.streaming:
            self._to_status = self._rate
            self._gap = 0
        self.streaming = True
        self._to_device = 0 if self.ring.put(self.device, len(self.device)) else _DEVICE_S

    def stop(self):
        self.streaming = False

    @micropython.native
    def slot(self, now, passed):
        """Take one sample at tick ``now``; ``passed`` slots before it had to be skipped."""
        counts = self.counts
        status = self.status
        readers = self._readers
        states = self._state
        flags = self.flags
        n = self._head[4]
        i = 0
        while i < n:
            if states[i]:
                code = self._rouse(i, now)
            else:
                try:
                    code = readers[i](counts, i)
                except OSError as error:
                    code = self._bus_error(i, error.errno, now)
            status[i] = code
            if code == STALE:
                flags |= 256 << i
            elif code > STALE:
                self._odd(i, code, now)
            if code < WAIT:
                self._failures[i] = 0
            i += 1
        if passed:
            self.skipped += passed
            self._gap = 1
        if self.streaming:
            self._send(now, passed, flags)

    @micropython.native
    def _send(self, now, passed, flags):
        head = self._head
        seq = (self._seq + passed) & 0xFFFF
        head[0] = seq
        head[1] = now
        head[2] = self.driven_us or self.rig.throttle.read(now)
        head[3] = flags | self._gap
        self._seq = (seq + 1) & 0xFFFF
        line = self._row
        if self.ring.put(line, row(line, head, self.counts, self.status)):
            self._gap = 0
        self._to_status -= 1 + passed
        if self._to_status <= 0:
            self._once_a_second(now)

    def _once_a_second(self, now):
        self._to_status = self._rate
        i = 0
        for sensor in self._sensors:
            sensor.want_temperature = True
            if self._told[i]:
                self._told[i] -= 1
            i += 1
        if self._weigh:
            self.free_bytes = gc.mem_free()
        self._status(now)
        self._to_device += 1
        if self._to_device >= _DEVICE_S and self.ring.put(self.device, len(self.device)):
            self._to_device = 0

    def _status(self, now):
        note = self._note
        note.begin(b'#status,{"t_us":')
        note.number(now)
        note.text(b',"temperature_c":')
        mark = b"["
        for sensor in self._sensors:
            note.text(mark)
            mark = b","
            if sensor.temperature_centi is None:
                note.text(b"null")
            else:
                note.hundredths(sensor.temperature_centi)
        note.text(b"]")
        if self._second_words:
            self._put_second_words(note)
        note.text(b',"pack_mv":')
        if self.rig.pack is None:
            note.text(b"null")
        else:
            note.number(self.rig.pack.millivolts())
        note.text(b',"skipped":')
        note.number(self.skipped)
        note.text(b',"dropped":')
        note.number(self.ring.dropped)
        note.text(b',"read_errors":')
        mark = b"["
        i = 0
        while i < self._head[4]:
            note.text(mark)
            mark = b","
            note.number(self.errors[i])
            i += 1
        note.text(b'],"free_bytes":')
        note.number(self.free_bytes)
        self.ring.put(note.buf, note.end())

    def _put_second_words(self, note):
        note.text(b',"second_word":')
        mark = b"["
        for sensor in self._sensors:
            note.text(mark)
            mark = b","
            if sensor.second_word is None:
                note.text(b"null")
            else:
                note.number(sensor.second_word)
        note.text(b"]")

    def _bus_error(self, i, errno, now):
        """A transaction failed; a hung bus is clocked free at once."""
        self.spent += 1
        if errno == _TIMED_OUT:
            bus = self.rig.columns[i].bus
            freed = bus is not None and bus.free()
            self._fault(i, NACK, now, b"bus hung, clocked free" if freed else b"bus hung")
            if not freed:
                self._rest_bus(bus, now)
        return NACK

    def _rest_bus(self, bus, now):
        """Leave all columns of a bus alone for a second."""
        i = 0
        for column in self.rig.columns:
            if column.bus is bus:
                self._sleep(i, now)
            i += 1

    def _sleep(self, i, now):
        self._state[i] = _ASLEEP
        self._due[i] = time.ticks_add(now, _SECOND_US)

    def _rouse(self, i, now):
        """A column that does not answer is asked once a second."""
        if time.ticks_diff(now, self._due[i]) < 0:
            return WAIT
        try:
            if self._state[i] == _ASLEEP:
                pause_ms = self._sensors[i].start()
                if pause_ms:
                    self._state[i] = _WAKING
                    self._due[i] = time.ticks_add(now, pause_ms * 1000)
                    return WAIT
            code = self._readers[i](self.counts, i)
        except OSError as error:
            code = self._bus_error(i, error.errno, now)
        if code > WAIT:
            self._sleep(i, now)
        elif code < WAIT:
            self._state[i] = 0
            self._to_device = _DEVICE_S  # what it is may have changed with its supply
        return code

    def _odd(self, i, code, now):
        """Anything but a plain or a stale reading."""
        if code == WAIT:
            return
        if code == SATURATED:
            self._fault(i, code, now, b"")
            return
        self.errors[i] += 1
        if self._state[i] == _ASLEEP:
            self._fault(i, code, now, b"asked once a second")
            return
        self._failures[i] += 1
        if self._failures[i] >= _FAILURES:
            self._failures[i] = 0
            self._sleep(i, now)
            self._fault(i, code, now, b"20 failures, asked once a second")
        else:
            self._fault(i, code, now, b"")

    def _fault(self, i, code, now, detail):
        """A fault note, at most one a second and column."""
        if self._told[i] or not self.streaming:
            return
        self._told[i] = 2  # counted down once a second: never two notes within one
        note = self._note
        note.begin(b'#fault,{"column":')
        note.text(self._names[i])
        note.text(b',"why":')
        note.text(_WHY[code])
        if detail:
            note.text(b',"detail":"')
            note.text(detail)
            note.text(b'"')
        note.text(b',"t_us":')
        note.number(now)
        self.ring.put(note.buf, note.end())

# ruff: noqa: F821
"""One sample slot: read every column, watch the alarm, write the row.

Nothing in a slot allocates while the sensors answer, for a slot runs in a timer interrupt where the port has
one: whatever the program does meanwhile, the time is kept and the alarm watched. What needs memory or
time, notes and answers, is left to ``tell``, which the program calls between two slots. A bus error
makes an exception; ``health.spent`` counts them, so that the loop can collect before they fill the memory.
"""

import gc
import time
from array import array

import machine
import micropython
from machine import Pin
from micropython import const

from undertray.alarm import watch
from undertray.burst import HUNG, Burst, commit, read
from undertray.health import Health
from undertray.notes import Notes, put_all
from undertray.sensors import OK, STALE, WAIT
from undertray.wire import ROW_LIMIT, row

__all__ = ["ALARM", "DRIVEN", "SKIPPED", "Sampler"]

SKIPPED = const(1)
ALARM = const(2)
DRIVEN = const(4)
_SECOND_US = const(1_000_000)
_DEVICE_S = const(10)
_TIMED_OUT = const(110)
_UNCHOSEN = const(255)
_LOOK = const(0x10000000)  # flag of a burst that leaves something to do
_LEAST_TICKS = const(25)
_EARLY_US = const(100)
_HANGS_S = const(8)
_BEAT_US = const(50_000)
_LONG_BEAT_US = const(500_000)  # a run is short of rows
_TICKS = const(0x3FFFFFFF)

# Places in the work space behind those of the burst:
_DUE, _PERIOD, _RATE, _TO_SECOND = const(15), const(16), const(17), const(18)
_SEQ, _GAP, _SKIPPED, _DRIVEN = const(19), const(20), const(21), const(22)
_WIDTH, _SHORTEST, _LONGEST, _DIRECT = const(23), const(25), const(26), const(27)
_ALIVE, _LIMIT, _EARLY = const(28), const(29), const(30)
# 31: when the last slot ended, 32: slots without a pause, 33: the flag of a row after
# flash was written, and 16 more as long as flash is at work.
# 34: width of the second throttle, 35 when, 36 and 37 its limits, 38 whether it is fetched here
_WIDTH2, _SHORTEST2, _LONGEST2, _DIRECT2 = const(34), const(36), const(37), const(38)


@micropython.viper
def begin(work, head, now: int) -> int:
    """Whether a slot is due: 0 no, 1 yes, 3 yes and a second is over. Fetches the throttle in any case.

    In a timer interrupt none is due when the program hangs, or needs a pause: slots that are late come one
    behind the other, and after some of them all are left out until the timer has caught up, and one more.
    """
    w = ptr32(work)
    w[28] = int(w[28]) + 1
    if int(w[27]):
        pio = ptr32(0x50200000)
        left = 8
        while left and not int(pio[1]) & 0x100:  # FSTAT, RXEMPTY of state machine 0
            width = int(pio[8])  # RXF0
            if int(w[25]) <= width and width <= int(w[26]):
                w[23] = width
                w[24] = now
            left -= 1
        if int(w[23]) and ((now - int(w[24])) & 0x3FFFFFFF) > 100000:
            w[23] = 0
    if int(w[38]):
        pio = ptr32(0x50200000)
        left = 8
        while left and not int(pio[1]) & 0x200:  # as above, of state machine 1
            width = int(pio[9])
            if int(w[36]) <= width and width <= int(w[37]):
                w[34] = width
                w[35] = now
            left -= 1
        if int(w[34]) and ((now - int(w[35])) & 0x3FFFFFFF) > 100000:
            w[34] = 0
    if int(w[30]):
        if int(w[28]) > int(w[29]):
            return 0
        busy = int(w[32])
        if ((now - int(w[31])) & 0x3FFFFFFF) <= 80:
            w[32] = busy + 1
            if busy >= 6:
                return 0
        else:
            w[32] = 0
            if busy > 6:
                return 0
    due = int(w[15])
    late = ((now - due + 0x20000000) & 0x3FFFFFFF) - 0x20000000
    if late + int(w[30]) < 0:
        return 0
    period = int(w[16])
    passed = 0
    while late >= 1000000 + period:
        due += int(w[17]) * period
        late -= int(w[17]) * period
        passed += int(w[17])
    while late > period:
        due += period
        late -= period
        passed += 1
    w[15] = (due + period) & 0x3FFFFFFF
    if passed:
        w[20] = 1
        w[21] = int(w[21]) + passed
    heads = ptr32(head)
    heads[0] = (int(w[19]) + passed) & 0xFFFF
    heads[1] = now
    heads[2] = int(w[23])
    if int(w[22]):
        heads[2] = int(w[22])
    heads[3] = int(w[20]) | int(w[33]) & 8
    if int(w[33]) == 8:
        w[33] = 0
    if int(w[22]):
        heads[3] = int(heads[3]) | 4
    left = int(w[18]) - 1 - passed
    if left > 0:
        w[18] = left
        return 1
    w[18] = int(w[17])
    return 3


class Sampler:
    """Reads the columns of a rig into rows on rings, and into a store when there is one.

    A row is written into the first ring, that of USB, whether there is room or not, and copied to the others.
    """

    def __init__(self, rig, rings, alarm=None, store=None):
        n = len(rig.columns)
        self.rig = rig
        self.rings = rings
        self.ring = ring = rings[0]
        self.alarm = alarm
        self.store = store
        self.notes = Notes(rig, rings)
        self.health = Health(rig, self.notes)
        self.streaming = False
        self.failed = 0  # exceptions that nobody expected
        self.interrupted = False  # a Ctrl-C came in an interrupt
        self.free_bytes = 0
        self.device = b""
        self.counts = array("i", [0] * rig.width)
        self.status = bytearray([WAIT] * rig.width)
        self.head = array("i", [0, 0, 0, 0, rig.width])
        self.burst = Burst(rig)
        self.work = self.burst.work
        throttle = rig.throttle
        self.work[_DIRECT] = throttle.direct
        self.work[_SHORTEST], self.work[_LONGEST] = throttle.limits_us
        second = rig.throttle2
        self.work[_DIRECT2] = second.direct
        self.work[_SHORTEST2], self.work[_LONGEST2] = second.limits_us
        self._pulse2 = second.read if second.wired and not second.direct else None
        self._sensors = [column.sensor for column in rig.columns]
        self._readers = [part.sensor.read_into for part in rig.parts]
        self._plain = bytes([i for i in range(n) if i not in self.burst.columns])
        self._whole = self.burst.all
        self._alarm_on = 0
        self._row = bytearray(ROW_LIMIT)
        self._second = False
        self._second_us = 0
        self._to_device = 0
        self._weigh = False
        self._warm = n + 1  # columns whose temperature is still to be read, one a slot
        self.rate_hz = 1
        pin = rig.board["heartbeat_pin"]
        self._heart = None if pin is None else Pin(pin, Pin.OUT, value=0)
        self._beating = False
        self.timed = False  # slots come in a timer interrupt
        self._timer = None
        self._handler = self._tick  # bound once: binding in the interrupt would allocate
        steps, alarm_work, age = (
            (alarm.steps, alarm.work, alarm.age) if alarm is not None else (b"", b"", b"")
        )
        # All that a slot touches, in one place: looking up a name costs as much as writing a number.
        self._parts = (
            (
                self.work,
                self.burst.plan,
                self.health.state,
                self.counts,
                self.status,
                self.head,
                ring.marks,
                ring.buf,
            ),
            steps,
            alarm_work,
            age,
            None if throttle.direct else throttle.read,
            self._plain,
            rings[1:],
            self.health,
            store,
            self._take_channels if rig.channels else None,
        )

    @property
    def skipped(self):
        return self.work[_SKIPPED]

    @property
    def drive_us(self):
        """Width of the throttle that asks for more, 0 for none."""
        return max(self.head[2], self.work[_WIDTH2])

    def drive(self, width_us):
        """Width that the board itself sends to the fan controllers, 0 for none."""
        self.work[_DRIVEN] = width_us

    def time_itself(self):
        """Take slots in a timer interrupt from now on, where the port has one that may come at any time."""
        try:
            self._timer = machine.Timer(-1)
            self._timer.init(period=1000, mode=machine.Timer.ONE_SHOT, callback=None, hard=True)
        except (NotImplementedError, TypeError, ValueError):
            self._timer = None
            return
        micropython.alloc_emergency_exception_buf(256)
        self.work[_EARLY] = _EARLY_US
        self.timed = True

    def set_rate(self, rate_hz):
        """Take a rate, in whole microseconds a slot; the first one is now."""
        # What takes long comes before the timer stops: no slot, no alarm.
        before = time.ticks_us()
        self.free_bytes = gc.mem_free()
        slots = time.ticks_diff(time.ticks_us(), before) * rate_hz // 1000  # thousandths that it takes
        # A timer takes the slots meanwhile, but near the largest rate what is sent would wait for too long.
        self._weigh = slots < (250 if self._timer is None else 5000)
        self.device = self.rig.device_note(rate_hz)
        if self._timer is not None:
            self._timer.deinit()
        work = self.work
        self.rate_hz = work[_RATE] = work[_TO_SECOND] = rate_hz
        work[_PERIOD] = _SECOND_US // rate_hz
        if self.alarm is not None:
            self.alarm.set_rate(rate_hz)
        self._start_timer(0)

    def _start_timer(self, missed):
        """The next slot is due in a period, or now where the loop takes it; so many were missed."""
        work = self.work
        if missed:
            work[_SKIPPED] += missed
            work[_SEQ] = (work[_SEQ] + missed) & 0xFFFF
            work[_GAP] = SKIPPED
        timed = self._timer is not None
        work[_DUE] = time.ticks_diff(time.ticks_us(), 0) + (work[_PERIOD] if timed else 0) & _TICKS
        if not timed:
            return
        # At low rates more ticks than slots, so that the queue of pulse widths does not fill.
        every = max(1, -(-_LEAST_TICKS // self.rate_hz))
        work[_LIMIT] = _HANGS_S * self.rate_hz * every
        work[_ALIVE] = 0
        self._timer.init(
            period=work[_PERIOD] // every,
            tick_hz=_SECOND_US,
            mode=machine.Timer.PERIODIC,
            callback=self._handler,
            hard=True,
        )

    def pause(self, work):
        """Do what needs the buses for itself. Slots that fall into it are skipped, and counted."""
        if self._timer is None:
            return work()
        self._timer.deinit()
        self.burst.left()
        try:
            return work()
        finally:
            late = time.ticks_diff(time.ticks_us(), self.work[_DUE])
            self._start_timer(max(0, late // self.work[_PERIOD] + 1))

    def end(self):
        """No slot, no alarm from here on."""
        if self._timer is not None:
            self._timer.deinit()
        if self.alarm is not None:
            self.alarm.show(False)
        if self._heart is not None:
            self._heart.value(0)

    def start(self):
        """Send rows, the device note first."""
        if not self.streaming:
            self.work[_TO_SECOND] = self.rate_hz
            self.work[_GAP] = 0
        self.health.told = True
        self._to_device = 0 if put_all(self.rings, self.device, len(self.device)) else _DEVICE_S
        self.streaming = True

    def stop(self):
        """Send no rows; the alarm goes on."""
        self.streaming = False
        self.health.told = False

    @micropython.native
    def _tick(self, _timer):
        try:
            self.slot(time.ticks_us())
        except KeyboardInterrupt:
            self.interrupted = True  # meant for the program, which the interrupt came before
        except Exception:
            self.failed += 1
        self.work[31] = time.ticks_us()  # type: ignore[call-overload]

    @micropython.native
    def slot(self, now):
        """Take one sample when it is due at tick ``now``; gives whether it was."""
        burst, steps, alarm_work, age, pulse, plain, others, health, store, channels = self._parts
        work, plan, rests, counts, status, head, marks, buf = burst
        alarm_on = self._alarm_on
        if pulse is not None:
            work[23] = pulse(now)
        due = begin(work, head, now)
        if not due:
            if work[28] > work[29] and self._timer is not None:
                machine.reset()  # the program hangs, and nothing leaves the board any more
            return False
        streaming = self.streaming
        whole = self._whole
        work[14] = whole and streaming
        if due & 2:
            self._second_us = now
            self._second = True
        if self._warm:
            self._take_temperature()
        drive = head[2]
        if channels is not None:
            drive = channels(now)
        # The row is written while the bus works, with the alarm as it was: it seldom changes.
        flags = head[3]
        if alarm_on:
            head[3] = flags | ALARM
        told = head[3]
        flags |= read(work, plan, rests, counts, status, head, marks, buf)
        if flags & _LOOK or health.failing or plain:
            flags = self._mend(flags, now)
        if steps:
            found = watch(counts, status, steps, alarm_work, age, drive, now)
            if found & 1:
                flags |= ALARM
            if found & 2:
                self._alarm_on = found & 1
                self.alarm.show(found & 1)
        if store is not None and store.state and store.watch(drive, now):
            work[19] = (head[0] + 1) & 0xFFFF
            head[3] = flags & ~_LOOK
            store.add(head, counts, status)
            work[20] = 0
        if streaming:
            work[19] = (head[0] + 1) & 0xFFFF
            if flags == told and whole:
                at = marks[0]
                sent = commit(work, marks)
                if others:
                    for ring in others:
                        sent |= ring.relay(buf, at, work[12])
            else:
                head[3] = flags & ~_LOOK
                n = row(self._row, head, counts, status)
                sent = self.ring.put_row(self._row, n)
                for ring in others:
                    sent |= ring.put_row(self._row, n)
            if sent:
                work[20] = 0
        return True

    @micropython.native
    def _take_channels(self, now):
        """Read what a row has behind its columns; gives the width of the throttle that asks for more."""
        work = self.work
        counts = self.counts
        status = self.status
        rig = self.rig
        drive = self.head[2]
        at = work[11]
        if rig.accelerometer is not None:
            self._read(at, now)
            status[at + 1] = status[at + 2] = status[at]
            at += 3
        if rig.throttle2.wired:
            if self._pulse2 is not None:
                work[34] = self._pulse2(now)
            width = work[34]
            counts[at] = width
            status[at] = OK if width else WAIT
            if width > drive:
                drive = width
            at += 1
        if rig.pack2 is not None:
            counts[at] = rig.pack2.millivolts()
            status[at] = OK
        return drive

    @micropython.native
    def _mend(self, flags, now):
        """What a burst leaves to do, and the columns that are none of its: read, counted, put to rest."""
        health = self.health
        status = self.status
        odd = self.work[10]
        self.burst.left()
        for i in self.burst.columns:
            if not odd >> i & 1:
                health.failures[i] = 0
            elif health.state[i]:
                flags |= self._read(i, now)
            else:
                if status[i] == HUNG:
                    status[i] = health.bus_error(i, _TIMED_OUT, now)
                health.odd(i, status[i], now)
        for i in self._plain:
            flags |= self._read(i, now)
        return flags

    @micropython.native
    def _read(self, i, now):
        """Read one column by its driver; gives its flag."""
        health = self.health
        if health.state[i]:
            code = health.rouse(i, now, self._readers[i], self.counts)
        else:
            try:
                code = self._readers[i](self.counts, i)
            except OSError as error:
                code = health.bus_error(i, error.errno, now)
        self.status[i] = code
        if code > STALE:
            health.odd(i, code, now)
        else:
            if health.failing:
                health.failures[i] = 0
            if code:
                return 256 << i
        return 0

    @micropython.native
    def _take_temperature(self):
        """Fetch the temperature that the slot before read, and ask for that of the next column."""
        burst = self.burst
        work = burst.work
        last = work[8]
        if last != _UNCHOSEN:
            work[8] = _UNCHOSEN
            if self.status[last] <= STALE:
                # T = raw * 200 / 2047 - 50; the low five bits of the last byte are not data.
                self._sensors[last].temperature_centi = (work[9] >> 5) * 20000 // 2047 - 5000
        self._warm -= 1
        i = self._warm - 1
        if i < 0:
            return
        if i in burst.columns:
            work[8] = i
        else:
            self._sensors[i].want_temperature = True

    @micropython.native
    def tell(self):
        """Send what is due besides the rows: faults, and once a second how the board is."""
        if self.health.waiting:
            self.health.tell()
        if self._second:
            self._second = False
            self._once_a_second(self._second_us)
        elif self._beating:
            passed = time.ticks_diff(time.ticks_us(), self._second_us)
            if passed > _LONG_BEAT_US or (passed > _BEAT_US and not self._short()):
                self._beating = False
                self._beat(0)

    def _short(self):
        """Whether the run under way, or the last one, is short of rows."""
        return self.store is not None and self.store.missing > 0

    def _beat(self, level):
        """Heartbeat, or where there is none the alarm's light when a run is short of rows."""
        if self._heart is not None:
            self._heart.value(level)
        elif self.alarm is not None:
            self.alarm.wink(level)

    def _once_a_second(self, now):
        if self._heart is not None or self._short():
            self._beat(1)
            self._beating = True
        self.health.once_a_second()
        self._warm = len(self._sensors) + 1
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
        if self._to_device >= _DEVICE_S and put_all(self.rings, self.device, len(self.device)):
            self._to_device = 0
            self.health.recovered = False

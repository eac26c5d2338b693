# ruff: noqa: F821
"""The port to the host: a ring of whole lines in front of it, and never a wait. Every link has its own.

The USB port of the RP2040 says that it is ready when one byte fits, and a write of more than
fits waits up to half a second for a host that has stopped reading. Its queue holds 256 bytes
and leaves in packets of 64. So every piece written here ends on a multiple of 64 of the
stream: the queue is then full at the end of a piece, not in its middle, and the next piece is
not begun. A shorter piece goes only after a pause, so that answers do not get stuck.
"""

import select
import sys
import time
from array import array

import machine
import micropython
from micropython import const

from undertray.chip import FRAME, SENDING, on_chip, usb_state

__all__ = ["IN", "OUT", "WIDE", "Port", "Ring"]

IN = const(1)
OUT = const(4)
WIDE = const(8)  # the whole queue of the port is empty
_PIECE = const(64)
_SIZE = const(8192)
_MASK = const(8191)
_PAUSE_US = const(20_000)
_SILENT_US = const(1_500)
_FOR_NOTES = const(2048 + 256)
_ROW_UNDER_WAY = const(256)


class Port:
    """Standard input and output of the board, as bytes."""

    def __init__(self):
        self._in = sys.stdin.buffer
        self._out = sys.stdout.buffer
        self._byte = bytearray(1)
        self._poller = select.poll()
        self._chip = on_chip()
        if self._chip:
            # One object says both there (shared/runtime/sys_stdio_mphal.c of MicroPython); two cost twice.
            self._poller.register(sys.stdin, select.POLLIN | select.POLLOUT)
        else:
            self._poller.register(sys.stdin, select.POLLIN)
            self._poller.register(sys.stdout, select.POLLOUT)
        self._frame = -1
        self._frame_us = time.ticks_us()
        self._asleep = False  # kept, for ticks tell no age of more than nine minutes
        self.ready()  # the first ipoll makes the tuple that later ones use again

    @micropython.native
    def ready(self):
        """What can be done without waiting: IN, OUT, WIDE, or none of them."""
        found = 0
        for item in self._poller.ipoll(0):
            found |= item[1]
        found &= 5
        if found & OUT and self._chip:
            state = usb_state()
            now = time.ticks_us()
            frame = state & FRAME
            if frame != self._frame:
                self._frame = frame
                self._frame_us = now
                self._asleep = False
            # After 3 ms without frames (cable out, computer asleep) the bus is suspended. It then says
            # that it is ready, and each write waits half a second.
            elif time.ticks_diff(now, self._frame_us) > _SILENT_US:
                self._asleep = True
            if self._asleep:
                found &= IN
            elif not state & SENDING:
                found |= WIDE
        return found

    def read(self):
        """One byte, or -1 at the end of the input; only after ``ready`` said IN."""
        return self._byte[0] if self._in.readinto(self._byte) else -1

    def write(self, buf, start, n):
        """Write ``n`` bytes from ``start``; gives how many went (or None)."""
        return self._out.write(buf, start, n)


@micropython.viper
def _copy(ring, head: int, line, n: int) -> int:
    to = ptr8(ring)
    source = ptr8(line)
    i = 0
    while i < n:
        to[head] = source[i]
        head = (head + 1) & 8191
        i += 1
    return head


@micropython.viper
def _take(marks, n: int) -> int:
    """Take room for ``n`` bytes; gives its place, or -1."""
    m = ptr32(marks)
    head = int(m[0])
    if n > 8191 - 256 - ((head - int(m[1])) & 8191):
        m[2] = int(m[2]) + 1
        return -1
    m[0] = (head + n) & 8191
    return head


@micropython.viper
def _relay(source, at: int, end: int, marks, ring) -> int:
    """Copy the row between two places of one ring into another; 0, and counted, when notes need the room."""
    m = ptr32(marks)
    head = int(m[0])
    if 8191 - ((head - int(m[1])) & 8191) < 2304:
        m[2] = int(m[2]) + 1
        return 0
    text = ptr8(source)
    to = ptr8(ring)
    while at != end:
        to[head] = text[at]
        at = (at + 1) & 8191
        head = (head + 1) & 8191
    m[0] = head
    return 1


@micropython.viper
def _piece(marks, most: int) -> int:
    """How many bytes may go now: up to ``most``, and to a multiple of 64 of the stream; 0 when fewer wait."""
    m = ptr32(marks)
    tail = int(m[1])
    waiting = (int(m[0]) - tail) & 8191
    piece = most - (tail & 63)
    while piece > waiting:
        piece -= 64
    if piece < 0:
        piece = 0
    if piece > 8192 - tail:
        piece = 8192 - tail
    return piece


class Ring:
    """Lines waiting to be sent. A line goes in whole or not at all.

    Rows come from the sampling interrupt (``burst.commit``), notes from the program it interrupts, which
    takes their place before it copies. The last 2 kB are for notes: when nobody reads, rows are dropped
    and not the notes that say so. Behind them is room for the row under way, which is written in place.
    """

    def __init__(self, port):
        self.port = port
        self.shut = False  # nobody is there to read
        self.buf = bytearray(_SIZE)
        self.marks = array("i", [0, 0, 0])  # head, tail, lines dropped
        self._mark = 0
        self._since = 0

    @property
    def dropped(self):
        return self.marks[2]

    def room(self):
        return _SIZE - 1 - _ROW_UNDER_WAY - ((self.marks[0] - self.marks[1]) & _MASK)

    def empty(self):
        return self.marks[0] == self.marks[1]

    @micropython.native
    def put_row(self, line, n):
        """Queue a row, which leaves the room of the notes free."""
        if self.shut:
            return False
        if self.room() < _FOR_NOTES - _ROW_UNDER_WAY:
            self.marks[2] += 1
            return False
        return self.put(line, n)

    @micropython.native
    def relay(self, ring, at, end):
        """Queue the row that lies between two places of another ring."""
        return not self.shut and _relay(ring, at, end, self.marks, self.buf)

    def begin(self, reads):
        """Somebody new reads, or nobody: what was for the last one is thrown away."""
        self.shut = True
        self.marks[1] = self.marks[0]
        self.marks[2] = 0
        self.shut = not reads

    @micropython.native
    def put(self, line, n):
        """Queue the first ``n`` bytes of ``line``; False, and counted, when they do not fit."""
        if self.shut:
            return False
        state = machine.disable_irq()
        place = _take(self.marks, n)
        machine.enable_irq(state)
        if place < 0:
            return False
        _copy(self.buf, place, line, n)
        return True

    @micropython.native
    def pump(self, now, most=_PIECE):
        """Hand one piece to a port that is ready; a short one once no line came for a while."""
        marks = self.marks
        piece = _piece(marks, most)
        if not piece:
            head = marks[0]
            if head == marks[1]:
                return False
            if head != self._mark:
                self._mark = head
                self._since = now
                return False
            if time.ticks_diff(now, self._since) < _PAUSE_US:
                return False
            piece = (head - marks[1]) & _MASK
        sent = self.port.write(self.buf, marks[1], piece)
        if not sent:
            return False
        marks[1] = (marks[1] + sent) & _MASK
        return True

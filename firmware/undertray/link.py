# ruff: noqa: F821
"""The port to the host: a ring of whole lines in front of it, and never a wait.

The USB port of the RP2040 says that it is ready when one byte fits, and a write of more than
fits waits up to half a second for a host that has stopped reading. Its queue holds 256 bytes
and leaves in packets of 64. So every piece written here ends on a multiple of 64 of the
stream: the queue is then full at the end of a piece, not in its middle, and the next piece is
not begun. A shorter piece goes only after a pause, so that answers do not get stuck.
"""

import select
import sys
import time

import micropython
from micropython import const

__all__ = ["IN", "OUT", "Port", "Ring"]

IN = const(1)
OUT = const(4)
_PIECE = const(64)
_SIZE = const(8192)
_MASK = const(8191)
_PAUSE_US = const(20_000)


class Port:
    """Standard input and output of the board, as bytes."""

    def __init__(self):
        self._in = sys.stdin.buffer
        self._out = sys.stdout.buffer
        self._byte = bytearray(1)
        self._poller = select.poll()
        self._poller.register(sys.stdin, select.POLLIN)
        self._poller.register(sys.stdout, select.POLLOUT)
        self.ready()  # the first ipoll makes the tuple that later ones use again

    @micropython.native
    def ready(self):
        """What can be done without waiting: IN, OUT, both or 0."""
        found = 0
        for item in self._poller.ipoll(0):
            found |= item[1]
        return found & 5

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


class Ring:
    """Lines waiting to be sent. A line goes in whole or not at all."""

    def __init__(self, port):
        self.port = port
        self.dropped = 0
        self._buf = bytearray(_SIZE)
        self._head = 0
        self._tail = 0
        self._mark = 0
        self._since = 0

    def room(self):
        return _SIZE - 1 - ((self._head - self._tail) & _MASK)

    def empty(self):
        return self._head == self._tail

    @micropython.native
    def put(self, line, n):
        """Queue the first ``n`` bytes of ``line``; False, and counted, when they do not fit."""
        if n > _SIZE - 1 - ((self._head - self._tail) & _MASK):
            self.dropped += 1
            return False
        self._head = _copy(self._buf, self._head, line, n)
        return True

    @micropython.native
    def pump(self, now):
        """Hand one piece to a port that is ready; a short one once no line came for a while."""
        tail = self._tail
        head = self._head
        waiting = (head - tail) & _MASK
        piece = _PIECE - (tail & (_PIECE - 1))
        if waiting < piece:
            if waiting == 0:
                return False
            if head != self._mark:
                self._mark = head
                self._since = now
                return False
            if time.ticks_diff(now, self._since) < _PAUSE_US:
                return False
            piece = waiting
        sent = self.port.write(self._buf, tail, piece)
        if not sent:
            return False
        self._tail = (tail + sent) & _MASK
        return True

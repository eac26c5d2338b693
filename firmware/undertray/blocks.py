"""A ring of blocks: the sampling interrupt packs rows into them, the program takes them away.

A block is a whole number of flash pages and is read on its own: 13 bytes of head, bits (``packed``), and the
check of all before it in its last two bytes. What a slot calls allocates nothing.

    kind 1, pages 1, run 2, number in the run 2, bytes as text 3, records 2, rows 2; low bytes first
"""

import gc
import time
from array import array

import micropython
from micropython import const

from undertray.packed import begin, encode, encode_second, workspace
from undertray.sensors import WAIT
from undertray.wire import check

__all__ = ["HEAD", "PAGE", "ROWS", "Blocks", "label", "sound"]

PAGE = 256
HEAD = 13
ROWS = 0x52
_PAGE = const(256)
_HEAD = const(13)
_ROWS = const(0x52)
_PATIENCE_US = const(900_000)  # a block is closed then, full or not: what is open is lost with the power


def label(block, run, number):
    """Say where a block belongs, and close it with its check."""
    block[2] = run & 255
    block[3] = run >> 8
    block[4] = number & 255
    block[5] = number >> 8
    end = block[1] * PAGE - 2
    value = check(block, end)
    block[end] = value & 255
    block[end + 1] = value >> 8


def sound(block):
    """Whether a block is as it was written."""
    end = block[1] * PAGE - 2
    return check(block, end) == block[end] | block[end + 1] << 8


class Blocks:
    """The ring. ``add`` is called in the interrupt, all else by the program while no row comes."""

    def __init__(self, columns):
        self._n = columns
        self.work = workspace(columns, 0)
        self._ring = []
        self.filled = 0
        self.emptied = 0
        self._hurried = False
        self._is_open = False
        self._first_us = 0
        self._block = bytearray(0)
        self.second_due = False
        self._second = (
            array("i", [0, 0, 0, 0, columns]),
            array("i", [0] * columns),
            bytearray([WAIT] * columns),
        )
        self._text = 0

    def make(self, slot_us, sizes, most, spare):
        """Take memory for blocks of so many pages, at most ``most`` in all; gives how many pages there are.

        What is free is seldom free in one: after the blocks of the first size those of the next go into
        the gaps. ``spare`` bytes in one are left. Blocks of one page are for flash: they are closed
        after a while, full or not.
        """
        self.drop_all()
        self.work[6] = slot_us
        self._hurried = sizes == (1,)
        gc.collect()
        ring = []
        pages = 0
        left = bytearray(spare)
        for size in sizes:
            try:
                while pages + size <= most:
                    ring.append(bytearray(size * PAGE))
                    pages += size
            except MemoryError:
                pass
        del left
        self._ring = ring
        gc.collect()
        return pages

    def drop_all(self):
        """Give the memory back."""
        self.clear()
        self._ring = []
        self._block = bytearray(0)

    def clear(self):
        """Forget what was not taken away."""
        self._is_open = self.second_due = False
        self.filled = self.emptied = 0

    @micropython.native
    def add(self, head, counts, status):
        """Pack a row; False when no block is free for it."""
        work = self.work
        if self._is_open:
            if self._hurried and time.ticks_diff(head[1], self._first_us) > _PATIENCE_US:
                self.close()
            elif self.second_due:
                self.second_due = False
                told, values, states = self._second
                if not encode_second(work, self._block, told, values, states, self._text):
                    self.close()
        if not self._is_open:
            if not self._open(head[1]):
                return False
        if encode(work, self._block, head, counts, status):
            return True
        self.close()
        return self._open(head[1]) and encode(work, self._block, head, counts, status) != 0

    @micropython.native
    def _open(self, now):
        n = len(self._ring)
        if self.filled - self.emptied >= n:
            return False
        self._block = block = self._ring[self.filled % n]
        begin(self.work, self._n, _HEAD, len(block) - 2)
        self._first_us = now
        self._is_open = True
        return True

    @micropython.native
    def close(self):
        """Close the open block, if there is one; its pages may be fewer than it has room for."""
        if not self._is_open:
            return
        self._is_open = False
        work = self.work
        block = self._block
        at = work[0]
        if work[2]:
            block[at] = (work[1] << (8 - work[2])) & 255
            at += 1
        text = work[8]
        block[0] = _ROWS
        block[1] = (at + 1 + _PAGE) // _PAGE
        block[6] = text & 255
        block[7] = (text >> 8) & 255
        block[8] = text >> 16
        block[9] = work[7] & 255
        block[10] = work[7] >> 8
        block[11] = work[10] & 255
        block[12] = work[10] >> 8
        self.filled += 1

    def second(self):
        """Head, values and states of what a second tells, to be filled in; ``tell`` hands them over."""
        return None if self.second_due else self._second

    def tell(self, text):
        """What ``second`` gave is complete; as a note it is so many bytes long."""
        self._text = text
        self.second_due = True

    def oldest(self):
        """The block to be taken away next, or None."""
        if self.emptied == self.filled:
            return None
        return self._ring[self.emptied % len(self._ring)]

    def taken(self):
        """The oldest block is elsewhere now."""
        self.emptied += 1

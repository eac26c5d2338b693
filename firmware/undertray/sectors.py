"""Sectors of flash that can be written without an erase: an erase stops everything for 45 ms and more.

littlefs writes no block twice: what is put into a file goes to other blocks, which are erased first. So
each sector here is a file of one block, and once it is made littlefs is not asked any more: pages are
programmed where the block lies. A file of one block has no pointers in it; littlefs reads such a block only
for who reads the file, and moves it only when the file is written. Where it lies is found by its first page,
which tells its number and what was drawn by lot when it was made. Before a sector is written or erased,
the file is opened and has to tell the same: a file that somebody replaced costs a sector, never another file.

Where there is no such flash (a PC) the files are written as files.
"""

import os
from array import array

import machine
import rp2
from micropython import const

__all__ = ["PAGES", "Sectors"]

_FLASH = const(8)  # flag of a row that flash may have made late
_AT_WORK = const(24)  # the same for every row until flash is done

FOLDER = "shelf"
PAGES = 16
_PAGE = 256
_MAGIC = b"undertray shelf "
_LABEL = 24  # magic, number, three zeros, four bytes by lot
_NOWHERE = 0xFFFF
_SPARE = 65536  # left to the file system
_PROGRAM_ERASES = 6  # MP_BLOCKDEV_IOCTL_BLOCK_ERASE
_BLANK = b"\xff" * _PAGE


class Sectors:
    """``work`` is that of the sampler: place 33 is the flag of a row that flash may have made late."""

    def __init__(self, count, work):
        self._work = work
        self._flash = rp2.Flash() if hasattr(rp2, "Flash") else None
        self._at = array("H", [_NOWHERE] * count)
        self._label = bytearray(_LABEL)
        self._page = bytearray(_PAGE)
        self._last = 0

    def find(self):
        """Look where the sectors lie; OSError when the file system cannot be read."""
        if FOLDER not in os.listdir():
            self._at_work(os.mkdir, FOLDER)
        there = set()
        for item in os.ilistdir(FOLDER):
            name = FOLDER + "/" + item[0]
            size = item[3] if len(item) > 3 else os.stat(name)[6]
            if item[0].isdigit() and size == PAGES * _PAGE:
                there.add(int(item[0]))
        at = self._at
        for i in range(len(at)):
            at[i] = _NOWHERE if self._flash is not None or i not in there else i
        if self._flash is None:
            return
        for block in range(self._flash.ioctl(4, 0)):
            i = self._told_by(block)
            if i in there and (at[i] == _NOWHERE or not self.owned(i)):
                at[i] = block

    def _told_by(self, block):
        """Number that the first page of a block tells, -1 for none."""
        label = self._label
        self._flash.readblocks(block, label, 0)
        if label[:16] == _MAGIC and label[16] < len(self._at):
            return label[16]
        return -1

    def room(self):
        """How many more sectors the file system has room for, and some for other things."""
        if not hasattr(os, "statvfs"):
            return len(self._at)
        told = os.statvfs("/")
        return max(0, (told[0] * told[3] - _SPARE) // (PAGES * _PAGE))

    def known(self, i):
        return self._at[i] != _NOWHERE

    def owned(self, i):
        """Whether the place of sector ``i`` is still that of its file."""
        label = self._label
        try:
            with open(_name(i), "rb") as file:
                told = file.read(_LABEL)
        except OSError:
            return False
        self.read(i, 0, label)
        return told == label and told[:16] == _MAGIC and told[16] == i

    def make(self, i):
        """Make the file of sector ``i``; it takes the time of an erase."""
        label = _MAGIC + bytes([i, 0, 0, 0]) + os.urandom(4)
        self._at[i] = _NOWHERE
        self._at_work(_write, _name(i), label)
        if self._flash is None:
            self._at[i] = i
            return
        # littlefs gives out its blocks in turn: the next one is near the last.
        count = self._flash.ioctl(4, 0)
        for step in range(count):
            block = (self._last + step) % count
            if self._told_by(block) == i and self._label == label:
                self._at[i] = self._last = block
                return
        raise OSError("a file is not where files are")

    def erase(self, i):
        """Erase sector ``i`` and give it its first page again."""
        if not self.owned(i):
            self.make(i)
            return
        if self._flash is None:
            self.make(i)
            return
        page = self._page
        page[:] = _BLANK
        page[:_LABEL] = self._label
        self._at_work(self._flash.ioctl, _PROGRAM_ERASES, self._at[i])
        self.program(i, 0, page)

    def _at_work(self, work, *words):
        """Do what stops the sampler once or more; every row meanwhile, and the one after, is flagged."""
        self._work[33] = _AT_WORK
        try:
            work(*words)
        finally:
            self._work[33] = _FLASH

    def program(self, i, page, data):
        """Write a page that is blank; the row after it is flagged."""
        if self._flash is None:
            with open(_name(i), "r+b") as file:
                file.seek(page * _PAGE)
                file.write(data)
            self._work[33] = _FLASH
            return
        state = machine.disable_irq()
        self._work[33] = _FLASH
        self._flash.writeblocks(self._at[i], data, page * _PAGE)
        machine.enable_irq(state)

    def read(self, i, page, data):
        """Read from the begin of a page into ``data``."""
        if self._flash is not None:
            self._flash.readblocks(self._at[i], data, page * _PAGE)
            return
        with open(_name(i), "rb") as file:
            file.seek(page * _PAGE)
            file.readinto(data)

    def blank(self, i):
        """Whether all pages but the first are blank."""
        page = self._page
        for number in range(1, PAGES):
            self.read(i, number, page)
            if page != _BLANK:
                return False
        return True


def _write(name, label):
    """Write a file of one block: its label, and nothing."""
    with open(name, "wb") as file:
        file.write(label + _BLANK[_LABEL:])
        for _ in range(PAGES - 1):
            file.write(_BLANK)


def _name(i):
    return "{}/{:03d}".format(FOLDER, i)

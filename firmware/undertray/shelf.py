"""The shelf: runs in sectors of flash, block behind block.

A sector belongs to one run, in the order of the numbers of its blocks. A run ends with a block of kind
END, which says what it is short of; where that is missing, power went before. The last page of the last
sector is left for it.
"""

import gc
from array import array

import micropython
from micropython import const

from undertray.blocks import HEAD, PAGE, ROWS, label, sound
from undertray.sectors import PAGES, Sectors

__all__ = ["END", "TEXT", "Shelf"]

TEXT = 0x54
END = 0x45
_PAGES = const(5)  # of a block at most
_FREE = const(0)
_FOUL = const(0xFFFF)  # neither blank nor a run's: to be erased, or made


@micropython.native
def _find(array, value):
    """Place of a value, -1 for none; a loop that makes nothing, for it runs while a car drives."""
    i = 0
    n = len(array)
    while i < n:
        if array[i] == value:
            return i
        i += 1
    return -1


@micropython.native
def _count(array, value):
    found = i = 0
    n = len(array)
    while i < n:
        found += array[i] == value
        i += 1
    return found


class Shelf:
    """``count`` sectors at most; ``work`` is that of the sampler."""

    def __init__(self, count, work):
        self._sectors = Sectors(count, work)
        self._run = array("H", [_FOUL] * count)
        self._first = array("H", [0] * count)  # number of its first block
        self._sector = -1
        self._page = PAGES
        self._number = 0
        self._writing = 0
        self._scratch = bytearray(PAGE)
        self.fault = None

    def find(self):
        """Look what lies on the shelf; ``fault`` says why where that is not possible."""
        self.fault = None
        try:
            self._sectors.find()
            for i in range(len(self._run)):
                self._look(i)
        except OSError as error:
            self.fault = "flash: {}".format(error)

    def _look(self, i):
        self._run[i] = _FOUL
        if not self._sectors.known(i):
            return
        head = bytearray(HEAD)
        self._sectors.read(i, 1, head)
        if head[0] == 0xFF:
            self._run[i] = _FREE
        elif head[0] in (ROWS, TEXT, END) and 0 < head[1] <= _PAGES:
            self._run[i] = head[2] | head[3] << 8
            self._first[i] = head[4] | head[5] << 8

    def runs(self):
        """Numbers of the runs that have their beginning."""
        found = [self._run[i] for i in range(len(self._run)) if self._first[i] == 0]
        return sorted([run for run in found if run not in (_FREE, _FOUL)])

    def ready(self):
        """How many sectors can be written now."""
        return _count(self._run, _FREE)

    def free(self):
        """How many sectors new runs may have, with those that are still to be made."""
        sectors = self._sectors
        runs = self.runs()
        known = unknown = 0
        for i, run in enumerate(self._run):
            if run not in runs:
                known += sectors.known(i)
                unknown += not sectors.known(i)
        return known + min(unknown, sectors.room())

    def unready(self):
        """A sector that is neither blank nor part of a run, -1 for none."""
        runs = self.runs()
        for i, run in enumerate(self._run):
            if run != _FREE and run not in runs:
                return i
        return -1

    def prepare(self, i):
        """Make sector ``i`` ready: some 50 ms in which nothing else runs. False when flash is full."""
        gc.collect()
        try:
            if self._sectors.known(i):
                self._sectors.erase(i)
            else:
                self._sectors.make(i)
        except OSError as error:
            self.fault = "flash: {}".format(error)
            return False
        self._run[i] = _FREE
        self.fault = None
        return True

    def begin(self, text):
        """Begin a run with its description; gives its number, or 0 when there is no room."""
        runs = self.runs()
        self._writing = max([0] + runs) + 1
        if self._writing == _FOUL:  # a head that was cut short by the power may tell any number
            self._writing = min([run + 1 for run in [0] + runs if run + 1 not in runs])
        self._number = 0
        self._page = PAGES
        room = PAGE - HEAD - 2
        scratch = self._scratch
        for at in range(0, len(text), room):
            part = text[at : at + room]
            self._start(TEXT, len(part))
            scratch[HEAD : HEAD + len(part)] = part
            if not self.room(1):
                return 0
            self.put(scratch, 0)
        return self._writing

    def _start(self, kind, length):
        """A block of one page in the scratch page."""
        scratch = self._scratch
        for i in range(PAGE):
            scratch[i] = 0
        scratch[0] = kind
        scratch[1] = 1
        scratch[6] = length & 255

    def room(self, pages):
        """Whether a block fits, if need be in the next sector."""
        last = PAGES - 1 if _find(self._run, _FREE) < 0 else PAGES
        if self._page + pages <= last:
            return True
        return last == PAGES and self._take()

    def _take(self):
        """Go on in a sector that is blank, and is that of its file."""
        while True:
            i = _find(self._run, _FREE)
            if i < 0:
                return False
            good = self._sectors.owned(i) and self._sectors.blank(i)
            gc.collect()
            if good:
                self._run[i] = self._writing
                self._first[i] = self._number
                self._sector = i
                self._page = 1
                return True
            self._run[i] = _FOUL

    def put(self, block, page):
        """Write one page of a block that has room; True after its last."""
        if page == 0:
            label(block, self._writing, self._number)
        view = memoryview(block)
        self._sectors.program(self._sector, self._page + page, view[page * PAGE : (page + 1) * PAGE])
        if page + 1 < block[1]:
            return False
        self._page += block[1]
        self._number += 1
        return True

    def end(self, missing, why):
        """End the run."""
        if self._page > PAGES - 1 and not self._take():
            return
        self._start(END, 0)
        scratch = self._scratch
        for i in range(4):
            scratch[HEAD + i] = (missing >> (8 * i)) & 255
        scratch[HEAD + 4] = len(why)
        scratch[HEAD + 5 : HEAD + 5 + len(why)] = why.encode()
        self.put(scratch, 0)

    def blocks(self, run):
        """Walk over a run; gives each block in the same memory, or None for a page that makes no sense."""
        block = bytearray(_PAGES * PAGE)
        view = memoryview(block)
        mine = [(self._first[i], i) for i in range(len(self._run)) if self._run[i] == run]
        for _, i in sorted(mine):
            page = 1
            while page < PAGES:
                self._sectors.read(i, page, view[:PAGE])
                pages = block[1]
                if block[0] == 0xFF:
                    break
                good = block[0] in (ROWS, TEXT, END) and 0 < pages <= min(_PAGES, PAGES - page)
                if good:
                    if pages > 1:
                        self._sectors.read(i, page, view[: pages * PAGE])
                    good = sound(block) and block[2] | block[3] << 8 == run
                yield block if good else None
                page += pages if good else 1

    def erase(self, run, go_on):
        """Erase a run, its beginning first; ``go_on`` is asked before each further sector."""
        mine = [(self._first[i], i) for i in range(len(self._run)) if self._run[i] == run]
        for _, i in sorted(mine):
            if not go_on():
                return False
            self._run[i] = _FOUL
            if not self.prepare(i):
                return False
        return True

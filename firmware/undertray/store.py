"""Runs kept on the board, for drives without a cable: when one begins and ends, and where its blocks go.

A run begins when the throttle goes up and ends when it has been down for two seconds (without a throttle pin:
``store on`` to ``store off``). The sampling interrupt packs its rows into blocks. Kept in memory, they stay
there until the run has ended, and nothing stops a slot; kept in flash, each goes there as soon as it is
full, a page at a time into sectors erased before. What has no place is left out and counted: the
status notes, every answer and the run itself, in the ``kept`` note at its end, tell how much.
"""

import gc
import time

import machine
import micropython
from micropython import const

from undertray.blocks import Blocks
from undertray.sensors import OK, WAIT

__all__ = ["FLASH_FULL", "MEMORY_FULL", "Store", "second_note"]

_RESERVE = const(8_000)  # left to the rest of the program
_MEMORY_PAGES = (5, 2, 1)  # of a block in memory: three of five fill a sector
_FLASH_PAGES = const(14)  # four seconds at 200 Hz, so that a long command costs no row
_SETTLE_US = const(2_000_000)
_PAUSE_US = const(100_000)  # between two sectors made ready, for what else there is to do
_OFF = const(0)
_WAITING = const(1)
_RECORDING = const(2)
_FULL = const(3)
_CLOSING = const(4)
_UNWRITTEN = const(5)
STATES = (b'"off"', b'"waiting"', b'"keeping"', b'"full"', b'"closing"', b'"unwritten"')
UNWRITTEN = "no room on flash, the run is still in memory: erase runs, then 'store off'"
MEMORY_FULL = "board memory full"
FLASH_FULL = "board flash full"
DRIVEN_ON = "driven again before flash was ready for it"


def second_note(line, head, values, status, second):
    """Write what a second tells as a status note; gives its length.

    ``second`` says which columns give the host a second word.
    """
    line.begin(b'#status,{"pack_mv":')
    if head[0]:
        line.number(head[0])
    else:
        line.text(b"null")
    if any(second):
        line.text(b',"second":')
        mark = b"["
        for i in range(len(second)):
            line.text(mark)
            mark = b","
            if second[i] and not status[i]:
                line.number(values[i])
            else:
                line.text(b"null")
        line.text(b"]")
    line.text(b',"t_us":')
    line.number(head[1])
    line.text(b',"temperature_c":')
    mark = b"["
    for i in range(len(second)):
        line.text(mark)
        mark = b","
        if second[i] or status[i]:
            line.text(b"null")
        else:
            line.hundredths(values[i])
    line.text(b"]")
    return line.end()


class Store:
    """What is to be kept, and where it is: the run under way in ``blocks``, runs of before on ``shelf``."""

    largest = 1_000_000  # bytes taken at most

    def __init__(self, rig, throttle_up_us, section):
        section = section or {"where": "memory", "sectors": 128}
        self.sampler = None  # set once: whose device note and status go with a run
        self.shelf = None
        self._in_flash = section["where"] == "flash"
        self._sectors = section["sectors"]
        self._wired = rig.throttle.wired
        self._up_us = throttle_up_us
        self.state = _OFF  # 0 as long as nothing is to be kept
        self.missing = 0  # rows that the run under way, or the last one, is short of
        self._why = ""
        self._early = 0  # rows of a drive that began before the last run was written
        self.blocks = Blocks(rig.width)
        self._width = rig.width
        self._last_up = None
        self._rested = False  # the throttle has been down for a while; kept, for ticks tell no great age
        self._begun = False  # whether the run under way is on the shelf already
        self._page = 0  # of the oldest block, the next to be written
        self._rows = self._number = 0
        self._unready = self._leaving = False
        self._wanted = self._most = self._slot_us = 0
        self._prepared_us = None
        self._sensors = [column.sensor for column in rig.columns]
        self._pack = rig.pack
        self.second_words = ["kind" in sensor.describe()["scale"] for sensor in self._sensors]

    @property
    def fault(self):
        return self.shelf.fault if self.shelf is not None else None

    def look(self):
        """Look what lies on the shelf, once: it takes 100 ms, which a start without a run can do without."""
        if self.shelf is None:
            from undertray.shelf import Shelf  # noqa: PLC0415 - start-up time, where nothing is kept

            self.shelf = Shelf(self._sectors, self.sampler.work)
            self.shelf.find()
        return self.shelf

    def on(self, rate_hz, feed):
        """Take memory and wait for a run; gives what the user wants to know."""
        if self.state != _OFF:
            raise ValueError("is on already")
        if self.shelf is not None:
            self.shelf.find()
        shelf = self.look()
        if shelf.fault:
            raise ValueError(shelf.fault)
        free = shelf.free()
        self._slot_us = 1_000_000 // rate_hz
        self._most = _FLASH_PAGES if self._in_flash else min(14 * free, self.largest // 256)
        made = self._make_blocks()
        room = free * 15 * 224 if self._in_flash else made * 248
        # At a noise of ten counts a count takes some 5.5 bits, the rest of a row 8.
        rows = room * 8 // (8 + 11 * self._width // 2)
        if not made or rows < rate_hz:
            self.blocks.drop_all()
            raise ValueError("no room for even one second: erase runs, or fewer columns")
        self._wanted = free if self._in_flash else made // 14 + 2
        self._unready = True
        if not self._wired:
            while self._prepare():
                feed()
        self._last_up = self._prepared_us = time.ticks_us()
        self._rested = False
        self._new()
        self.missing = self._early = 0
        self._leaving = not self._wired
        self.state = _WAITING if self._wired else _RECORDING
        return {
            "where": "flash" if self._in_flash else "memory",
            "rows": rows,
            "seconds": rows // rate_hz,
            "begins": "when the throttle goes up" if self._wired else "now",
        }

    def _make_blocks(self):
        sizes = (1,) if self._in_flash else _MEMORY_PAGES
        return self.blocks.make(self._slot_us, sizes, self._most, _RESERVE)

    def lend(self):
        """Give the memory for runs away as long as nobody drives; True when ``take_back`` has to follow."""
        held = machine.disable_irq()
        waiting = self.state == _WAITING
        if waiting:
            self.blocks.drop_all()
        machine.enable_irq(held)
        gc.collect()
        return waiting

    def take_back(self):
        """Take the memory again; rows of a drive that began meanwhile are missing, and counted."""
        gc.collect()
        self._make_blocks()

    def _new(self):
        self._begun = False
        self._page = self._rows = 0
        self._why = ""
        self.blocks.clear()

    def off(self):
        """End the run; True when there is something to write."""
        if self.state in (_RECORDING, _FULL):
            held = machine.disable_irq()
            self._close()
            machine.enable_irq(held)
        if self.state >= _CLOSING:
            self.state = _CLOSING
            self._leaving = self._unready = True
            return True
        self._end()
        return False

    def _end(self):
        self.state = _OFF
        self.blocks.drop_all()

    def driving(self, width):
        """Whether a receiver has the throttle up: then nothing may wait, for the alarm would too."""
        return self._wired and width >= self._up_us

    def told(self):
        """The state as JSON, for a status note."""
        return b'"preparing"' if self._unready and self.state == _WAITING else STATES[self.state]

    def busy(self):
        return self.state != _OFF

    def keeping(self):
        """Whether a run is under way, or not yet written."""
        return _RECORDING <= self.state <= _CLOSING

    @micropython.native
    def watch(self, width, now):
        """Follow the throttle; True while rows are to be kept."""
        state = self.state
        if state == _OFF:
            return False
        if self._wired:
            if width >= self._up_us:
                self._last_up = now
                self._rested = False
                if state == _WAITING:
                    self.missing = self._early
                    self._early = 0
                    self.state = state = _RECORDING
                elif state >= _CLOSING:
                    self._early += 1
                    return False
            elif state >= _CLOSING or state == _WAITING:
                return False
            elif time.ticks_diff(now, self._last_up) > _SETTLE_US:
                self._close()
                return False
        return state == _RECORDING or state == _FULL

    @micropython.native
    def _close(self):
        self.blocks.close()
        self.state = _CLOSING

    @micropython.native
    def add(self, head, counts, status):
        """Keep a row, or count it."""
        if self.blocks.add(head, counts, status):
            self.state = _RECORDING
        else:
            self.state = _FULL
            self.missing += 1

    def second(self, now):
        """Keep what a status note says of the sensors: temperature, or a host's second word."""
        if self.state != _RECORDING:
            return
        waiting = self.blocks.second()
        if waiting is None:
            return
        head, values, status = waiting
        head[0] = self._pack.millivolts() if self._pack is not None else 0
        head[1] = now
        i = 0
        for sensor in self._sensors:
            value = sensor.second_word if self.second_words[i] else sensor.temperature_centi
            status[i] = WAIT if value is None else OK
            values[i] = 0 if value is None else value
            i += 1
        self.blocks.tell(second_note(self.sampler.notes.line, head, values, status, self.second_words))

    @micropython.native
    def step(self, width):
        """One step of what takes time, between two turns of the loop; tells of a run that is written."""
        state = self.state
        if state == _OFF:
            return None
        if not self._rested and time.ticks_diff(time.ticks_us(), self._last_up) > _SETTLE_US:
            self._rested = True
        if state == _UNWRITTEN:
            return None
        if state == _WAITING:
            if self._unready and self._calm(width):
                now = time.ticks_us()
                if time.ticks_diff(now, self._prepared_us) > _PAUSE_US:
                    self._prepare()
                    self._prepared_us = time.ticks_us()
        elif self._in_flash or state == _CLOSING:
            return self._write(width)
        return None

    def _calm(self, width):
        """Whether nobody drives: the throttle is down; where no receiver says so, after a while."""
        return width < self._up_us if width else self._rested

    def _prepare(self):
        """Make one more sector ready; False when there are enough."""
        i = -1
        if self.shelf.ready() < self._wanted:
            i = self.shelf.unready()
        if i < 0 or not self.shelf.prepare(i):
            self._unready = False
        return self._unready

    def _write(self, width):
        """Write a page; at the end of a run gives what became of it."""
        shelf = self.shelf
        blocks = self.blocks
        closing = self.state == _CLOSING
        if not self._begun:
            if not shelf.ready():
                if closing and self._calm(width) and not self._prepare():
                    self.state = _UNWRITTEN
                    return {"run": 0, "why": UNWRITTEN}
                return None
            self._begun = True
            self._number = shelf.begin(self.sampler.device)
        block = blocks.oldest()
        if block is not None:
            if self._page or shelf.room(block[1]):
                if shelf.put(block, self._page):
                    self._page = 0
                    self._rows += block[11] | block[12] << 8
                    blocks.taken()
                else:
                    self._page += 1
            elif closing:
                calm = self._calm(width)
                if not calm or not self._prepare():
                    self.missing += block[11] | block[12] << 8
                    self._why = FLASH_FULL if calm else DRIVEN_ON
                    blocks.taken()
            return None
        if not closing:
            return None
        told = {"run": self._number, "rows": self._rows}
        told.update(self.cut())
        shelf.end(self.missing, told.get("why", ""))
        self._new()
        self._unready = True
        self.state = _WAITING
        if self._leaving:
            self._end()
        return told

    def cut(self):
        """What a reply or a run says where the run is short of rows; nothing where it is whole."""
        if not self.missing:
            return {}
        why = self._why or (FLASH_FULL if self._in_flash else MEMORY_FULL)
        return {"cut": True, "missing_rows": self.missing, "why": why}

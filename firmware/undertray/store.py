"""Runs kept on the board, for drives without a cable.

Rows are packed into memory during the run and written to flash as the wire's own lines after it,
because erasing flash stops everything for tens of milliseconds. A run begins when the throttle goes up
and ends when it has been down for two seconds (without a throttle pin: ``store on`` to ``store
off``). It is written under another name and renamed at its end, so that power lost in between costs
that run and no other. What memory has no room for is left out and counted: the status notes, the replies
and the run itself, in the ``kept`` note at its end, tell how much.
"""

import gc
import os
import time
from array import array

import micropython
from micropython import const

from undertray.packed import MARK, pack, record_bytes, unpack
from undertray.sensors import OK, WAIT
from undertray.wire import ROW_LIMIT, note, row

__all__ = ["STATES", "Store"]

FOLDER = "runs"
_PIECE = const(2048)
_RESERVE = const(48_000)  # left to the rest of the program
_SETTLE_US = const(2_000_000)
_OFF = const(0)
_WAITING = const(1)
_RECORDING = const(2)
_FULL = const(3)
_CLOSING = const(4)
_KEPT = const(5)  # writing failed: it is tried again at "store off"
_COLLECT = const(256)  # records written between two collections, some 20 bytes each
STATES = (b'"off"', b'"waiting"', b'"keeping"', b'"full"', b'"closing"', b'"unwritten"')
FULL = "board memory full"


class Store:
    """Memory for one run, and the runs on flash."""

    largest = 1_000_000  # bytes taken at most

    def __init__(self, rig, throttle_up_us):
        self.sampler = None  # set once: whose device note and status go with a run
        self._n = len(rig.columns)
        self._size = record_bytes(self._n)
        self._wired = rig.throttle.wired
        self._up_us = throttle_up_us
        self.state = _OFF  # 0 as long as nothing is to be kept
        self.missing = 0  # rows that this run is short of
        self._per = max(1, _PIECE // self._size)
        self._pieces = []
        self._used = 0
        self._last_up = 0
        self._sensors = [column.sensor for column in rig.columns]
        self._pack = rig.pack
        self._second = ["kind" in sensor.describe()["scale"] for sensor in self._sensors]
        self._note_head = array("i", [0, 0, MARK, 0, self._n])
        self._note_values = array("i", [0] * self._n)
        self._note_status = bytearray(self._n)
        self._written = (array("i", [0, 0, 0, 0, self._n]), array("i", [0] * self._n), bytearray(self._n))
        self._line = memoryview(bytearray(ROW_LIMIT))
        self.fault = None
        self._clean()

    def _clean(self):
        """Remove what a loss of power left; a flash that cannot be read must not stop the start."""
        try:
            if FOLDER not in os.listdir():
                os.mkdir(FOLDER)
            for name in os.listdir(FOLDER):
                if name.endswith(".tmp"):
                    os.remove(FOLDER + "/" + name)
        except OSError as error:
            self.fault = "flash: {}".format(error)

    def on(self, rate_hz):
        """Take memory and wait for a run; gives what the user wants to know."""
        if self.fault:
            raise ValueError(self.fault)
        if self.state != _OFF:
            raise ValueError("is on already")
        most = min(self.largest // self._size, self._flash_free() // (40 + 11 * self._n))
        gc.collect()
        # In pieces: what is free is seldom free in one.
        try:
            while len(self._pieces) * self._per < most and gc.mem_free() > _RESERVE:
                self._pieces.append(bytearray(self._per * self._size))
        except MemoryError:
            pass
        rows = len(self._pieces) * self._per
        if rows < rate_hz:
            self._pieces = []
            raise ValueError("no room for even one second: erase runs, or fewer columns")
        self._used = self.missing = 0
        self.state = _WAITING if self._wired else _RECORDING
        begins = "when the throttle goes up" if self._wired else "now"
        return {"rows": rows, "seconds": rows // rate_hz, "begins": begins}

    def off(self):
        """End the run; True when there is something to write."""
        if self._used:
            self.state = _CLOSING
            return True
        self.state = _OFF
        self._pieces = []
        return False

    def driving(self, width):
        """Whether a receiver has the throttle up: then nothing may wait, for the alarm would too."""
        return self._wired and width >= self._up_us

    def busy(self):
        return self.state != _OFF

    def due(self):
        """Whether a run waits to be written; the loop does that between two slots."""
        return self.state == _CLOSING

    @micropython.native
    def watch(self, width, now):
        """Follow the throttle; True while rows are to be kept."""
        state = self.state
        if state == _OFF or state >= _CLOSING:
            return False
        if self._wired:
            if width >= self._up_us:
                self._last_up = now
                if state == _WAITING:
                    self.state = state = _RECORDING
            elif state != _WAITING and time.ticks_diff(now, self._last_up) > _SETTLE_US:
                self.state = _CLOSING
                return False
        if state == _FULL:
            self.missing += 1
        return state == _RECORDING

    @micropython.native
    def add(self, head, counts, status):
        """Keep a row; when the memory is full the rest of the run is missing, but not what is kept."""
        used = self._used
        piece = used // self._per
        if piece >= len(self._pieces):
            self.state = _FULL
            if head[2] != MARK:
                self.missing += 1
            return
        pack(self._pieces[piece], (used - piece * self._per) * self._size, head, counts, status)
        self._used = used + 1

    def second(self, now):
        """Keep what a status note says of the sensors: temperature, or a host's second word."""
        if self.state != _RECORDING:
            return
        self._note_head[0] = self._pack.millivolts() if self._pack is not None else 0
        self._note_head[1] = now
        i = 0
        for sensor in self._sensors:
            value = sensor.second_word if self._second[i] else sensor.temperature_centi
            self._note_status[i] = WAIT if value is None else OK
            self._note_values[i] = 0 if value is None else value
            i += 1
        self.add(self._note_head, self._note_values, self._note_status)

    def write(self, feed):
        """Write the run kept in memory to flash; gives its number and its rows.

        ``feed`` is called between pieces, for a watchdog.
        """
        number = max([0] + self.numbers()) + 1
        name = "{}/{:05d}".format(FOLDER, number)
        records = rows = 0
        gc.collect()
        try:
            with open(name + ".tmp", "wb") as file:
                file.write(self.sampler.device)
                while records < self._used:
                    is_row = self._put(file, records)
                    rows += is_row
                    records += 1
                    if not is_row or records % _COLLECT == 0:
                        gc.collect()
                        feed()
                told = {"rows": rows}
                told.update(self.cut())
                file.write(note("kept", told))
            os.rename(name + ".tmp", name + ".csv")
        except (OSError, MemoryError) as error:
            self.state = _KEPT
            why = "the run was not written ({!r}), it is still in memory: erase runs, then 'store off'"
            raise ValueError(why.format(error))
        told["run"] = number
        self._used = self.missing = 0
        self.state = _WAITING if self._wired else _OFF
        return told

    def cut(self):
        """What a reply or a run says where the run is short of rows; nothing where it is whole."""
        return {"cut": True, "missing_rows": self.missing, "why": FULL} if self.missing else {}

    def _put(self, file, record):
        """Write one record as its line; 1 for a row, 0 for a note."""
        head, counts, status = self._written
        at = record % self._per * self._size
        unpack(self._pieces[record // self._per], at, head, counts, status)
        if head[2] != MARK:
            file.write(self._line[: row(self._line, head, counts, status)])
            return 1
        n = self._n
        known = [None if status[i] else counts[i] for i in range(n)]
        warmth = [None if self._second[i] or known[i] is None else known[i] / 100 for i in range(n)]
        told = {"t_us": head[1], "pack_mv": head[0] or None, "temperature_c": warmth}
        if any(self._second):
            told.update({"second": [known[i] if self._second[i] else None for i in range(n)]})
        file.write(note("status", told))
        return 0

    def numbers(self):
        """Numbers of the runs on flash."""
        try:
            names = os.listdir(FOLDER)
        except OSError:
            return []
        return sorted([int(name[:-4]) for name in names if name.endswith(".csv") and name[:-4].isdigit()])

    def path(self, word):
        """File of a run; ValueError when there is no such run."""
        if not word.isdigit() or len(word) > 5 or int(word) not in self.numbers():
            raise ValueError("no run '{}', there are: {}".format(word[:8], self.numbers()[:40]))
        return "{}/{:05d}.csv".format(FOLDER, int(word))

    def _flash_free(self):
        if not hasattr(os, "statvfs"):
            return self.largest * 256
        told = os.statvfs(".")
        return told[0] * told[3]

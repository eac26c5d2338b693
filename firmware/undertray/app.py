"""The application: start-up, the commands, and the loop that keeps the time."""

import gc
import os
import time

import machine
import micropython
from micropython import const

from undertray import VERSION
from undertray.board import read_board
from undertray.console import Console
from undertray.link import IN, OUT, Port, Ring
from undertray.pacer import Pacer
from undertray.rig import Rig
from undertray.sampler import Sampler

__all__ = ["App", "run"]

# machine.idle() may sleep to the next millisecond, so it is left out shortly before a slot.
_IDLE_ABOVE_US = const(1200)
# About 100 bytes an exception: 256 of them are 25 kB between two collections.
_COLLECT_AFTER = const(256)
_RATE_LIMIT = const(2000)
# The slowest part needs about 25 ms from its supply to its first answer (from memory).
_POWER_UP_MS = const(50)


class App:
    """Everything that runs on the board, made from a checked board description."""

    def __init__(self, board, faults, port, boot):
        self.board = board
        self.faults = faults
        self.ring = Ring(port)
        self.rate_hz = 200
        self.pacer = Pacer()
        self.sampler = None
        self.rig = None
        self.console = Console(self.ring, {"info": self.info, "scan": self.scan, "selftest": self.selftest})
        if not faults:
            self._make(boot)

    def _make(self, boot):
        self.rig = Rig(self.board, boot)
        self.faults = self.rig.faults
        if self.faults:
            return
        time.sleep_ms(_POWER_UP_MS)
        for column in self.rig.columns:
            column.probe()
        self.rate_hz = self.board["rate_hz"]
        self.sampler = Sampler(self.rig, self.ring)
        self.sampler.set_rate(self.rate_hz)
        self.console.commands.update({"start": self.start, "stop": self.stop, "rate": self.rate})

    def info(self, _words):
        if self.faults or self.sampler is None:
            raise ValueError("board.json: " + "; ".join(self.faults)[:280])
        self.ring.put(self.sampler.device, len(self.sampler.device))
        return {"firmware": VERSION, "reset_cause": machine.reset_cause()}

    def start(self, _words):
        self.sampler.start()
        return {"rate_hz": self.rate_hz}

    def stop(self, _words):
        self.sampler.stop()

    def rate(self, words):
        if len(words) != 1 or not words[0].isdigit() or not 1 <= int(words[0]) <= _RATE_LIMIT:
            raise ValueError("rate HZ, a whole number from 1 to {}".format(_RATE_LIMIT))
        self.rate_hz = int(words[0])
        self.sampler.set_rate(self.rate_hz)
        self.pacer.set_rate(self.rate_hz)
        self.pacer.begin(time.ticks_us())
        return {"rate_hz": self.rate_hz}

    def scan(self, _words):
        """Addresses that answer on each bus, and behind each channel in use."""
        if self.rig is None:
            raise ValueError("no bus is open: board.json is not good")
        found = [
            {"bus": number, "found": self.rig.buses[number].i2c.scan()} for number in sorted(self.rig.buses)
        ]
        for column in self.rig.columns:
            if column.channel is not None:
                place = column.section["mux"]
                found.append({"bus": column.section["bus"], "mux": place, "found": column.channel.scan()})
        return {"buses": found}

    def selftest(self, _words):
        """Ask every column, and look at the rest of the board."""
        if self.rig is None:
            raise ValueError("board.json: " + "; ".join(self.faults)[:280])
        columns = [{"column": column.name, "fault": column.probe()} for column in self.rig.columns]
        return {
            "columns": columns,
            "good": not self.faults and all([column["fault"] is None for column in columns]),
            "throttle_us": self.rig.throttle.read(time.ticks_us()) or None,
            "pack_mv": self.rig.pack.millivolts() if self.rig.pack is not None else None,
            "free_bytes": gc.mem_free(),
        }

    @micropython.native
    def serve(self, left, now):
        """One step of what is not sampling: a piece to the host, or a few bytes from it."""
        ring = self.ring
        state = ring.port.ready()
        busy = False
        if state & OUT:
            busy = ring.pump(now)
        if state & IN:
            busy = True
            self.console.step()
        if not busy and left > _IDLE_ABOVE_US:
            machine.idle()

    def keep_time(self):
        """Sample at every deadline, serve the host between them; never comes back by itself."""
        pacer = self.pacer
        sampler = self.sampler
        throttle = self.rig.throttle
        pacer.set_rate(self.rate_hz)
        gc.collect()
        gc.disable()
        pacer.begin(time.ticks_us())
        while True:
            now = time.ticks_us()
            left = time.ticks_diff(pacer.due, now)
            if left <= 0:
                sampler.slot(now, pacer.pass_over(now))
                pacer.step()
                if sampler.spent > _COLLECT_AFTER:
                    sampler.spent = 0
                    gc.collect()
            else:
                throttle.read(now)
            self.serve(left, now)

    def only_console(self):
        """board.json is not good: say so, again and again, and answer."""
        while True:
            self.console.reply(
                {"to": "board", "ok": False, "why": "board.json: " + "; ".join(self.faults)[:280]}
            )
            told = time.ticks_us()
            while True:
                now = time.ticks_us()
                if time.ticks_diff(now, told) > 10_000_000:
                    break
                self.serve(10_000, now)


def run(port=None, boot=None, path="board.json"):
    """Start the board. ``port`` and ``boot`` are handed in by tests."""
    board, faults = read_board(path)
    if boot is None:
        boot = int.from_bytes(os.urandom(4), "big")
    app = App(board, faults, port or Port(), boot)
    try:
        if app.sampler is None:
            app.only_console()
        if board["autostart"]:
            app.sampler.start()
        app.keep_time()
    finally:
        gc.enable()

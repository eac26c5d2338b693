"""The application: start-up, the commands, and the loop that keeps the time."""

import gc
import os
import time

import machine
import micropython
from micropython import const

from undertray import VERSION
from undertray.alarm import Alarm
from undertray.bench import Bench
from undertray.board import read_board
from undertray.console import Console
from undertray.link import IN, OUT, Port, Ring
from undertray.pacer import Pacer
from undertray.rig import Rig
from undertray.runs import Runs
from undertray.sampler import Sampler
from undertray.store import Store

__all__ = ["App", "run"]

# machine.idle() may sleep to the next millisecond, so it is left out shortly before a slot.
_IDLE_ABOVE_US = const(1200)
# About 100 bytes an exception (from memory): 256 of them are 25 kB between two collections.
_COLLECT_AFTER = const(256)
_RATE_LIMIT = const(2000)
_REPEAT_US = const(10_000_000)
# The slowest part needs about 25 ms from its supply to its first answer (from memory).
_POWER_UP_MS = const(50)
_THROTTLE_UP_US = const(1200)


class App:
    """Everything that runs on the board, made from a board description.

    With ``faults`` there is only a console that says what they are.
    """

    def __init__(self, board, faults, port, boot):
        self.board = board
        self.faults = faults
        self.ring = Ring(port)
        self.pacer = Pacer()
        self.rig = self.sampler = self.bench = self.runs = None
        self.console = Console(self.ring, {"info": self.info})
        if not faults:
            self.rig = Rig(board, boot)
            self.faults = self.rig.faults
        if not self.faults:
            self._make()

    def _make(self):
        board, rig = self.board, self.rig
        time.sleep_ms(_POWER_UP_MS)
        for column in rig.columns:
            column.probe()
        alarm = None
        up_us = _THROTTLE_UP_US
        if board["alarm"] is not None:
            alarm = Alarm(board["alarm"], rig.columns, rig.throttle.wired)
            up_us = board["alarm"]["throttle_up_us"]
        self.store = Store(rig, up_us)
        self.sampler = Sampler(rig, self.ring, alarm, self.store)
        self.store.sampler = self.sampler
        self.sampler.set_rate(board["rate_hz"])
        self.bench = Bench(board["throttle"], self.console)
        self.runs = Runs(self.store, self.sampler, self.console, self.bench, self.feed)
        for name in ("start", "stop", "rate", "scan", "selftest", "beat", "arm"):
            self.console.commands[name] = getattr(self, name)
        self.console.commands["sweep"] = self.bench.sweep
        self.console.commands.update(self.runs.commands())

    def feed(self):
        if self.bench.watchdog is not None:
            self.bench.watchdog.feed()

    def info(self, _words):
        if self.faults:
            raise ValueError("board.json: " + "; ".join(self.faults))
        self.ring.put(self.sampler.device, len(self.sampler.device))
        return {"firmware": VERSION, "reset_cause": machine.reset_cause()}

    def start(self, _words):
        self.sampler.start()
        return {"rate_hz": self.sampler.rate_hz}

    def stop(self, _words):
        """Ends a sweep as well as the rows."""
        self.bench.stop()
        self.sampler.stop()

    def beat(self, _words):
        """Says that the host is there: while a sweep runs, at least once a second."""

    def arm(self, words):
        if self.store.busy():
            raise ValueError("a run is being kept: 'store off' first")
        return self.bench.arm(words)

    def rate(self, words):
        if len(words) != 1 or not words[0].isdigit() or not 1 <= int(words[0][:5]) <= _RATE_LIMIT:
            raise ValueError("rate HZ, a whole number from 1 to {}".format(_RATE_LIMIT))
        if self.store.busy():
            raise ValueError("a run is being kept: 'store off' first")
        rate_hz = int(words[0])
        self.sampler.set_rate(rate_hz)
        self.pacer.set_rate(rate_hz)
        self.pacer.begin(time.ticks_us())
        return {"rate_hz": rate_hz}

    def scan(self, _words):
        """Addresses that answer on each bus, and behind each channel in use."""
        buses = self.rig.buses
        found = [{"bus": number, "found": buses[number].i2c.scan()} for number in sorted(buses)]
        for column in self.rig.columns:
            if column.channel is not None:
                place = column.section["mux"]
                found.append({"bus": column.section["bus"], "mux": place, "found": column.channel.scan()})
        return {"buses": found}

    def selftest(self, _words):
        """Ask every column, and look at the rest of the board."""
        columns = [{"column": column.name, "fault": column.probe()} for column in self.rig.columns]
        pack = self.rig.pack
        return {
            "columns": columns,
            "good": self.store.fault is None and all([column["fault"] is None for column in columns]),
            "flash": self.store.fault,
            "throttle_us": self.rig.throttle.read(time.ticks_us()) or None,
            "pack_mv": pack.millivolts() if pack is not None else None,
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

    @micropython.native
    def turn(self):
        """Once round the loop: a slot when its time has come, and a step for the host."""
        pacer = self.pacer
        sampler = self.sampler
        bench = self.bench
        now = time.ticks_us()
        left = time.ticks_diff(pacer.due, now)
        if left <= 0:
            sampler.slot(now, pacer.pass_over(now))
            pacer.step()
        else:
            self.rig.throttle.read(now)
        bench.tick(now)
        sampler.driven_us = bench.width_us
        self.serve(left, now)

    def keep_time(self):
        """Sample at every deadline, serve the host between them; never comes back by itself."""
        self.pacer.set_rate(self.sampler.rate_hz)
        gc.collect()
        gc.disable()
        self.pacer.begin(time.ticks_us())
        while True:
            self.turn()
            if self.sampler.health.spent > _COLLECT_AFTER:
                self.sampler.health.spent = 0
                gc.collect()
            if self.store.due():
                self.runs.write()
                self.sampler.health.wake_all(time.ticks_us())

    def only_console(self):
        """board.json is not good: say so, again and again, and answer."""
        why = "board.json: " + "; ".join(self.faults)
        while True:
            self.console.reply({"to": "board", "ok": False, "why": why[:1500]})
            told = now = time.ticks_us()
            while time.ticks_diff(now, told) < _REPEAT_US:
                self.serve(_REPEAT_US, now)
                now = time.ticks_us()


def run(port=None, boot=None, path="board.json"):
    """Start the board. ``port`` and ``boot`` are handed in by tests."""
    board, faults = read_board(path)
    if boot is None:
        boot = int.from_bytes(os.urandom(4), "big")
    app = App(board, faults, port or Port(), boot)
    if app.faults:
        app.only_console()
    if board["autostart"]:
        app.sampler.start()
    if board["store"] is not None and board["store"]["at_boot"]:
        app.runs.switch(["on"])
    try:
        while True:
            try:
                app.keep_time()
            except KeyboardInterrupt:
                # A Ctrl-C in a flood of garbage is garbage; a clean one leads to the prompt.
                if not app.console.in_garbage():
                    raise
    finally:
        app.bench.off()
        gc.enable()

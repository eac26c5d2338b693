"""The application: start-up, the commands, the timer that samples, and the loop between two slots.

Where the port has hard timer interrupts (the RP2040 has) a slot runs in one: whatever the program does,
a command, a note, a collection or a write that waits for a host, sampling and alarm keep their time.
Elsewhere the loop looks at the clock, and a slot comes between two of its turns.
"""

import gc
import os
import time

import machine
import micropython
from micropython import const

from undertray.alarm import Alarm
from undertray.bench import Bench
from undertray.boardfile import read_board
from undertray.commands import Commands
from undertray.console import Console, Ear
from undertray.link import IN, OUT, WIDE, Port, Ring
from undertray.rig import Rig
from undertray.runs import Runs
from undertray.sampler import Sampler
from undertray.store import Store

__all__ = ["App", "run"]

_PIECE = const(64)
_WIDEST = const(256)
_PIECES = const(4)
_DUE, _ALIVE = const(15), const(28)
# machine.idle() may sleep to the next millisecond, so it is left out shortly before a slot.
_IDLE_ABOVE_US = const(1200)
# About 100 bytes an exception (from memory), and 8 kB are left free where a run is kept in memory.
_COLLECT_AFTER = const(64)
_REPEAT_US = const(10_000_000)
_AGAIN_MS = const(1000)  # in ms, for ticks in us tell no age of more than nine minutes
_WHY = const(1000)  # characters, for each may take two in a note
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
        self.rings = [self.ring]
        self.rig = self.sampler = self.bench = self.runs = None
        self.commands = Commands(self)
        self.console = Console(self.ring, {"info": self.commands.info})
        if not faults:
            try:
                self._make(boot)
            except Exception as error:
                # Pins or buses that the port refuses: the console must come up all the same.
                self.faults = [_sentence(error)]

    def _make(self, boot):
        board = self.board
        self.rig = rig = Rig(board, boot)
        self.faults = rig.faults
        if self.faults:
            return
        if board["links"]:
            from undertray.remote import open_port  # noqa: PLC0415 - start-up time, where there are links
        for section in board["links"]:
            ring = Ring(open_port(section))
            ring.shut = True
            self.rings.append(ring)
            self.console.ears.append(Ear(ring, section["allow"]))
        time.sleep_ms(_POWER_UP_MS)
        for column in rig.parts:
            column.probe()
        alarm = None
        up_us = _THROTTLE_UP_US
        if board["alarm"] is not None:
            alarm = Alarm(board["alarm"], rig.columns, rig.throttle.wired)
            up_us = board["alarm"]["throttle_up_us"]
        self.store = Store(rig, up_us, board["store"])
        self.sampler = Sampler(rig, self.rings, alarm, self.store)
        self.store.sampler = self.sampler
        self.sampler.set_rate(board["rate_hz"])
        self.bench = Bench(board["throttle"], self.console, boot)
        self.runs = Runs(self.store, self.sampler, self.console, self.bench, self.feed)
        self.console.sealed = ["arm", "sweep", "beat"]
        self.console.commands.update(self.commands.all())
        self.console.commands.update(self.runs.commands())
        self.console.always = self.store.cut

    def feed(self):
        """The program goes on, though it does not come round the loop just now."""
        self.sampler.work[_ALIVE] = 0
        if self.bench.watchdog is not None:
            self.bench.watchdog.feed()

    @micropython.native
    def serve(self, idle, now):
        """One step of what is not sampling: on every link a piece to the host, and a few bytes from it."""
        busy = False
        for ear in self.console.ears:
            ring = ear.ring
            port = ring.port
            state = port.ready()
            if ear.allow is not None and ear.reader != port.reader:
                self._greet(ear)
            pieces = _PIECES
            while state & OUT and ring.pump(now, _WIDEST if state & WIDE else _PIECE):
                busy = True
                pieces -= 1
                if not pieces:
                    break
                state = port.ready()
            if state & IN:
                busy = True
                self.console.step(ear)
        if idle and not busy:
            machine.idle()

    def _greet(self, ear):
        """Somebody came to a link, or left it."""
        ring = ear.ring
        ear.n = 0
        ear.reader = ring.port.reader
        ring.begin(ear.reader != 0)
        if self.sampler.streaming:
            ring.put(self.sampler.device, len(self.sampler.device))

    @micropython.native
    def turn(self):
        """Once round the loop: a slot where no timer takes it, and a step for the host."""
        bench = self.bench
        sampler = self.sampler
        now = time.ticks_us()
        idle = True
        if sampler.timed:
            sampler.work[_ALIVE] = 0
        elif not sampler.slot(now):
            self.rig.throttle.read(now)
            idle = time.ticks_diff(sampler.work[_DUE], now) > _IDLE_ABOVE_US
        if bench.awake:
            bench.tick(now)
            sampler.drive(bench.width_us)
        sampler.tell()
        self.serve(idle, now)

    def begin(self):
        """What board.json says of the start, and the first slot."""
        gc.collect()
        gc.disable()
        self.sampler.time_itself()
        if self.board["autostart"]:
            self.sampler.start()
        self.sampler.set_rate(self.board["rate_hz"])
        # Looking what lies on flash takes 0.2 s, in which a timer samples already.
        if self.board["store"] is not None and self.board["store"]["at_boot"]:
            self.console.execute(["store", "on"])

    def end(self):
        """No pulse, no slot and no alarm from here on."""
        if self.bench is not None:
            self.bench.off()
        if self.sampler is not None:
            self.sampler.end()

    def keep_time(self):
        """Sample at every deadline, serve the host between them; never comes back by itself."""
        # Near the largest rate the slots leave a fifth of the time: what the loop looks up costs rows.
        turn, sampler, store = self.turn, self.sampler, self.store
        health = sampler.health
        while True:
            turn()
            if sampler.interrupted:
                sampler.interrupted = False
                raise KeyboardInterrupt
            if health.spent > _COLLECT_AFTER:
                health.spent = 0
                gc.collect()
            if store.state:
                self.runs.step()

    def only_console(self):
        """board.json is not good: say so, again and again, and answer."""
        why = "board.json: " + "; ".join(self.faults)
        while True:
            self.console.reply({"to": "board", "ok": False, "why": why[:_WHY]})
            told = now = time.ticks_us()
            while time.ticks_diff(now, told) < _REPEAT_US:
                self.serve(True, now)
                now = time.ticks_us()


def _sentence(error):
    return "{}: {}".format(type(error).__name__, error)


def _go_on(app):
    """Keep time through what should not have happened: once is told and survived, twice a second is not.

    Without the loop there is no alarm, so a fault nobody thought of must not end it; the fans, if the board
    drives them, are off in any case.
    """
    failed = None
    while True:
        try:
            app.keep_time()
        except KeyboardInterrupt:
            # A Ctrl-C in a flood of garbage is garbage; a clean one leads to the prompt.
            if not app.console.in_garbage():
                raise
        except Exception as error:
            app.bench.off()
            now = time.ticks_ms()
            if failed is not None and 0 <= time.ticks_diff(now, failed) < _AGAIN_MS:
                raise
            failed = now
            app.console.reply({"to": "board", "ok": False, "why": _sentence(error)[:300]})


def run(port=None, boot=None, path="board.json"):
    """Start the board. ``port`` and ``boot`` are handed in by tests."""
    board, faults = read_board(path)
    if boot is None:
        boot = int.from_bytes(os.urandom(4), "big")
    app = App(board, faults, port or Port(), boot)
    if app.faults:
        app.only_console()
    try:
        app.begin()
        _go_on(app)
    finally:
        app.end()
        gc.enable()

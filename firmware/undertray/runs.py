"""Commands for the runs kept on the board: store, runs, fetch, erase."""

import gc
import os
import time

from micropython import const

from undertray.link import OUT

__all__ = ["Runs"]

_STALL_US = const(2_000_000)
_LONGEST = const(2100)
_REPLY = const(512)  # room kept for the reply, also to a host that has stopped reading


class Runs:
    """``feed`` keeps a watchdog quiet while flash is written."""

    def __init__(self, store, sampler, console, bench, feed):
        self._store = store
        self._sampler = sampler
        self._console = console
        self._bench = bench
        self._feed = feed

    def commands(self):
        return {"store": self.switch, "runs": self.list, "fetch": self.fetch, "erase": self.erase}

    def switch(self, words):
        if words == ["on"]:
            if self._bench.watchdog is not None:
                raise ValueError("the bench was armed: its watchdog allows no writing of flash until a reset")
            return self._store.on(self._sampler.rate_hz)
        if words == ["off"]:
            self._refuse_to_wait()
            return {"writing": self._store.off()}
        raise ValueError("store on, or store off")

    def write(self):
        """Write the run that is due, and tell."""
        answer = {"to": "store", "ok": True}
        try:
            answer.update(self._store.write(self._feed))
        except ValueError as error:
            answer.update({"ok": False, "why": str(error)[:300]})
        self._console.reply(answer)

    def _refuse_to_wait(self):
        """Flash and a slow host hold up the loop, and with it the alarm and the limits of the bench."""
        if self._bench.width_us:
            raise ValueError("the bench is armed: 'stop' first")
        if self._store.driving(self._sampler.head[2]):
            raise ValueError("the throttle is up: not while driving")

    def list(self, _words):
        found = []
        for number in self._store.numbers()[-40:]:
            found.append({"run": number, "bytes": os.stat(self._store.path(str(number)))[6]})
        return {"runs": found}

    def fetch(self, words):
        """Send the lines of a run as they are, between two replies."""
        if len(words) != 1:
            raise ValueError("fetch N: the number of a run, see 'runs'")
        self._refuse_to_wait()
        path = self._store.path(words[0])
        if self._sampler.streaming:
            raise ValueError("rows are being sent: 'stop' first")
        size = os.stat(path)[6]
        self._console.reply({"to": "fetch", "ok": True, "run": int(words[0]), "bytes": size})
        lines = 0
        with open(path, "rb") as file:
            while True:
                line = file.readline(_LONGEST)
                if not line:
                    break
                self._push(line)
                lines += 1
                if lines % 64 == 0:
                    gc.collect()
        return {"run": int(words[0]), "lines": lines, "done": True}

    def _push(self, line):
        """Queue a line, waiting for a host that reads, but not for ever."""
        ring = self._console.ring
        moved = time.ticks_us()
        while ring.room() < len(line) + _REPLY:
            self._feed()
            now = time.ticks_us()
            if ring.port.ready() & OUT and ring.pump(now):
                moved = now
            elif time.ticks_diff(now, moved) > _STALL_US:
                raise ValueError("the host does not read")
        ring.put(line, len(line))

    def erase(self, words):
        if len(words) != 1:
            raise ValueError("erase N: the number of a run, see 'runs'")
        self._refuse_to_wait()
        os.remove(self._store.path(words[0]))
        return {"run": int(words[0])}

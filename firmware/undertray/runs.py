"""Commands for the runs kept on the board: store, runs, fetch, erase."""

import gc
import hashlib
import os
import time

from micropython import const

from undertray.link import OUT

__all__ = ["Runs"]

_STALL_US = const(2_000_000)
_PIECE = const(512)
_DIGEST = const(16)  # hex digits of the digest that an erase may carry
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
            told = {"writing": self._store.off()}
            told.update(self._store.cut())
            return told
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
        """Send a run as it is, from byte FROM on, between two replies; the last has the digest of all."""
        if len(words) not in (1, 2) or not all([word.isdigit() and len(word) <= 8 for word in words]):
            raise ValueError("fetch N, or fetch N FROM: the number of a run, see 'runs', and a byte in it")
        self._refuse_to_wait()
        path = self._store.path(words[0])
        if self._sampler.streaming:
            raise ValueError("rows are being sent: 'stop' first")
        told = {"run": int(words[0]), "bytes": os.stat(path)[6], "from": int(words[1]) if words[1:] else 0}
        begin = {"to": "fetch", "ok": True}
        begin.update(told)
        self._console.reply(begin)
        told.update({"sha256": self._read(path, told["from"]), "done": True})
        return told

    def _read(self, path, start):
        """Read a run, queue what lies behind byte ``start``; gives the digest of all of it."""
        digest = hashlib.sha256()
        piece = memoryview(bytearray(_PIECE))
        at = n = 0
        with open(path, "rb") as file:
            while True:
                at += n
                n = file.readinto(piece)
                if not n:
                    break
                self._feed()
                digest.update(piece[:n])
                if at + n > start:
                    self._push(piece[max(0, start - at) : n])
                if at % 16384 == 0:
                    gc.collect()
        return "".join(["{:02x}".format(byte) for byte in digest.digest()])

    def _push(self, part):
        """Queue a piece, waiting for a host that reads, but not for ever."""
        ring = self._console.ring
        moved = time.ticks_us()
        while ring.room() < len(part) + _REPLY:
            self._feed()
            now = time.ticks_us()
            if ring.port.ready() & OUT and ring.pump(now):
                moved = now
            elif time.ticks_diff(now, moved) > _STALL_US:
                ring.put(b"\n", 1)  # a piece ends anywhere, and the reply begins a line
                raise ValueError("the host does not read")
        ring.put(part, len(part))

    def erase(self, words):
        """Erase a run; where the begin of its digest is given, only the run that has it."""
        if len(words) not in (1, 2):
            raise ValueError("erase N, or erase N DIGEST: the number of a run, see 'runs'")
        self._refuse_to_wait()
        path = self._store.path(words[0])
        if words[1:] and self._read(path, 1 << 29)[:_DIGEST] != words[1]:
            raise ValueError("run {} has another digest: not erased".format(int(words[0])))
        os.remove(path)
        return {"run": int(words[0])}

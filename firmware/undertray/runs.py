"""Commands for the runs kept on the board: store, runs, fetch, erase."""

import time

from micropython import const

from undertray.link import OUT

__all__ = ["Runs"]

_STALL_US = const(2_000_000)
_DIGEST = const(16)  # hex digits of the digest that an erase may carry
_REPLY = const(512)  # room kept for the reply, also to a host that has stopped reading
_TOLD_US = const(1_000_000)
_NOWHERE = const(1 << 29)  # behind the end of any run


class Runs:
    """``feed`` keeps a watchdog quiet while flash is written."""

    def __init__(self, store, sampler, console, bench, feed):
        self._store = store
        self._sampler = sampler
        self._console = console
        self._bench = bench
        self._feed = feed
        self._told_us = None
        self._known = (0, "")  # digest of the run sent last

    def commands(self):
        found = {"store": self.switch}
        for name, work in (("runs", self.list), ("fetch", self.fetch), ("erase", self.erase)):
            found[name] = self._reader(work)
        return found

    def _reader(self, work):
        """A command that works on the shelf, with the memory that a run to come would take."""

        def do(words):
            self.refuse_to_wait()
            if self._store.keeping():
                raise ValueError("a run is being kept: wait for its end, or 'store off'")
            lent = self._store.lend()
            try:
                return work(self._store.look(), words)
            finally:
                if lent:
                    self._store.take_back()

        return do

    def switch(self, words):
        if words == ["on"]:
            if self._bench.watchdog is not None:
                raise ValueError("the bench was armed: its watchdog allows no writing of flash until a reset")
            self.refuse_to_wait()
            return self._store.on(self._sampler.rate_hz, self._feed)
        if words == ["off"]:
            self.refuse_to_wait()
            return {"writing": self._store.off()}
        raise ValueError("store on, or store off")

    def step(self):
        """One step of keeping; tells when a run is written."""
        told = self._store.step(self._sampler.drive_us)
        if told is not None:
            answer = {"to": "store", "ok": told["run"] > 0}
            answer.update(told)
            self._console.reply(answer)

    def refuse_to_wait(self):
        """What keeps the loop for long is not begun while a car drives, or fans run on the bench."""
        if self._bench.width_us:
            raise ValueError("the bench is armed: 'stop' first")
        if self._driving():
            raise ValueError("the throttle is up: not while driving")

    def _driving(self):
        return self._store.driving(self._sampler.drive_us)

    def list(self, shelf, _words):
        from undertray.reading import weigh  # noqa: PLC0415 - start-up time

        runs = shelf.runs()[-40:]
        if shelf.fault and not runs:
            raise ValueError(shelf.fault)
        return {"runs": [{"run": run, "bytes": weigh(shelf, run, self._feed)[0]} for run in runs]}

    def fetch(self, shelf, words):
        """Send a run as lines, from byte FROM on, between two replies; the last has the digest of all."""
        if len(words) not in (1, 2) or not all([word.isdigit() and len(word) <= 8 for word in words]):
            raise ValueError("fetch N, or fetch N FROM: the number of a run, see 'runs', and a byte in it")
        run = self._number(shelf, words[0])
        if self._sampler.streaming:
            raise ValueError("rows are being sent: 'stop' first")
        from undertray.reading import Lines, unpack, weigh  # noqa: PLC0415 - start-up time

        size, kept = weigh(shelf, run, self._feed)
        told = {"run": run, "bytes": size, "from": int(words[1]) if words[1:] else 0}
        answer = {"to": "fetch", "ok": True}
        answer.update(told)
        self._console.reply(answer)
        self._told_us = time.ticks_us()
        digest = unpack(shelf, run, kept, Lines(told["from"], self._push), self._sampler.notes.line)
        self._known = (run, digest)
        told.update({"sha256": digest, "done": True})
        return told

    def _number(self, shelf, word):
        runs = shelf.runs()
        if not word.isdigit() or len(word) > 5 or int(word) not in runs:
            raise ValueError("no run '{}', there are: {}".format(word[:8], runs[:40]))
        return int(word)

    def _push(self, part):
        """Queue a piece, waiting for a host that reads, but not for ever."""
        ring = self._console.ring
        now = moved = time.ticks_us()
        if not part and time.ticks_diff(now, self._told_us) > _TOLD_US:
            self._told_us = now
            self._console.reply({"to": "fetching", "ok": True})  # the host hears nothing else meanwhile
        while True:
            self._feed()
            if self._driving():
                self._break_off("the throttle went up: fetch it again when it is down")
            now = time.ticks_us()
            if ring.port.ready() & OUT and ring.pump(now):
                moved = now
            elif time.ticks_diff(now, moved) > _STALL_US:
                self._break_off("the host does not read")
            if ring.room() >= len(part) + _REPLY:
                break
        ring.put(part, len(part))

    def _break_off(self, why):
        self._console.ring.put(b"\n", 1)  # a piece ends anywhere, and the reply begins a line
        raise ValueError(why)

    def erase(self, shelf, words):
        """Erase a run; where the begin of its digest is given, only the run that has it."""
        if len(words) not in (1, 2):
            raise ValueError("erase N, or erase N DIGEST: the number of a run, see 'runs'")
        run = self._number(shelf, words[0])
        if words[1:] and self._digest(shelf, run)[:_DIGEST] != words[1]:
            raise ValueError("run {} has another digest: not erased".format(run))
        self._known = (0, "")
        if not shelf.erase(run, self._may_erase):
            raise ValueError("not all of it: the throttle went up, or flash failed")
        return {"run": run}

    def _digest(self, shelf, run):
        """Digest of a run; it is known of the run that was sent last."""
        if self._known[0] != run:
            from undertray.reading import Lines, unpack, weigh  # noqa: PLC0415 - start-up time

            kept = weigh(shelf, run, self._feed)[1]
            self._known = (
                run,
                unpack(shelf, run, kept, Lines(_NOWHERE, self._push), self._sampler.notes.line),
            )
        return self._known[1]

    def _may_erase(self):
        self._feed()
        return not self._driving()

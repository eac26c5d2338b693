"""The commands that are not about kept runs: what a host can ask of a board, and tell it."""

import gc

import machine
from micropython import const

from undertray import VERSION

__all__ = ["Commands"]

_RATE_LIMIT = const(2000)


class Commands:
    """Commands on an ``App``. Each the words behind its name; ``console`` says what it may give or raise."""

    def __init__(self, app):
        self.app = app

    def all(self):
        names = ("start", "stop", "rate", "scan", "selftest", "caution", "arm")
        found = {name: getattr(self, name) for name in names}
        found.update({"sweep": self.app.bench.sweep, "beat": self.app.bench.beat})
        return found

    def info(self, _words):
        if self.app.faults:
            raise ValueError("board.json: " + "; ".join(self.app.faults))
        self.app.console.ring.put(self.app.sampler.device, len(self.app.sampler.device))
        told = {"firmware": VERSION, "reset_cause": machine.reset_cause()}
        if self.app.board["links"]:
            told["links"] = [ear.ring.port.state() for ear in self.app.console.ears[1:]]
        return told

    def start(self, _words):
        self.app.sampler.start()
        return {"rate_hz": self.app.sampler.rate_hz}

    def stop(self, _words):
        """Ends a sweep as well as the rows; tells whether there were rows, for who wants them again after."""
        streamed = self.app.sampler.streaming
        self.app.bench.stop()
        self.app.sampler.stop()
        return {"streamed": streamed}

    def caution(self, words):
        self._nothing_kept()
        return self.app.bench.caution(words)

    def arm(self, words):
        self._nothing_kept()
        return self.app.bench.arm(words)

    def _nothing_kept(self):
        if self.app.store.busy():
            raise ValueError("a run is being kept: 'store off' first")

    def rate(self, words):
        good = len(words) == 1 and words[0].isdigit() and len(words[0]) <= 4
        if not good or not 1 <= int(words[0]) <= _RATE_LIMIT:
            raise ValueError("rate HZ, a whole number from 1 to {}".format(_RATE_LIMIT))
        self._nothing_kept()
        rate_hz = int(words[0])
        self.app.sampler.set_rate(rate_hz)
        return {"rate_hz": rate_hz}

    def scan(self, _words):
        """Addresses that answer on each bus, and behind each channel in use."""
        self._not_driving()
        return self.app.sampler.pause(self._scan)

    def _not_driving(self):
        """What takes the buses from the sampler costs slots, and the alarm its eyes."""
        self.app.runs.refuse_to_wait()

    def _scan(self):
        buses = self.app.rig.buses
        found = []
        for number in sorted(buses):
            self.app.feed()
            found.append({"bus": number, "found": buses[number].i2c.scan()})
        for column in self.app.rig.columns:
            if column.channel is not None:
                self.app.feed()
                place = column.section["mux"]
                found.append({"bus": column.section["bus"], "mux": place, "found": column.channel.scan()})
        return {"buses": found}

    def selftest(self, _words):
        """Ask every column, and look at the rest of the board."""
        self._not_driving()
        return self.app.sampler.pause(self._selftest)

    def _selftest(self):
        columns = []
        for column in self.app.rig.parts:
            self.app.feed()  # each may take a tenth of a second, and a watchdog that was armed stays
            columns.append({"column": column.name, "fault": column.probe()})
        pack = self.app.rig.pack
        return {
            "columns": columns,
            "good": self.app.store.fault is None and all([column["fault"] is None for column in columns]),
            "flash": self.app.store.fault,
            "throttle_us": self.app.sampler.head[2] or None,
            "pack_mv": pack.millivolts() if pack is not None else None,
            "free_bytes": gc.mem_free(),
            "failed_slots": self.app.sampler.failed,
        }

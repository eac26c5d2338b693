"""Commands from the host: one a line, each answered by a note, none of them ever fatal."""

import gc
import time

from micropython import const

from undertray.boardfaults import GUARDED
from undertray.link import IN
from undertray.wire import check, note

__all__ = ["Console", "Ear"]

_LONGEST = const(120)
_BYTES_A_STEP = const(16)
_SILENCE_MS = const(500)  # in ms, for ticks in us tell no age of more than nine minutes


class Ear:
    """A link that commands come from, and its line so far.

    ``allow`` are the guarded words that it may say, None for all.
    """

    def __init__(self, ring, allow=None):
        self.ring = ring
        self.allow = allow
        self.reader = 0  # which visitor of the port this is for
        self.garbled = False
        self.heard = time.ticks_ms()
        self.line = bytearray(_LONGEST)
        self.n = 0


class Console:
    """Collects bytes to lines and runs what they say. The first of its ``ears`` is USB.

    ``commands`` maps a word to a function of the list of words behind it; what it returns (a dict
    or None) goes into the reply, and a ValueError is a refusal with its sentence. The words in ``sealed``
    end in a comma and the check of all before it, like a row.
    """

    def __init__(self, ring, commands):
        self.ears = [Ear(ring)]
        self.asking = None  # the ear whose command is under way
        self.commands = commands
        self.sealed = []
        self.always = None  # gives what goes into every answer

    @property
    def ring(self):
        """Where the answer of the command under way goes; else that of USB."""
        return (self.asking or self.ears[0]).ring

    def in_garbage(self):
        """Whether what comes from USB makes no sense just now; half a second of silence ends that."""
        ear = self.ears[0]
        recent = 0 <= time.ticks_diff(time.ticks_ms(), ear.heard) < _SILENCE_MS
        return recent and (ear.garbled or ear.n > 0)

    def step(self, ear):
        """Take what is waiting, a few bytes at most; True after a command was run."""
        port = ear.ring.port
        left = _BYTES_A_STEP
        ear.heard = time.ticks_ms()
        while left:
            byte = port.read()
            if byte == 10 or byte == 13:
                if ear.n:
                    self._finish(ear)
                    return True
            elif byte >= 0:
                if ear.n < _LONGEST:
                    ear.line[ear.n] = byte
                ear.n += 1
            left -= 1
            if not left or not port.ready() & IN:
                break
        return False

    def _finish(self, ear):
        self.asking = ear
        try:
            self._obey(ear)
        finally:
            self.asking = None

    def _obey(self, ear):
        n = ear.n
        ear.n = 0
        if n > _LONGEST:
            self._refuse("?", "line longer than {} bytes".format(_LONGEST))
            return
        # Letter by letter: what is no ASCII must not come as far as a decoder that could raise.
        text = "".join([chr(byte) if 32 <= byte < 127 else "?" for byte in memoryview(ear.line)[:n]])
        words = [word for word in text.split(" ") if word]
        name = words[0].split(",")[0] if words else ""
        if name in self.sealed:
            if text[-5:] != ",{:04x}".format(check(ear.line, max(0, n - 5))):
                self._refuse(name, "no good check at its end: 'undertray sweep' sends what moves fans")
                return
            words[-1] = words[-1][:-5]
        if ear.allow is not None and name in GUARDED and name not in ear.allow:
            self._refuse(name, "not over this link: say it over USB, or name it in 'allow' of board.json")
            return
        self.execute(words)

    def execute(self, words):
        """Run a command and its words, and reply."""
        name = words[0] if words else ""
        command = self.commands.get(name)
        if command is None:
            self._refuse(name or "?", "unknown command, known: " + " ".join(sorted(self.commands)))
            return
        if self.asking is not None:
            self.asking.garbled = False
        try:
            answer = {"to": name, "ok": True}
            answer.update(command(words[1:]) or {})
            self.reply(answer)  # here, for an answer may be longer than a note
        except ValueError as error:
            self._refuse(name, str(error))
        except Exception as error:
            # Whatever a command runs into, the stream goes on; a trace would go into its middle.
            self._refuse(name, "{}: {}".format(type(error).__name__, error))

    def _refuse(self, name, why):
        if self.asking is not None:
            self.asking.garbled = True
        self.reply({"to": name[:24], "ok": False, "why": why[:300]})

    def reply(self, data):
        """Answer who asked; what nobody asked for goes to all."""
        if self.always is not None:
            for key, value in self.always().items():
                data.setdefault(key, value)
        line = note("reply", data)
        for ear in self.ears:
            if self.asking is None or self.asking is ear:
                ear.ring.put(line, len(line))
        gc.collect()

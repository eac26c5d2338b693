"""Commands from the host: one a line, each answered by a note, none of them ever fatal."""

import gc
import time

from micropython import const

from undertray.link import IN
from undertray.wire import check, note

__all__ = ["Console"]

_LONGEST = const(120)
_BYTES_A_STEP = const(16)
_SILENCE_US = const(500_000)


class Console:
    """Collects bytes to lines and runs what they say.

    ``commands`` maps a word to a function of the list of words behind it; what it returns (a dict
    or None) goes into the reply, and a ValueError is a refusal with its sentence. The words in ``sealed``
    end in a comma and the check of all before it, like a row.
    """

    def __init__(self, ring, commands):
        self.ring = ring
        self.commands = commands
        self.sealed = []
        self.garbled = False
        self._heard = time.ticks_us()
        self._line = bytearray(_LONGEST)
        self._n = 0

    def in_garbage(self):
        """Whether what comes from the host makes no sense just now; half a second of silence ends that."""
        recent = time.ticks_diff(time.ticks_us(), self._heard) < _SILENCE_US
        return recent and (self.garbled or self._n > 0)

    def step(self):
        """Take what is waiting, a few bytes at most; True after a command was run."""
        port = self.ring.port
        left = _BYTES_A_STEP
        self._heard = time.ticks_us()
        while left:
            byte = port.read()
            if byte == 10 or byte == 13:
                if self._n:
                    self._finish()
                    return True
            elif byte >= 0:
                if self._n < _LONGEST:
                    self._line[self._n] = byte
                self._n += 1
            left -= 1
            if not left or not port.ready() & IN:
                break
        return False

    def _finish(self):
        n = self._n
        self._n = 0
        if n > _LONGEST:
            self._refuse("?", "line longer than {} bytes".format(_LONGEST))
            return
        # Letter by letter: what is no ASCII must not come as far as a decoder that could raise.
        text = "".join([chr(byte) if 32 <= byte < 127 else "?" for byte in memoryview(self._line)[:n]])
        words = [word for word in text.split(" ") if word]
        name = words[0].split(",")[0] if words else ""
        if name in self.sealed:
            if text[-5:] != ",{:04x}".format(check(self._line, max(0, n - 5))):
                self._refuse(name, "no good check at its end: 'undertray sweep' sends what moves fans")
                return
            words[-1] = words[-1][:-5]
        self.execute(words)

    def execute(self, words):
        """Run a command and its words, and reply."""
        name = words[0] if words else ""
        command = self.commands.get(name)
        if command is None:
            self._refuse(name or "?", "unknown command, known: " + " ".join(sorted(self.commands)))
            return
        self.garbled = False
        try:
            data = command(words[1:])
        except ValueError as error:
            self._refuse(name, str(error))
            return
        except Exception as error:
            # Whatever a command runs into, the stream goes on; a trace would go into its middle.
            self._refuse(name, "{}: {}".format(type(error).__name__, error))
            return
        answer = {"to": name, "ok": True}
        if data:
            answer.update(data)
        self.reply(answer)

    def _refuse(self, name, why):
        self.garbled = True
        self.reply({"to": name[:24], "ok": False, "why": why[:300]})

    def reply(self, data):
        line = note("reply", data)
        self.ring.put(line, len(line))
        gc.collect()

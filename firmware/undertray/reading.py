"""A kept run as the lines of the wire: how long it is, and its lines one after the other."""

import gc
import hashlib
import json
from array import array

from micropython import const

from undertray.blocks import HEAD
from undertray.packed import begin, workspace
from undertray.shelf import END, TEXT
from undertray.store import second_note
from undertray.unpacked import decode
from undertray.wire import note, put_text, row

__all__ = ["Lines", "unpack", "weigh"]

_PIECE = const(512)
_LONGEST = const(512)  # note of a second, with 16 columns
_POWER = "power went before its end"


class Lines:
    """The lines of a run on their way: all go into the digest, those behind byte ``start`` to ``push``."""

    def __init__(self, start, push):
        self._piece = memoryview(bytearray(_PIECE + _LONGEST))
        self._n = 0
        self._at = 0
        self._start = start
        self._push = push
        self._digest = hashlib.sha256()

    def add(self, line, n):
        """Take the first ``n`` bytes of a line."""
        self._n = put_text(self._piece, self._n, line, n)
        if self._n >= _PIECE:
            self._send()

    def _send(self):
        n = self._n
        self._n = 0
        at = self._at
        self._at = at + n
        self._digest.update(self._piece[:n])
        self._push(self._piece[max(0, self._start - at) : n] if at + n > self._start else b"")

    def end(self):
        """All lines were taken; gives the digest in hex."""
        self._send()
        return "".join(["{:02x}".format(byte) for byte in self._digest.digest()])


def weigh(shelf, run, feed):
    """Bytes of a run as text, and the note at its end."""
    size = rows = torn = missing = 0
    why = _POWER
    for block in shelf.blocks(run):
        feed()
        if block is None:
            torn += 1
        elif block[0] == END:
            missing = block[HEAD] | block[HEAD + 1] << 8 | block[HEAD + 2] << 16 | block[HEAD + 3] << 24
            why = bytes(block[HEAD + 5 : HEAD + 5 + block[HEAD + 4]]).decode()
        else:
            size += block[6] | block[7] << 8 | block[8] << 16
            rows += block[11] | block[12] << 8
    if torn and why != _POWER:
        why = "{} pages of flash are damaged".format(torn)
    cut = {"cut": True, "missing_rows": missing, "why": why, "rows": rows}
    line = note("kept", cut if why else {"rows": rows})
    return size + len(line), line


def unpack(shelf, run, kept, lines, line):
    """Give all lines of a run to ``lines``, at its end the note ``kept``; gives the digest.

    ``line`` is a ``wire.Line`` to write in.
    """
    rate_hz, second, n = _described(shelf, run)
    head = array("i", [0, 0, 0, 0, n])
    counts = array("i", [0] * n)
    status = bytearray(n)
    work = workspace(n, 1_000_000 // rate_hz)
    for block in shelf.blocks(run):
        if block is None or block[0] == END:
            continue
        if block[0] == TEXT:
            lines.add(memoryview(block)[HEAD:], block[6])
            continue
        begin(work, n, HEAD, block[1] * 256 - 2)
        records = block[9] | block[10] << 8
        while records:
            records -= 1
            if decode(work, block, head, counts, status):
                lines.add(line.buf, row(line.buf, head, counts, status))
            else:
                lines.add(line.buf, second_note(line, head, counts, status, second))
        gc.collect()
    lines.add(kept, len(kept))
    return lines.end()


def _described(shelf, run):
    """What the run's own description says: rate, which columns give a second word, and numbers in a row."""
    text = b""
    for block in shelf.blocks(run):
        if block is None or block[0] != TEXT:
            break
        text += bytes(block[HEAD : HEAD + block[6]])
    try:
        told = json.loads(text[text.index(b"{") : text.rindex(b"}") + 1])
    except ValueError:
        raise ValueError("the description of run {} is damaged".format(run))
    second = ["kind" in column["scale"] for column in told["columns"]]
    return told["rate_hz"], second, len(second) + len(told.get("channels", ()))

# ruff: noqa: F821
# (ptr8, ptr16 and ptr32 are words of the viper emitter, not names that could be imported.)
"""The wire as bytes: digits, check, rows and notes.

What runs once a row is viper and touches only buffers that exist already. The check is the
CRC-16/IBM-3740 (polynomial 0x1021, start 0xFFFF, no reflection): 16 bits stay a small
integer on the board, a CRC-32 would not, and would allocate.
"""

from array import array

import micropython

__all__ = [
    "HEX",
    "NOTE_LIMIT",
    "ROW_LIMIT",
    "TABLE",
    "UNITS",
    "Line",
    "check",
    "dump",
    "note",
    "put_text",
    "row",
]

ROW_LIMIT = 256
NOTE_LIMIT = 2048


def _table():
    table = array("H", bytes(512))
    for i in range(256):
        value = i << 8
        for _ in range(8):
            value = ((value << 1) ^ 0x1021 if value & 0x8000 else value << 1) & 0xFFFF
        table[i] = value
    return table


TABLE = _table()
UNITS = array("I", [10**i for i in range(9, 0, -1)])
HEX = b"0123456789abcdef"


@micropython.viper
def check(buf, end: int) -> int:
    """CRC of the first ``end`` bytes."""
    p = ptr8(buf)
    table = ptr16(TABLE)
    value = 0xFFFF
    i = 0
    while i < end:
        value = ((value << 8) & 0xFFFF) ^ table[(value >> 8) ^ p[i]]
        i += 1
    return value


@micropython.viper
def put_text(buf, at: int, text, n: int) -> int:
    """Copy ``n`` bytes; gives the place behind them."""
    p = ptr8(buf)
    source = ptr8(text)
    i = 0
    while i < n:
        p[at + i] = source[i]
        i += 1
    return at + n


@micropython.viper
def put_int(buf, at: int, value: int) -> int:
    """Write a decimal integer of at most 31 bits; gives the place behind it.

    Digits by subtraction: the RP2040 has no divide instruction, and a call to the divider
    costs more than the four or five subtractions of a digit.
    """
    p = ptr8(buf)
    units = ptr32(UNITS)
    if value < 0:
        p[at] = 45
        at += 1
        value = 0 - value
    begun = 0
    i = 0
    while i < 9:
        unit = int(units[i])
        digit = 0
        while value >= unit:
            value -= unit
            digit += 1
        begun |= digit
        if begun:
            p[at] = 48 + digit
            at += 1
        i += 1
    p[at] = 48 + value
    return at + 1


@micropython.viper
def put_check(buf, at: int) -> int:
    """Close a line: comma, check of all before it, line end; gives the length."""
    p = ptr8(buf)
    digits = ptr8(HEX)
    value = int(check(buf, at))
    p[at] = 44
    p[at + 1] = digits[value >> 12]
    p[at + 2] = digits[(value >> 8) & 15]
    p[at + 3] = digits[(value >> 4) & 15]
    p[at + 4] = digits[value & 15]
    p[at + 5] = 10
    return at + 6


@micropython.viper
def row(buf, head, counts, status) -> int:
    """Write one row; gives its length.

    ``head`` is an array of 32-bit integers: seq, t_us, throttle_us (0 for none), flags,
    number of columns. ``counts`` is an array of signed 32-bit integers, ``status`` a byte a
    column; from 3 on (``sensors.WAIT``) it means that there is no count to send. One function, because
    a call from viper to viper costs as much as the digits of a number.
    """
    p = ptr8(buf)
    values = ptr32(head)
    halves = ptr16(counts)
    states = ptr8(status)
    units = ptr32(UNITS)
    digits = ptr8(HEX)
    table = ptr16(TABLE)
    n = int(values[4]) + 4
    at = 0
    item = 0
    while item < n:
        value = 0
        show = 1
        if item < 3:
            value = int(values[item])
            if item == 2:
                show = value
        elif item == 3:
            show = 0
            value = int(values[3])
            shift = 28
            while shift > 0 and (value >> shift) == 0:
                shift -= 4
            while shift >= 0:
                p[at] = digits[(value >> shift) & 15]
                at += 1
                shift -= 4
        elif states[item - 4] < 3:
            # By halves: a 32-bit load comes without its sign on a 64-bit interpreter.
            i = (item - 4) << 1
            value = int(halves[i + 1])
            if value & 0x8000:
                p[at] = 45
                at += 1
                value = (((value ^ 0xFFFF) << 16) | (int(halves[i]) ^ 0xFFFF)) + 1
            else:
                value = (value << 16) | int(halves[i])
        else:
            show = 0
        if show:
            i = 0
            if value < 100000:
                i = 5
            begun = 0
            while i < 9:
                unit = int(units[i])
                digit = 48
                while value >= unit:
                    value -= unit
                    digit += 1
                begun |= digit - 48
                if begun:
                    p[at] = digit
                    at += 1
                i += 1
            p[at] = 48 + value
            at += 1
        p[at] = 44
        at += 1
        item += 1
    at -= 1
    value = 0xFFFF
    i = 0
    while i < at:
        value = ((value << 8) & 0xFFFF) ^ int(table[(value >> 8) ^ p[i]])
        i += 1
    p[at + 1] = digits[value >> 12]
    p[at + 2] = digits[(value >> 8) & 15]
    p[at + 3] = digits[(value >> 4) & 15]
    p[at + 4] = digits[value & 15]
    p[at + 5] = 10
    return at + 6


class Line:
    """A note put together from fragments and integers, without allocation."""

    def __init__(self):
        self.buf = bytearray(NOTE_LIMIT)
        self.n = 0

    def begin(self, text):
        self.n = put_text(self.buf, 0, text, len(text))

    def text(self, text):
        self.n = put_text(self.buf, self.n, text, len(text))

    def number(self, value):
        self.n = put_int(self.buf, self.n, value)

    def hundredths(self, value):
        """A number given in hundredths, written with its two decimals."""
        if value < 0:
            self.text(b"-")
            value = -value
        self.number(value // 100)
        self.text(b"." if value % 100 > 9 else b".0")
        self.number(value % 100)

    def end(self):
        """Close the note; gives its length."""
        self.text(b"}")
        self.n = put_check(self.buf, self.n)
        return self.n


def dump(value):
    """JSON text of a value, keys in order of the alphabet.

    MicroPython keeps no order of keys, so its own ``json.dumps`` would write the same note
    differently from one build to the next. Seven digits are what a float of the board holds.
    """
    if value is None:
        return "null"
    if value is True or value is False:
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{" + ",".join(['"' + key + '":' + dump(value[key]) for key in sorted(value)]) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ",".join([dump(item) for item in value]) + "]"
    if isinstance(value, float):
        return "%.7g" % value
    if isinstance(value, int):
        return str(value)
    return '"' + "".join([_safe(letter) for letter in str(value)]) + '"'


def _safe(letter):
    if letter in '"\\':
        return "\\" + letter
    return letter if " " <= letter <= "~" else "?"


def note(kind, data):
    """A whole note as bytes; allocates, so it is for answers and for what is built once."""
    body = ("#" + kind + "," + dump(data)).encode()
    if len(body) + 6 > NOTE_LIMIT:
        raise ValueError("note of {} bytes, longest is {}".format(len(body) + 6, NOTE_LIMIT))
    buf = bytearray(len(body) + 6)
    put_check(buf, put_text(buf, 0, body, len(body)))
    return buf

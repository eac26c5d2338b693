# ruff: noqa: F821
"""A row in as few bytes as it takes, for the memory of a board without a cable."""

import micropython
from micropython import const

__all__ = ["MARK", "pack", "record_bytes", "unpack"]

MARK = const(0xFFFF)  # in place of a throttle width: a second's temperatures, not a row
_HEAD = const(14)


def record_bytes(columns):
    """Bytes of a record: seq 2, t_us 4, throttle 2, flags 1, unused 1, stale 2, missing 2, 4 a column."""
    return _HEAD + 4 * columns


@micropython.viper
def pack(buf, at: int, head, counts, status):
    """Write a record; the arguments are those of ``wire.row``."""
    to = ptr8(buf)
    values = ptr32(head)
    source = ptr8(counts)
    states = ptr8(status)
    seq = int(values[0])
    t_us = int(values[1])
    width = int(values[2])
    flags = int(values[3])
    n = int(values[4])
    to[at] = seq & 255
    to[at + 1] = (seq >> 8) & 255
    to[at + 2] = t_us & 255
    to[at + 3] = (t_us >> 8) & 255
    to[at + 4] = (t_us >> 16) & 255
    to[at + 5] = (t_us >> 24) & 255
    to[at + 6] = width & 255
    to[at + 7] = (width >> 8) & 255
    to[at + 8] = flags & 255
    to[at + 10] = (flags >> 8) & 255
    to[at + 11] = (flags >> 16) & 255
    missing = 0
    i = 0
    while i < n:
        if states[i] >= 3:
            missing |= 1 << i
        i += 1
    to[at + 12] = missing & 255
    to[at + 13] = (missing >> 8) & 255
    at += 14
    i = 0
    while i < 4 * n:
        to[at + i] = source[i]
        i += 1


def unpack(b, at, head, counts, status):
    """Take a record apart again."""
    head[0] = b[at] | b[at + 1] << 8
    head[1] = b[at + 2] | b[at + 3] << 8 | b[at + 4] << 16 | b[at + 5] << 24
    head[2] = b[at + 6] | b[at + 7] << 8
    head[3] = b[at + 8] | b[at + 10] << 8 | b[at + 11] << 16
    missing = b[at + 12] | b[at + 13] << 8
    for i in range(head[4]):
        status[i] = 3 if missing >> i & 1 else 0
        place = at + _HEAD + 4 * i
        value = b[place] | b[place + 1] << 8 | b[place + 2] << 16 | b[place + 3] << 24
        counts[i] = value - (1 << 32) if b[place + 3] & 0x80 else value

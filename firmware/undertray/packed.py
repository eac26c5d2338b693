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


@micropython.viper
def unpack(buf, at: int, head, counts, status):
    """Take a record apart again, into arrays that exist: there is little memory left then."""
    p = ptr8(buf)
    values = ptr32(head)
    to = ptr8(counts)
    states = ptr8(status)
    values[0] = p[at] | (p[at + 1] << 8)
    values[1] = p[at + 2] | (p[at + 3] << 8) | (p[at + 4] << 16) | (p[at + 5] << 24)
    values[2] = p[at + 6] | (p[at + 7] << 8)
    values[3] = p[at + 8] | (p[at + 10] << 8) | (p[at + 11] << 16)
    missing = p[at + 12] | (p[at + 13] << 8)
    n = int(values[4])
    at += 14
    i = 0
    while i < n:
        states[i] = 3 if (missing >> i) & 1 else 0
        i += 1
    i = 0
    while i < 4 * n:
        to[i] = p[at + i]
        i += 1

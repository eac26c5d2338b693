# ruff: noqa: F821
# (ptr8, ptr16 and ptr32 are words of the viper emitter, not names that could be imported.)
"""The way back from a block to its rows; how they are packed, and the work space, ``packed`` says."""

import micropython

__all__ = ["decode"]


@micropython.viper
def _take(work, buf, n: int) -> int:
    """Take so many bits, 16 at most; behind the end of the block they are zeros."""
    w = ptr32(work)
    p = ptr8(buf)
    at = int(w[0])
    acc = int(w[1])
    held = int(w[2])
    while held < n:
        byte = 0
        if at < int(w[9]):
            byte = p[at]
        acc = (acc << 8) | byte
        at += 1
        held += 8
    held -= n
    value = acc >> held
    w[0] = at
    w[1] = acc & ((1 << held) - 1)
    w[2] = held
    return value


@micropython.viper
def _field(work, buf, field: int):
    """Take one field; what it is lies then where it was expected."""
    w = ptr32(work)
    p = ptr8(buf)
    at = int(w[0])
    acc = int(w[1])
    held = int(w[2])
    f = 12 + 3 * field
    ones = 0
    going = 1
    while going:
        if held == 0:
            acc = 0
            if at < int(w[9]):
                acc = p[at]
            at += 1
            held = 8
        held -= 1
        if (acc >> held) & 1 and ones < 8:
            ones += 1
            if ones == 8:
                going = 0
        else:
            going = 0
    w[0] = at
    w[1] = acc & ((1 << held) - 1)
    w[2] = held
    mean = int(w[f + 2])
    if ones == 8:
        high = 0
        wide = int(_take(work, buf, 1))
        if wide:
            high = int(_take(work, buf, 16))
        low = int(_take(work, buf, 16))
        if not wide and low >= 0x8000:
            high = 0xFFFF
        w[f] = low
        w[f + 1] = high
        if int(w[10]) and mean <= 0x40000:
            w[f + 2] = mean + mean + 8
        return
    k = 0
    while (12 << k) <= mean:
        k += 1
    d = ones << k
    if k:
        d |= int(_take(work, buf, k))
    w[f + 2] = mean + d - (mean >> 3)
    if d & 1:
        d = 0 - ((d + 1) >> 1)
    else:
        d >>= 1
    d += int(w[f])
    high = int(w[f + 1])
    if d < 0:
        d += 65536
        high = (high - 1) & 0xFFFF
        if d < 0:
            d += 65536
            high = (high - 1) & 0xFFFF
    while d > 0xFFFF:
        d -= 65536
        high = (high + 1) & 0xFFFF
    w[f] = d
    w[f + 1] = high


@micropython.viper
def decode(work, buf, head, counts, status) -> int:
    """Take the next record of a block, into arrays that exist; 1 for a row, 0 for what a second tells."""
    w = ptr32(work)
    heads = ptr32(head)
    halves = ptr16(counts)
    states = ptr8(status)
    n = int(heads[4])
    i = 0
    if not int(_take(work, buf, 1)):
        if not int(_take(work, buf, 1)):
            high = int(_take(work, buf, 16))
            heads[1] = (high << 16) | int(_take(work, buf, 16))
            heads[0] = int(_take(work, buf, 16))
            while i < n:
                states[i] = 3
                if int(_take(work, buf, 1)):
                    states[i] = 0
                    halves[(i << 1) + 1] = int(_take(work, buf, 16))
                    halves[i << 1] = int(_take(work, buf, 16))
                i += 1
            w[7] = int(w[7]) + 1
            return 0
        w[3] = int(_take(work, buf, 16))
        flags = int(_take(work, buf, 8))
        w[4] = flags | (int(_take(work, buf, n)) << 8)
        w[5] = int(_take(work, buf, n))
    heads[0] = int(w[3])
    heads[3] = int(w[4])
    missing = int(w[5])
    _field(work, buf, 0)
    t_us = ((int(w[13]) << 16) | int(w[12])) & 0x3FFFFFFF
    heads[1] = t_us
    t_us = (t_us + int(w[6])) & 0x3FFFFFFF
    w[12] = t_us & 0xFFFF
    w[13] = (t_us >> 16) & 0x3FFF
    _field(work, buf, 1)
    heads[2] = int(w[15])
    while i < n:
        states[i] = 3
        if not (missing >> i) & 1:
            states[i] = 0
            _field(work, buf, 2 + i)
            halves[i << 1] = int(w[18 + 3 * i])
            halves[(i << 1) + 1] = int(w[19 + 3 * i])
        i += 1
    w[3] = (int(w[3]) + 1) & 0xFFFF
    w[7] = int(w[7]) + 1
    w[10] = int(w[10]) + 1
    return 1

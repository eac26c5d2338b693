# ruff: noqa: F821
# (ptr8, ptr16 and ptr32 are words of the viper emitter, not names that could be imported.)
"""Rows in as few bits as they take, for drives without a cable.

A row differs little from the one before it. What is written are the differences, by a Rice code: with a
parameter k, a difference d is folded to z = 2d or -2d - 1, and takes z >> k ones, a zero, and k bits of z.
The parameter of each field follows the mean of its z. What does not fit is written whole. A block begins
without a row before it, so it is read on its own.

    row:    1, where seq follows, flags and missing columns are those of the row before; or
            01, seq 16, flags 8, stale n, missing n
            then t_us, throttle_us and each count that is not missing
    field:  Rice code of the difference; or 8 ones, 0, 16 bits; or 8 ones, 1, 32 bits
    second: 00, t_us 32, pack 16, then per column 0, or 1 and 32 bits

t_us is compared with that of the row before and a slot's length. ``unpacked`` is the way back.
"""

from array import array

import micropython

__all__ = ["begin", "encode", "encode_second", "workspace"]

# Places in the work space:
# 0 byte in the block   1 bits held back   2 how many   3 seq that follows   4 flags   5 missing
# 6 slot in us   7 records   8 bytes as text   9 end of the block   10 rows
# 12 on: per field low and high half of what is expected, and eight times the mean of z
_FIELDS = 12


def workspace(columns, slot_us):
    """What an encoder or a decoder remembers."""
    work = array("i", [0] * (_FIELDS + 3 * (columns + 2)))
    work[6] = slot_us
    return work


@micropython.viper
def begin(work, n: int, at: int, end: int):
    """Begin a block whose bits go from byte ``at`` to byte ``end``."""
    w = ptr32(work)
    w[0] = at
    w[1] = 0
    w[2] = 0
    w[3] = 0
    w[4] = 0
    w[5] = 0
    w[7] = 0
    w[8] = 0
    w[9] = end
    w[10] = 0
    i = 0
    while i < n + 2:
        w[12 + 3 * i] = 0
        w[13 + 3 * i] = 0
        w[14 + 3 * i] = 80
        i += 1
    w[17] = 0  # the throttle seldom changes


@micropython.viper
def encode(work, buf, head, counts, status) -> int:
    """Add a row to a block; 0 when it does not fit, and the block is then at its end.

    The arguments are those of ``wire.row``.
    """
    w = ptr32(work)
    to = ptr8(buf)
    heads = ptr32(head)
    halves = ptr16(counts)
    states = ptr8(status)
    n = int(heads[4])
    at = int(w[0])
    acc = int(w[1])
    held = int(w[2])
    end = int(w[9])
    seq = int(heads[0])
    flags = int(heads[3])
    missing = 0
    i = 0
    while i < n:
        if states[i] >= 3:
            missing |= 1 << i
        i += 1
    # commas, check and line end, the digit of the flags; the others below
    text = n + 10
    i = flags >> 4
    while i:
        text += 1
        i >>= 4
    item = 0 - 3
    if seq == int(w[3]) and flags == int(w[4]) and missing == int(w[5]):
        item = 0 - 1
    i = 10
    text += 1
    while i <= seq:
        text += 1
        i *= 10
    while item < n + 2:
        value = 1
        width = 1
        more = 0 - 1
        last = 0 - 1
        if item == 0 - 3:
            value = 1
            width = 2
            more = seq
        elif item == 0 - 2:
            # flags 8, then stale and missing
            value = flags & 255
            width = 8
        elif item >= 0:
            low = 0
            high = 0
            show = 1
            if item < 2:
                low = int(heads[1 + item])
                if item:
                    show = low
                high = (low >> 16) & 0xFFFF
                low &= 0xFFFF
            elif (missing >> (item - 2)) & 1:
                show = 0
            else:
                low = int(halves[(item - 2) << 1])
                high = int(halves[((item - 2) << 1) + 1])
            width = 0
            if item < 2 or show:
                f = 12 + 3 * item
                d = 0
                step = high - int(w[f + 1])
                if step == 65535:
                    step = 0 - 1
                elif step == 0 - 65535:
                    step = 1
                near = 0
                if step < 2 and step > 0 - 2:
                    near = 1
                    d = low - int(w[f]) + step * 65536
                mean = int(w[f + 2])
                k = 0
                while (12 << k) <= mean:
                    k += 1
                if near:
                    if d < 0:
                        d = ((0 - d) << 1) - 1
                    else:
                        d <<= 1
                    w[f + 2] = mean + d - (mean >> 3)
                    if (d >> k) < 8:
                        width = (d >> k) + 1
                        value = ((1 << width) - 2) << k
                        value |= d & ((1 << k) - 1)
                        width += k
                    else:
                        near = 0
                if not near:
                    w[f + 2] = mean
                    if int(w[10]) and mean <= 0x40000:
                        w[f + 2] = mean + mean + 8
                    width = 9
                    value = 0x1FF
                    more = high
                    last = low
                    if (high == 0 and low < 0x8000) or (high == 0xFFFF and low >= 0x8000):
                        value = 0x1FE
                        more = low
                        last = 0 - 1
                if item == 0:
                    d = ((high << 16) | low) + int(w[6])
                    low = d & 0xFFFF
                    high = (d >> 16) & 0x3FFF
                w[f] = low
                w[f + 1] = high
                if show:
                    # digits of the number, for the length of its text
                    if item == 0:
                        d = int(heads[1])
                    elif high & 0x8000:
                        text += 1
                        d = (((high ^ 0xFFFF) << 16) | (low ^ 0xFFFF)) + 1
                    else:
                        d = (high << 16) | low
                    text += 1
                    step = 10
                    i = 1
                    while i < 10 and step <= d:
                        text += 1
                        i += 1
                        if i < 10:
                            step *= 10
        while width:
            acc = (acc << width) | value
            held += width
            while held >= 8:
                held -= 8
                if at < end:
                    to[at] = (acc >> held) & 255
                at += 1
            acc &= (1 << held) - 1
            width = 0
            if more >= 0:
                value = more
                width = 16
                more = last
                last = 0 - 1
            elif item == 0 - 2 and more > 0 - 3:
                # stale, then missing
                width = n
                value = (flags >> 8) & ((1 << n) - 1)
                if more == 0 - 2:
                    value = missing
                more -= 1
        if item == 0 - 2:
            item = 0
        elif item == 0 - 1:
            item = 0
        else:
            item += 1
    if at > end or (at == end and held):
        return 0
    w[0] = at
    w[1] = acc
    w[2] = held
    w[3] = (seq + 1) & 0xFFFF
    w[4] = flags
    w[5] = missing
    w[7] = int(w[7]) + 1
    w[8] = int(w[8]) + text
    w[10] = int(w[10]) + 1
    return 1


@micropython.viper
def encode_second(work, buf, head, values, status, text: int) -> int:
    """Add what a second tells; 0 when it does not fit.

    ``head`` has the pack and t_us, ``text`` is its length as a note.
    """
    w = ptr32(work)
    to = ptr8(buf)
    heads = ptr32(head)
    halves = ptr16(values)
    states = ptr8(status)
    n = int(heads[4])
    at = int(w[0])
    acc = int(w[1])
    held = int(w[2])
    end = int(w[9])
    piece = 0
    while piece < 4 + 3 * n:
        width = 16
        value = 0
        if piece == 0:
            width = 2
        elif piece == 1:
            value = (int(heads[1]) >> 16) & 0xFFFF
        elif piece == 2:
            value = int(heads[1]) & 0xFFFF
        elif piece == 3:
            value = int(heads[0]) & 0xFFFF
        else:
            i = piece - 4
            column = 0
            while i >= 3:
                i -= 3
                column += 1
            if i == 0:
                width = 1
                value = 1
                if states[column]:
                    value = 0
                    piece += 2
            else:
                value = int(halves[(column << 1) + 2 - i])
        acc = (acc << width) | value
        held += width
        while held >= 8:
            held -= 8
            if at < end:
                to[at] = (acc >> held) & 255
            at += 1
        acc &= (1 << held) - 1
        piece += 1
    if at > end or (at == end and held):
        return 0
    w[0] = at
    w[1] = acc
    w[2] = held
    w[7] = int(w[7]) + 1
    w[8] = int(w[8]) + text
    return 1

# ruff: noqa: F821
# (ptr8, ptr16 and ptr32 are words of the viper emitter, not names that could be imported.)
"""Plain parts read through the registers of the I2C block, and their text written meanwhile.

A call of ``readfrom_into`` keeps the processor for the whole transaction. The block has queues of 16
entries, so this hands it a whole transaction, writes the digits of the reading before while the bus
works, and fetches the result at the stop. Two blocks work at the same time. Registers as in the RP2040
data sheet, 4.3.17, and the RP2350 data sheet, 12.2.18 (the same block at other addresses).

Only parts of the ``Bridge14`` family (a plain read of two bytes) can be read so. All others, and every
other processor, take the drivers in ``sensors``, and the results are the same.
"""

from array import array

import micropython

from undertray.chip import i2c_blocks
from undertray.sensors.bridge14 import Bridge14
from undertray.wire import HEX, TABLE, UNITS

__all__ = ["HUNG", "Burst", "commit", "read"]

HUNG = 7  # besides the codes of ``sensors``: the bus did not finish
_NONE = 255

# Places in the work space; the two of a pair are those of the two blocks.
# 0, 1 registers   2, 3 first operation   4, 5 next   6, 7 polls left (0: not begun)
# 8 column whose temperature is wanted   9 its two bytes   10 columns that need a look
# 11 columns   12 end of the row's text   13 numbers in a row   14 whether text is wanted
# 15 and on: the sampler's
_SIZE = 40


@micropython.viper
def read(work, plan, rests, counts, status, head, marks, ring) -> int:
    """Read every column of the plan; gives the flags of repeated readings, and bit 28 where one needs a look.

    Meanwhile the row is written to where the ring's next line begins, with the flags that ``head`` has: they
    seldom change. ``commit`` makes it a line of the ring; where the flags turn out to be others, the caller
    writes another.
    """
    w = ptr32(work)
    ops = ptr32(plan)
    resting = ptr8(rests)
    value_of = ptr32(counts)
    s = ptr8(status)
    heads = ptr32(head)
    to = ptr8(ring)
    units = ptr32(UNITS)
    table = ptr16(TABLE)
    digits = ptr8(HEX)
    wanted = int(w[14])
    n = int(w[13])
    warm = int(w[8])
    odd = 0
    flags = 0
    at = int(ptr32(marks)[0])
    check = 0xFFFF
    item = 0  # next piece of text: 0 to 2 numbers of the head, 3 the flags, then a column each
    last = 4 + n
    if not wanted:
        item = last
    i = int(w[11])
    while i:
        i -= 1
        s[i] = 255
    w[4] = w[2]
    w[5] = w[3]
    w[6] = 0
    w[7] = 0
    side = 0
    while True:
        pos = int(w[4 + side])
        op = int(ops[pos])
        if op:
            i2c = ptr32(int(w[side]))
            left = int(w[6 + side])
            column = (op >> 8) & 0xFF
            if left:
                raw = int(i2c[13])  # IC_RAW_INTR_STAT
                if raw & 0x200 or left == 1 or (raw & 0x40 and int(i2c[32]) & 0x1000):
                    # The stop is on the bus; or it never came; or another master took the bus.
                    i2c[24]  # IC_CLR_STOP_DET
                    w[6 + side] = 0
                    pos += 1
                    code = 0
                    if not raw & 0x200:
                        code = 7
                        i2c[27] = 3  # abort
                        if not op & 0x80:
                            column = (op >> 16) & 0xFF
                        while int(ops[pos]):
                            if int(ops[pos]) & 0x80:
                                s[(int(ops[pos]) >> 8) & 0xFF] = 3
                                odd |= 1 << ((int(ops[pos]) >> 8) & 0xFF)
                            pos += 1
                    elif raw & 0x40:
                        if op & 0x80:
                            code = 4
                        elif column:
                            # A channel that cannot be chosen: its columns are not asked.
                            while int(ops[pos]) & 0x80:
                                s[(int(ops[pos]) >> 8) & 0xFF] = 4
                                odd |= 1 << ((int(ops[pos]) >> 8) & 0xFF)
                                pos += 1
                    if raw & 0x40:
                        i2c[21]  # IC_CLR_TX_ABRT
                    if code:
                        s[column] = code
                        odd |= 1 << column
                    elif op & 0x80 and not raw & 0x40:
                        high = int(i2c[4]) & 0xFF
                        count = ((high & 0x3F) << 8) | (int(i2c[4]) & 0xFF)
                        if column == warm:
                            w[9] = ((int(i2c[4]) & 0xFF) << 8) | (int(i2c[4]) & 0xFF)
                        value_of[column] = count
                        high >>= 6
                        if high & 1:
                            code = 6
                        elif count == 0 or count == 16383:
                            code = (op >> 24) & 0xF
                        elif high:
                            code = 1
                            flags |= 256 << column
                        s[column] = code
                        if code > 1:
                            odd |= 1 << column
                    w[4 + side] = pos
                    op = int(ops[pos])
                    left = 0
                else:
                    w[6 + side] = left - 1
            if op and left == 0:
                column = (op >> 8) & 0xFF
                if op & 0x80 and resting[column]:
                    s[column] = 3
                    odd |= 1 << column
                    w[4 + side] = pos + 1
                else:
                    i2c[24]  # the stop of a driver's read before is still told, and would pass for ours
                    i2c[27] = 0  # IC_ENABLE, which empties the queues as well
                    i2c[1] = op & 0x7F  # IC_TAR
                    i2c[27] = 1
                    if op & 0x80:
                        i2c[4] = 0x100  # IC_DATA_CMD: read
                        if column == warm:
                            i2c[4] = 0x100
                            i2c[4] = 0x100
                        i2c[4] = 0x300  # read, then stop
                    else:
                        i2c[4] = 0x200 | column  # write, then stop
                    w[6 + side] = 2000
        elif int(ops[int(w[4])]) == 0 and int(ops[int(w[5])]) == 0 and item >= last:
            break
        if int(w[1]):
            side ^= 1
        if item < last:
            value = 0
            show = 1
            if item < 3:
                value = int(heads[item])
                if item == 2:
                    show = value
            elif item == 3:
                show = 0 - 2
            elif s[item - 4] == 255:
                show = 0 - 1  # not there yet
            elif s[item - 4] < 3:
                value = int(value_of[item - 4])
            else:
                show = 0
            if show != 0 - 1:
                begun = at
                if item:
                    to[at] = 44
                    at = (at + 1) & 8191
                if show > 0:
                    if value < 0:
                        to[at] = 45
                        at = (at + 1) & 8191
                        value = 0 - value
                    i = 5
                    if value >= 100000:
                        i = 0
                    shown = 0
                    while i < 9:
                        unit = int(units[i])
                        digit = 48
                        while value >= unit:
                            value -= unit
                            digit += 1
                        shown |= digit - 48
                        if shown:
                            to[at] = digit
                            at = (at + 1) & 8191
                        i += 1
                    to[at] = 48 + value
                    at = (at + 1) & 8191
                elif show:
                    value = int(heads[3])
                    if value > 15:
                        to[at] = digits[value >> 4]
                        at = (at + 1) & 8191
                    to[at] = digits[value & 15]
                    at = (at + 1) & 8191
                while begun != at:
                    check = ((check << 8) & 0xFFFF) ^ int(table[(check >> 8) ^ int(to[begun])])
                    begun = (begun + 1) & 8191
                item += 1
    if wanted:
        to[at] = 44
        shift = 12
        while shift >= 0:
            at = (at + 1) & 8191
            to[at] = digits[(check >> shift) & 15]
            shift -= 4
        at = (at + 1) & 8191
        to[at] = 10
        w[12] = (at + 1) & 8191
    w[10] = odd
    if odd:
        flags |= 0x10000000
    return flags


@micropython.viper
def commit(work, marks) -> int:
    """Make what ``read`` wrote a line of the ring; 0, and counted, when that leaves notes no room."""
    m = ptr32(marks)
    if 8191 - ((int(m[0]) - int(m[1])) & 8191) < 2304:
        m[2] = int(m[2]) + 1
        return 0
    m[0] = int(ptr32(work)[12])
    return 1


class Burst:
    """The columns of a rig that can be read so. ``columns`` are their numbers."""

    def __init__(self, rig):
        n = len(rig.columns)
        blocks = i2c_blocks()
        self.columns = []
        self.muxes = []
        self.work = array("i", [0] * _SIZE)
        plan = [0]
        buses = []
        for number in sorted(rig.buses) if blocks else ():
            bus = rig.buses[number]
            ops = self._operations(rig, bus)
            if ops:
                self.work[len(buses)] = blocks[number]
                self.work[2 + len(buses)] = len(plan)
                buses.append(bus)
                plan += ops
                plan.append(0)
        self.plan = array("I", plan + [0])
        self.work[8] = _NONE
        self.work[11] = n
        self.work[13] = rig.width
        self.all = len(self.columns) == n

    def _operations(self, rig, bus):
        """What is sent on a bus in one slot: 32 bits an operation.

        Bits 0 to 6 address, 7 a read, 8 to 15 column (of a read) or byte (of a write), 16 to 23 the column
        that a write is for, 24 to 27 the code of a count at its end.
        """
        ops = []
        shut = False
        mux = number = None
        for i, column in enumerate(rig.columns):
            if column.bus is not bus or not isinstance(column.sensor, Bridge14):
                continue
            self.columns.append(i)
            channel = column.channel
            if channel is not None and (channel.mux, channel.channel) != (mux, number):
                if channel.mux is not mux:
                    ops += [
                        other.address | (i << 16)
                        for other in bus.muxes
                        if self._on(other, channel, mux, shut)
                    ]
                    shut = True
                mux, number = channel.mux, channel.channel
                ops.append(mux.address | (1 << number << 8) | (i << 16))
            ops.append(column.sensor.address | 0x80 | (i << 8) | (column.sensor.at_rail << 24))
        if mux is not None:
            self.muxes += bus.muxes
        return ops

    def _on(self, other, channel, last, shut):
        """Whether another multiplexer may be on; at the beginning of a slot any may."""
        return other is not channel.mux and (not shut or other is last)

    def left(self):
        """The channels are no longer what the drivers left them at."""
        for mux in self.muxes:
            mux.selected = -2

"""What ABP2 and DLH share: a three-byte command, a pause, seven bytes with a status in front.

Pipelined: a slot fetches the result of the command that the slot before it sent, and sends the
next, so a reading is one slot old and nobody waits. A part still busy is left alone: a command in the
middle of a conversion is not described anywhere.
"""

import time

import micropython
from micropython import const

from undertray.sensors import OK, PART, SATURATED, STALE, WAIT

__all__ = ["Triggered24"]

_READY = const(0x40)
_BUSY = const(0x60)
_MEMORY = const(0x04)
_POLLS_A_MS = const(16)  # the fastest slot is 0.5 ms: eight times the conversion before it counts as stuck


class Triggered24:
    """A part with that protocol.

    ``command`` starts a conversion of about ``wait_ms``, ``bits`` of the 24 are data, ``mask`` takes the
    status bits that must be as they should, ``t_span`` and ``t_zero`` (hundredths of a degree) are the
    temperature at full scale over that at zero, and minus the one at zero.
    """

    def __init__(self, bus, address, options, scale, command, wait_ms, bits, mask, t_span, t_zero):
        self._bus = bus
        self._address = address
        self._part = options["part"]
        self._range = options.get("range", "")
        self._scale = scale
        self._command = command
        self._wait_ms = wait_ms
        self._shift = 24 - bits
        self._top = (1 << bits) - 1
        self._mask = mask
        self._t_span = t_span
        self._t_zero = t_zero
        self._frame = bytearray(7)
        self._pending = False  # a command was taken whose result nobody fetched
        self._known = False
        self._last = 0
        self._busy = 0
        self.want_temperature = True
        self.temperature_centi = None
        self.second_word = None

    def probe(self):
        frame = self._frame
        self._pending = False
        try:
            for _ in range(2):  # the first command of the two may meet a conversion under way
                time.sleep_ms(self.start())
                self._bus.readfrom_into(self._address, frame)
                self._pending = False
                if frame[0] & self._mask != _BUSY:
                    break
        except OSError:
            return "no answer"
        status = frame[0] & self._mask
        if status == _BUSY:
            return "stays busy"
        if status != _READY:
            return "memory check failed" if status & _MEMORY else "reports status 0x{:02x}".format(frame[0])
        return None if any(frame[1:]) else "sends nothing but zeros: switch its supply off and on"

    def start(self):
        self._pending = False
        self._known = False
        self._bus.writeto(self._address, self._command)
        self._pending = True
        self._busy = 0
        return self._wait_ms

    @micropython.native
    def read_into(self, counts, index):
        code = WAIT
        if self._pending:
            self._bus.readfrom_into(self._address, self._frame)
            if self._frame[0] & self._mask == _BUSY:
                return self._repeat(counts, index)
            code = self._take(counts, index)
        # Without a taken command the part would give its old result once more, and call it good.
        self._pending = False
        self._bus.writeto(self._address, self._command)
        self._pending = True
        self._busy = 0
        return code

    @micropython.native
    def _take(self, counts, index):
        frame = self._frame
        pressure = (frame[1] << 16) | (frame[2] << 8) | frame[3]
        temperature = (frame[4] << 16) | (frame[5] << 8) | frame[6]
        # Latched up, a part says good and sends zeros (Linux driver abp2030pa.c).
        if frame[0] & self._mask != _READY or (pressure == 0 and temperature == 0):
            self._known = False
            return PART
        if self.want_temperature:
            self.want_temperature = False
            # 15 of the 24 bits: times 20000 they still are a small integer on the board.
            self.temperature_centi = (temperature >> 9) * self._t_span // 32767 - self._t_zero
        count = pressure >> self._shift
        self._last = count
        self._known = True
        counts[index] = count
        return SATURATED if count == 0 or count == self._top else OK

    @micropython.native
    def _repeat(self, counts, index):
        self._busy += 1
        if self._busy > self._wait_ms * _POLLS_A_MS:
            self._pending = False  # the next slot sends the command again
            self._known = False
            return PART
        if not self._known:
            return WAIT
        counts[index] = self._last
        return STALE

    def describe(self):
        return {"part": self._part, "range": self._range, "scale": self._scale}

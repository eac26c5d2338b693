"""Stands in for ``rp2``: assembles PIO programs to their opcodes, and feeds a state machine pulses.

The assembler knows the instructions the firmware uses; encodings as in the RP2040 datasheet, section
3.4. The state machine does not run the opcodes (a test gives them to a PIO emulator): it hands out the
widths of the virtual servo pulses through a queue of four words that drops new ones when full.
"""

from simclock import CLOCK
from stage import FRAME_US, STAGE

_SOURCES = {"pins": 0, "x": 1, "y": 2, "null": 3, "status": 5, "isr": 6, "osr": 7}
_TARGETS = {"pins": 0, "x": 1, "y": 2, "exec": 4, "pc": 5, "isr": 6, "osr": 7}
_CONDITIONS = {"always": 0, "not_x": 1, "x_dec": 2, "not_y": 3, "y_dec": 4, "pin": 6, "not_osre": 7}
FIFO_WORDS = 4


class _Assembler:
    def __init__(self):
        self.code = []
        self.labels = {}
        self.jumps = []
        self.bottom = 0
        self.top = None

    def words(self):
        names = {name: name for name in ("pins", "x", "y", "null", "isr", "osr", "x_dec", "y_dec")}
        names.update({"not_x": "not_x", "not_y": "not_y", "not_osre": "not_osre"})
        names.update({"pin": "pin", "gpio": "gpio", "noblock": 1, "block": 0})
        for name in ("wait", "mov", "invert", "jmp", "push", "label", "wrap", "wrap_target", "nop"):
            names[name] = getattr(self, name)
        return names

    def wrap_target(self):
        self.bottom = len(self.code)

    def wrap(self):
        self.top = len(self.code) - 1

    def label(self, name):
        self.labels[name] = len(self.code)

    def wait(self, level, source, index):
        self.code.append(0x2000 | level << 7 | (1 if source == "pin" else 0) << 5 | index)

    def invert(self, source):
        return ("invert", source)

    def mov(self, target, source):
        turn = 0
        if isinstance(source, tuple):
            turn, source = 1, source[1]
        self.code.append(0xA000 | _TARGETS[target] << 5 | turn << 3 | _SOURCES[source])

    def nop(self):
        self.mov("y", "y")

    def jmp(self, condition, target=None):
        if target is None:
            condition, target = "always", condition
        self.jumps.append((len(self.code), target))
        self.code.append(_CONDITIONS[condition] << 5)

    def push(self, mode=0):
        self.code.append(0x8000 | (0 if mode == 1 else 1) << 5)


class Program:
    """Opcodes, and the first and last of the loop."""

    def __init__(self, assembler):
        for place, target in assembler.jumps:
            assembler.code[place] |= assembler.labels[target]
        self.opcodes = assembler.code
        self.wrap_target = assembler.bottom
        self.wrap = len(self.opcodes) - 1 if assembler.top is None else assembler.top


def asm_pio(**settings):
    def assemble(function):
        assembler = _Assembler()
        names = function.__globals__
        words = assembler.words()
        before = {name: names[name] for name in words if name in names}
        names.update(words)
        function()
        for name in words:
            del names[name]
        names.update(before)
        return Program(assembler)

    return assemble


class StateMachine:
    def __init__(self, number, program=None, freq=-1, in_base=None, jmp_pin=None):
        self.pin = in_base.number
        self.program = program
        self.queue = []
        self.running = False
        self.next_us = None

    def active(self, on=None):
        if on:
            self.next_us = (CLOCK.now_us() // FRAME_US + 1) * FRAME_US
        self.running = bool(on) if on is not None else self.running
        return self.running

    def _fill(self):
        now = CLOCK.now_us()
        if not self.running or now < self.next_us + 2500:
            return
        width = STAGE.pulse_us(self.pin)
        while self.next_us + width <= now:
            self.next_us += FRAME_US
            if width and len(self.queue) < FIFO_WORDS:
                self.queue.append(width)

    def rx_fifo(self):
        self._fill()
        return len(self.queue)

    def get(self):
        return self.queue.pop(0)

"""Code put before a test script: the application on parts that themselves allocate nothing."""

from __future__ import annotations

CANNED_APP = """
import gc, micropython, simclock, time
from stage import STAGE, load
from undertray.app import App
from undertray.boardfile import read_board

simclock.CLOCK.simulate()
simclock.TICKS_US = 100

class Bus:
    def __init__(self, frame):
        self.frame = frame
        self.error = None
        self.turns = 0
    def readfrom_into(self, address, buf):
        if self.error is not None:
            raise self.error
        frame = self.frame
        i = len(buf)
        while i:
            i -= 1
            buf[i] = frame[i]
    def readfrom_mem_into(self, address, register, buf):
        self.readfrom_into(address, buf)
    def writeto(self, address, buf):
        pass

class Adc:
    def read_u16(self):
        return 40000

class Pulses:
    def __init__(self):
        self.left = 0
    def rx_fifo(self):
        return self.left
    def get(self):
        self.left -= 1
        return 1500

class Output:
    def value(self, level):
        pass

class Host:
    '''Reads everything; keeps how much, and the last bytes.'''
    def __init__(self):
        self.total = 0
        self.open = True
    def ready(self):
        return 4 if self.open else 0
    def write(self, buf, start, n):
        self.total += n
        return n

def make(rate_hz=200, changes=None):
    board, faults = read_board("board.json")
    if changes:
        board.update(changes)
    board["rate_hz"] = rate_hz
    STAGE.set({"suction_pa": [0, 0, 0, 0]}, load("board.json"))
    app = App(board, faults, Host(), 1)
    for column in app.rig.columns:
        column.sensor._bus = Bus(bytearray((0x30, 0x11, 0x60, 0x00)))
    if app.rig.accelerometer is not None:
        # a new reading: 0x123, -0x777, and -0x800, which is the end of what it can say
        app.rig.accelerometer.sensor._bus = Bus(bytearray((0x0F, 0x30, 0x12, 0x90, 0x88, 0x00, 0x80)))
    for pack in (app.rig.pack, app.rig.pack2):
        if pack is not None:
            pack._adc = Adc()
    for throttle in (app.rig.throttle, app.rig.throttle2):
        if throttle.wired:
            throttle._machine = Pulses()
    app.sampler.alarm._pins = [Output(), Output()]
    app.sampler.start()
    app.sampler.set_rate(rate_hz)
    return app
"""

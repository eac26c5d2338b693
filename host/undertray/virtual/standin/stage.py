"""What stands behind the pins: the car, the parts on the buses, the servo pulse, and what is to happen.

A scenario is a JSON object: the keys of ``physics.make_car`` for a car that lives, or for a still one

    suction_pa  list, one suction a column
    throttle_us, pack_mv, throttle2_us, pack2_mv
                width of the receiver's pulses and voltages (null: no pulse, no pack)
    felt_g      what an accelerometer feels, forward, right and up, in g (0, 0, 1)
    changes     list of [at_us, {any of these}]

and for both, each of them optional:

    clock       "real" (default) or "simulated"; end_us ends a simulated run
    ticks_us    tick at power-up, so that a wrap can be had early
    boot, uid   identity of the power-up (number) and of the board (hex)
    script      simulated: list of [t_us, "line the host sends"]
    garbage     simulated: random lines from the host, see ``hostport.Garbage``
    deaf_us     simulated: list of [from, to] during which the host does not read
    faults      list of {"at_us"} and one of: "column" (behind the last: the accelerometer) with "fault", "nacks", "count", "restart" or
                "holds_sda" (behind a multiplexer); "mux" (its place in muxes) with "fault" or "restart";
                "bus" with "hold" (clocks until SDA is let go); "stall_us" (the processor is away)
    trace       file for what the output pins did: lines of time, pin, level
    told        for a car that lives: list of [at_s, "line"], each said on standard error at its time in the story
"""

import gc
import json
import sys

from bus import VirtualBus
from parts import PARTS, Lis3dh
from simclock import CLOCK

FRAME_US = 20000
# The firmware samples with the collector off, and does not allocate; a car in floats does.
COLLECT_AFTER = 50


class StillCar:
    """The same suction for ever."""

    def __init__(self, scenario):
        self.suction_pa = scenario.get("suction_pa") or []
        self.throttle_us = scenario.get("throttle_us", 1500)
        self.pack_mv = scenario.get("pack_mv", 11100)
        self.throttle2_us = scenario.get("throttle2_us", 0)
        self.pack2_mv = scenario.get("pack2_mv", 11100)
        self.felt_g = scenario.get("felt_g", [0.0, 0.0, 1.0])
        self.changes = list(scenario.get("changes", []))

    def advance(self, t_us):
        while self.changes and self.changes[0][0] <= t_us:
            for key, value in self.changes.pop(0)[1].items():
                setattr(self, key, value)

    def drive(self, width_us):
        """The board drives the fans itself."""
        self.throttle_us = width_us

    def acceleration_g(self):
        return self.felt_g

    def tap_suction_pa(self, i):
        return self.suction_pa[i] if i < len(self.suction_pa) else 0.0


class Stage:
    """One scenario with one board description."""

    def __init__(self):
        self.reset()

    def reset(self):
        self.board = {}
        self.car = StillCar({})
        self.clock = CLOCK
        self.uid = b"\x00\x01\x02\x03\x04\x05\x06\x07"
        self.buses = {}
        self.parts = []
        self.switches = []
        self.levels = {}
        self.trace = []
        self.driven = {}
        self.todo = []
        self.lines = {}
        self.watchdog = None
        self.asked = 0
        self.story = None
        self.told = []
        self.said = 0
        self.said_s = 0.0

    def set(self, scenario, board):
        self.reset()
        self.board = board
        if "suction_pa" in scenario:
            self.car = StillCar(scenario)
        else:
            self.story = scenario
            self.told = scenario.get("told", [])
            self.begin_story()
        if "uid" in scenario:
            text = scenario["uid"]
            self.uid = bytes([int(text[i : i + 2], 16) for i in range(0, len(text), 2)])
        CLOCK.offset_us = scenario.get("ticks_us", 0)
        self.todo = sorted(scenario.get("faults", []), key=lambda item: item["at_us"])
        for section in board.get("buses", []):
            bus = self.bus(section["bus"])
            bus.freq = section.get("freq_khz", 400) * 1000
            self.lines[section["sda_pin"]] = (bus, "sda")
            self.lines[section["scl_pin"]] = (bus, "scl")
        self._place(board)
        self.act(CLOCK.now_us())

    def begin_story(self):
        """The story from its beginning, now; a still car has none."""
        if self.story is None:
            return
        from physics import make_car

        driven_us = getattr(self.car, "driven_us", None)
        self.car = make_car(self.story)
        self.car.last_us = CLOCK.now_us()
        self.car.drive(driven_us)
        self.said = 0

    def _tell(self):
        """Say what the story has reached; a story that repeats says it again."""
        t_s = self.car.story_s()
        if t_s < self.said_s:
            self.said = 0
        self.said_s = t_s
        while self.said < len(self.told) and self.told[self.said][0] <= t_s:
            print(self.told[self.said][1], file=sys.stderr)
            self.said += 1

    def _place(self, board):
        switches = {}
        for section in board.get("muxes", []):
            switch = PARTS["TCA9548A"](CLOCK, None, section)
            switches[(section["bus"], _number(section["address"]))] = switch
            self.switches.append(switch)
            if section.get("reset_pin") is not None:
                self.lines[section["reset_pin"]] = (switch, "reset")
            self.bus(section["bus"]).attach(_number(section["address"]), switch)
        for i, section in enumerate(board.get("columns", [])):
            part = PARTS[section["part"]](CLOCK, self._pressure(i, section), section)
            self.parts.append(part)
            if section.get("adc_pin") is not None:
                self.lines[section["adc_pin"]] = (part, "adc")
            elif section.get("mux"):
                address, channel = section["mux"]
                switches[(section["bus"], _number(address))].attach(
                    channel, _number(section["address"]), part
                )
            else:
                self.bus(section["bus"]).attach(_number(section["address"]), part)
        section = board.get("accelerometer")
        if section:
            part = Lis3dh(CLOCK, self._felt_g, section)
            self.parts.append(part)
            self.bus(section["bus"]).attach(_number(section.get("address", 0x18)), part)

    def bus(self, number):
        if number not in self.buses:
            bus = VirtualBus(CLOCK)
            bus.before = self.act
            self.buses[number] = bus
        return self.buses[number]

    def _felt_g(self):
        return self.world().acceleration_g()

    def _pressure(self, i, section):
        """Pressure across part ``i``, P1 less P2, at the moment of asking."""
        sign = -1.0 if section.get("port", "low") == "high" else 1.0

        def pressure_pa():
            return sign * self.world().tap_suction_pa(i)

        return pressure_pa

    def world(self):
        """The car, brought up to now."""
        now = CLOCK.now_us()
        self.act(now)
        self.asked += 1
        if self.asked >= COLLECT_AFTER:
            self.asked = 0
            gc.collect()
        self.car.advance(now)
        if self.told:
            self._tell()
        return self.car

    def act(self, now):
        """Let happen what is due."""
        while self.todo and self.todo[0]["at_us"] <= now:
            item = self.todo.pop(0)
            if "stall_us" in item:
                CLOCK.pause(item["stall_us"])
                continue
            if "bus" in item:
                self.bus(item["bus"]).hold(item["hold"])
                continue
            part = self.switches[item["mux"]] if "mux" in item else self.parts[item["column"]]
            if "fault" in item:
                part.fault = item["fault"]
            if "nacks" in item:
                part.nacks = item["nacks"]
            if "count" in item:
                part.fixed_count = item["count"]
            if "holds_sda" in item:
                part.holds_sda = item["holds_sda"]
            if "restart" in item:
                part.restart()

    def pulse_us(self, pin):
        """Width of the servo pulse that the receiver sends to a pin now, 0 for none."""
        world = self.world()
        second = (self.board.get("throttle2") or {}).get("pin") == pin
        return int((world.throttle2_us if second else world.throttle_us) or 0)

    def level(self, pin):
        if pin in self.lines and self.lines[pin][1] == "sda":
            return 0 if self.lines[pin][0].held() else 1
        return self.levels.get(pin, 0)

    def put(self, pin, level):
        before = self.levels.get(pin, 0)
        self.levels[pin] = level
        if pin in self.lines and self.lines[pin][1] == "scl":
            if level and not before:
                self.lines[pin][0].pulse()
            return
        if pin in self.lines and self.lines[pin][1] == "reset" and before and not level:
            self.lines[pin][0].reset()
        if level != before:
            self.trace.append((CLOCK.now_us(), pin, level))

    def drive(self, pin, width_us):
        """A pin sends servo pulses (0: none). The fan controllers follow the board, not the receiver."""
        self.driven[pin] = width_us
        self.trace.append((CLOCK.now_us(), pin, width_us))
        throttle = self.board.get("throttle") or {}
        if throttle.get("pin") == pin and hasattr(self.car, "drive"):
            self.world().drive(width_us or None)


def _number(value):
    return int(value, 16) if isinstance(value, str) else value


def load(path):
    with open(path) as file:
        return json.loads(file.read())


STAGE = Stage()

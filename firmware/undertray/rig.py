"""What board.json describes, made: buses, multiplexers, columns, pins."""

import machine
import micropython
from machine import ADC

from undertray import VERSION
from undertray.bus import Bus, Mux, MuxChannel
from undertray.sensors import open_sensor
from undertray.throttle import open_throttle
from undertray.wire import note

__all__ = ["Column", "Pack", "Rig"]

_PLACE_KEYS = ("bus", "address", "mux", "adc_pin", "port", "note")


class Column:
    """One pressure column: its sensor, and where that sits."""

    def __init__(self, name, sensor, bus, channel, section):
        self.name = name
        self.sensor = sensor
        self.bus = bus
        self.channel = channel
        self.section = section

    def describe(self):
        told = self.sensor.describe()
        section = self.section
        return {
            "name": self.name,
            "part": told["part"],
            "range": told["range"],
            "scale": told["scale"],
            "bus": section["bus"],
            "address": section["address"],
            "mux": section["mux"],
            "port": section["port"],
        }

    def probe(self):
        """None, or what is wrong with the way to the sensor or with the sensor."""
        fault = self.channel.verify() if self.channel is not None else None
        return fault or self.sensor.probe()


class Pack:
    """Voltage of the pack through a divider on an ADC pin."""

    def __init__(self, section):
        self._adc = ADC(section["adc_pin"])
        self._per_mille = int(section["divider"] * section["correction"] * 1000 + 0.5)

    @micropython.native
    def millivolts(self):
        # Pins share one converter: a slot between choosing the pin and reading would leave another's voltage.
        state = machine.disable_irq()
        code = self._adc.read_u16()
        machine.enable_irq(state)
        return code * 3300 // 65535 * self._per_mille // 1000


class Rig:
    """The wired board. ``faults`` says what could not be made; the rest works all the same."""

    def __init__(self, board, boot):
        self.board = board
        self.boot = boot
        self.faults = []
        self.buses = {}
        for section in board["buses"]:
            bus = Bus(section["bus"], section["sda_pin"], section["scl_pin"], section["freq_khz"])
            self.buses[section["bus"]] = bus
        self.muxes = {}
        for section in board["muxes"]:
            place = (section["bus"], section["address"])
            self.muxes[place] = Mux(self.buses[section["bus"]], section["address"], section["reset_pin"])
        self.columns = []
        for i, section in enumerate(board["columns"]):
            self._add(i, section)
        self.throttle = open_throttle(board["throttle"])
        self.pack = Pack(board["pack"]) if board["pack"] is not None else None
        # What a row has behind its columns. The accelerometer is first, so that it has the place of a column.
        self.channels = []
        self.accelerometer = self._accelerometer(board["accelerometer"])
        self.parts = self.columns + ([self.accelerometer] if self.accelerometer is not None else [])
        self.throttle2 = open_throttle(board["throttle2"], 1)
        self.pack2 = Pack(board["pack2"]) if board["pack2"] is not None else None
        if self.throttle2.wired:
            self.channels.append("throttle2_us")
        if self.pack2 is not None:
            self.channels.append("pack2_mv")
        self.width = len(self.columns) + len(self.channels)

    def _accelerometer(self, section):
        if section is None:
            return None
        from undertray.accelerometer import AXES, Lis3dh  # noqa: PLC0415 - start-up time, where there is one

        self.channels += AXES
        bus = self.buses[section["bus"]]
        return Column("accelerometer", Lis3dh(bus.i2c, section), bus, None, section)

    def _add(self, i, section):
        options = {key: section[key] for key in section if key not in _PLACE_KEYS}
        bus = channel = None
        try:
            if section["adc_pin"] is not None:
                sensor = open_sensor(ADC(section["adc_pin"]), section["adc_pin"], options)
            else:
                bus = self.buses[section["bus"]]
                if section["mux"] is not None:
                    address, number = section["mux"]
                    channel = MuxChannel(self.muxes[(section["bus"], address)], number)
                sensor = open_sensor(channel or bus.i2c, section["address"], options)
        except ValueError as error:
            self.faults.append("columns[{}]: {}".format(i, error))
            return
        self.columns.append(Column("p{}".format(i + 1), sensor, bus, channel, section))

    def device_note(self, rate_hz):
        """The ``device`` note as the bytes of its line; ValueError when the columns do not fit into it."""
        told = {
            "wire": 1,
            "firmware": VERSION,
            "board": self.board["name"],
            "uid": "".join(["{:02x}".format(byte) for byte in machine.unique_id()]),
            "boot": self.boot,
            "rate_hz": rate_hz,
            "tick_hz": 1000000,
            "tick_bits": 30,
            "columns": [column.describe() for column in self.columns],
        }
        if self.channels:
            told["wire"] = 2
            told["channels"] = self.channels
            if self.accelerometer is not None:
                told["accelerometer"] = self.accelerometer.sensor.describe()
        try:
            return note("device", told)
        except ValueError as error:
            raise ValueError("too many columns: device {}".format(error))

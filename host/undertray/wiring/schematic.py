"""The schematic: what is connected to what."""

from __future__ import annotations

from undertray.wiring.pins import (
    BULK,
    BYPASS,
    FUSE,
    ON_BOARD_LED,
    PULL_UP,
    RESET_OHM,
    SERIES_OHM,
    THROTTLE_OHM,
    BoardPlan,
    Bus,
    Sensor,
    analogue_ohm,
    pack_limit_v,
    pack_ohm,
    sensor_label,
)
from undertray.wiring.svg import Sheet

__all__ = ["draw_schematic"]

_BOARD_X, _BOARD_WIDTH = 420, 150
_TRUNK_X = {"SCL": 690, "SDA": 670, "GND": 650, "3V3": 630}
_NET_COLOUR = {"SCL": "yellow", "SDA": "blue", "GND": "black", "3V3": "orange"}
_BOX_X, _BOX_WIDTH = 750, 170
_FAR_X = 1010
_STEP = 84  # from one hanging box to the next
_BOX_HEIGHT = 68


def draw_schematic(plan: BoardPlan) -> str:
    """Draw the schematic of a board."""
    sheet = Sheet(
        1220,
        f"Schematic: {plan.name}",
        f"Power, throttle and alarm on the left of the board; {len(plan.buses)} I2C bus with "
        f"{len(plan.sensors)} pressure sensors on its right. pins.md lists the same wires as a table.",
    )
    sheet.text(20, 28, f"Schematic: {plan.name}", bold=True)
    sheet.text(20, 46, "A dot joins two lines; lines that cross without one are not joined.")
    bottom = 80.0
    for bus in plan.buses:
        bottom = _bus(sheet, plan, bus, bottom)
    for sensor in (s for s in plan.sensors if s.adc_pin is not None):
        bottom = _analogue(sheet, sensor, bottom)
    left = _left_side(sheet, plan)
    height = max(bottom, left) - 70
    sheet.box(
        _BOARD_X, 70, _BOARD_WIDTH, height, ["board", "RP2040 or RP2350", "3.3 V logic,", "no pin takes 5 V"]
    )
    return sheet.finish()


def _bus(sheet: Sheet, plan: BoardPlan, bus: Bus, top: float) -> float:
    hanging = [s for s in plan.sensors if s.bus == bus.number and s.mux is None]
    muxes = [m for m in plan.muxes if m.bus == bus.number]
    pins = {"SCL": f"GP{bus.scl_pin}", "SDA": f"GP{bus.sda_pin}", "GND": "GND", "3V3": "3V3"}
    right = _BOARD_X + _BOARD_WIDTH
    entries = {net: top + 14 * place for place, net in enumerate(pins)}
    for net, y in entries.items():
        sheet.text(right + 6, y - 3, f"{pins[net]}" + ("" if pins[net] == net else f" {net}"))
        sheet.line([(right, y), (_TRUNK_X[net], y)], _NET_COLOUR[net])
    y = top + 70
    last = y
    _hang(sheet, y, ["pull-ups, once a bus", "SDA and SCL to 3V3:", f"{PULL_UP} each"], without="GND")
    for sensor in hanging:
        y, last = y + _STEP, y + _STEP
        _hang(sheet, y, _sensor_words(sensor))
        sheet.text(_BOX_X + _BOX_WIDTH + 10, y + 24, f"{sensor.port} port: to the tap")
        sheet.text(_BOX_X + _BOX_WIDTH + 10, y + 40, "other port: still air")
        sheet.text(_BOX_X + _BOX_WIDTH + 10, y + 56, f"{BYPASS}, 3V3 to GND")
    if plan.accelerometer is not None and plan.accelerometer[1] == bus.number:
        part, _, address = plan.accelerometer
        y, last = y + _STEP, y + _STEP
        _hang(sheet, y, ["accelerometer", f"{part}, {address:#04x}", f"{BYPASS}, 3V3 to GND"])
        sheet.text(_BOX_X + _BOX_WIDTH + 10, y + 36, "screwed to the chassis")
    for mux in muxes:
        behind = [
            s for s in plan.sensors if s.mux is not None and s.mux[0] == mux.address and s.bus == mux.bus
        ]
        y = last = y + _STEP
        reset = "RESET: none" if mux.reset_pin is None else f"RESET: GP{mux.reset_pin}, {RESET_OHM} to 3V3"
        words = [f"multiplexer {mux.address:#04x}", reset, f"{BYPASS}, 3V3 to GND"]
        _hang(sheet, y, words, rows=max(1, len(behind)))
        for place, sensor in enumerate(behind):
            _behind(sheet, sensor, y + place * _STEP)
        y += max(0, len(behind) - 1) * _STEP
    for net, start in entries.items():
        offset = list(pins).index(net) * 14 + 12
        end = last + offset if net != "GND" or last > top + 70 else start
        sheet.line([(_TRUNK_X[net], start), (_TRUNK_X[net], end)], _NET_COLOUR[net])
    return y + _STEP


def _hang(sheet: Sheet, y: float, words: list[str], without: str = "", rows: int = 1) -> None:
    """A box whose four lines reach the trunk."""
    for place, net in enumerate(_TRUNK_X):
        if net == without:
            continue
        at = y + 12 + 14 * place
        sheet.line([(_TRUNK_X[net], at), (_BOX_X, at)], _NET_COLOUR[net], 1.4)
        sheet.dot(_TRUNK_X[net], at, _NET_COLOUR[net])
        sheet.text(_BOX_X - 5, at - 2, net, "end")
    sheet.box(_BOX_X, y, _BOX_WIDTH, _BOX_HEIGHT + (rows - 1) * _STEP, words)


def _behind(sheet: Sheet, sensor: Sensor, at: float) -> None:
    """A sensor at an output of a multiplexer."""
    output = sensor.mux[1] if sensor.mux else 0
    for place, net in enumerate(("SD", "SC")):
        y = at + 22 + 24 * place
        sheet.line([(_BOX_X + _BOX_WIDTH, y), (_FAR_X, y)], "yellow" if place else "blue", 1.4)
        sheet.text(_FAR_X - 6, y - 3, f"{net}{output}", "end")
    sheet.text(_BOX_X + _BOX_WIDTH + 4, at + 62, "own pull-ups")
    words = [*_sensor_words(sensor), f"{sensor.port} port: to the tap"]
    sheet.box(_FAR_X, at, 190, _BOX_HEIGHT, words)


def _analogue(sheet: Sheet, sensor: Sensor, top: float) -> float:
    right = _BOARD_X + _BOARD_WIDTH
    sheet.line([(right, top + 20), (_BOX_X, top + 20)], "white")
    upper, lower = analogue_ohm(sensor)
    sheet.text(right + 6, top + 16, f"GP{sensor.adc_pin} analogue, {upper}")
    sheet.text(right + 6, top + 36, f"{lower} from the pin to GND")
    sheet.box(_BOX_X, top, _BOX_WIDTH, _BOX_HEIGHT, _sensor_words(sensor))
    return top + _STEP


def _sensor_words(sensor: Sensor) -> list[str]:
    place = f"address {sensor.address:#04x}" if sensor.address is not None else "analogue output"
    return [sensor_label(sensor), f"{sensor.part} {sensor.range_code}".strip(), place]


def _left_side(sheet: Sheet, plan: BoardPlan) -> float:
    """Power, throttle, alarm and pack voltage; gives where the next row would stand."""
    end, y = _BOARD_X, 80.0
    sheet.box(20, y, 70, 60, ["pack"])
    sheet.line([(90, y + 15), (120, y + 15)], "red")
    sheet.resistor(120, y + 8, 34, 14, FUSE)
    sheet.line([(154, y + 15), (180, y + 15)], "red")
    sheet.box(180, y, 84, 60, ["5 V", "regulator"])
    sheet.line([(264, y + 15), (end, y + 15)], "red")
    sheet.box(300, y + 3, 62, 24, ["Schottky"])
    sheet.text(end - 4, y + 11, "VSYS", "end")
    sheet.line([(90, y + 45), (180, y + 45)], "black")
    sheet.line([(130, y + 45), (130, y + 84), (end, y + 84)], "black", 2.6)
    sheet.dot(130, y + 45, "black")
    sheet.text(140, y + 79, "star point: the only place where the")
    sheet.text(140, y + 99, "grounds of pack, ESCs and board meet")
    sheet.text(end - 4, y + 98, "GND", "end")
    sheet.text(276, y + 46, BULK)
    sheet.text(276, y + 61, "VSYS to GND")
    y += 130
    if plan.throttle_pin is not None:
        y = _throttle(sheet, plan, end, y)
    if plan.throttle2_pin is not None:
        y = _listened(sheet, "second fan channel", f"GP{plan.throttle2_pin}", y)
    for pin, divider, source in (
        (plan.pack_pin, plan.pack_divider, ["pack plus,", "behind the fuse"]),
        (plan.pack2_pin, plan.pack2_divider, ["second pack plus,", "behind its fuse"]),
    ):
        if pin is None or divider is None:
            continue
        _divider(sheet, source, f"GP{pin}", pack_ohm(divider), y, "violet")
        sheet.text(346, y + 69, f"{BYPASS},")
        sheet.text(346, y + 84, "pin to GND")
        sheet.text(20, y + 96, f"no pack above {pack_limit_v(divider):.1f} V on this divider")
        y += 126
    for pin, words in ((plan.led_pin, "alarm light"), (plan.buzzer_pin, "alarm buzzer")):
        if pin is None:
            continue
        inside = pin == ON_BOARD_LED
        sheet.box(20, y, 130, 44, [words, "on the board itself" if inside else "other side to GND"])
        if not inside:
            sheet.line([(150, y + 22), (end, y + 22)], "green")
        sheet.text(end - 4, y + 18, f"GP{pin}", "end")
        y += 64
    return y


def _throttle(sheet: Sheet, plan: BoardPlan, end: float, y: float) -> float:
    pin = f"GP{plan.throttle_pin}"
    if not plan.throttle_output:
        return _listened(sheet, "fan channel", pin, y)
    sheet.box(20, y, 130, 44, ["fan ESCs,", "signal input"])
    sheet.line([(150, y + 22), (end, y + 22)], "white")
    sheet.resistor(230, y + 15, 44, 14, SERIES_OHM)
    sheet.text(end - 4, y + 18, pin, "end")
    return y + 74


def _listened(sheet: Sheet, channel: str, pin: str, y: float) -> float:
    _divider(sheet, ["receiver,", channel], pin, THROTTLE_OHM, y, "white")
    sheet.text(20, y + 96, "signal and ground only: the red wire of this branch stays out")
    return y + 126


def _divider(
    sheet: Sheet, source: list[str], pin: str, values: tuple[str, str], y: float, colour: str
) -> None:
    end = _BOARD_X
    sheet.box(20, y, 130, 44, source)
    sheet.line([(150, y + 22), (end, y + 22)], colour)
    sheet.resistor(190, y + 15, 44, 14, values[0])
    sheet.line([(290, y + 22), (290, y + 80)], colour)
    sheet.dot(290, y + 22, colour)
    sheet.resistor(283, y + 32, 14, 34, values[1])
    sheet.text(298, y + 84, "GND")
    sheet.text(end - 4, y + 18, pin, "end")

"""The schematic (what is connected to what) and the harness (what runs where), as SVG."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from undertray.wiring.pins import (
    BULK,
    BYPASS,
    DIODE,
    FUSE,
    ON_BOARD_LED,
    POT,
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

__all__ = ["INK", "Cable", "Sheet", "cables", "draw_harness", "draw_schematic"]


# A sheet: boxes, lines and words, every word escaped.

INK = {
    "red": "#C8102E",
    "black": "#111111",
    "orange": "#D55E00",
    "blue": "#0072B2",
    "yellow": "#9A7400",  # dark enough to be seen on white
    "grey": "#777777",
    "white": "#5B5B8A",
    "green": "#00795A",
    "violet": "#A0458A",
}
"""Colour of a wire in a drawing, by the name of its insulation; drawings also write the name."""


class Sheet:
    """A drawing under construction."""

    def __init__(self, width: int, title: str, description: str) -> None:
        self.width = width
        self.height = 0
        self._head = f"<title>{escape(title)}</title>\n<desc>{escape(description)}</desc>"
        self._parts: list[str] = []

    def box(self, x: float, y: float, width: float, height: float, lines: Sequence[str]) -> None:
        """Draw a box with words in its middle, the first line bold."""
        self._add(
            f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" rx="4" fill="#F4F6F8"'
            ' stroke="#222" stroke-width="1.4"/>',
            y + height,
        )
        top = y + height / 2 - 7.5 * (len(lines) - 1) + 4.5
        for place, line in enumerate(lines):
            self.text(x + width / 2, top + 15 * place, line, "middle", bold=place == 0)

    def line(
        self, points: Sequence[tuple[float, float]], colour: str, width: float = 1.8, dash: str = ""
    ) -> None:
        """Draw a line through points."""
        path = " ".join(f"{x:g},{y:g}" for x, y in points)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self._add(
            f'<polyline points="{path}" fill="none" stroke="{INK[colour]}"'
            f' stroke-width="{width:g}"{dashed}/>',
            max(y for _, y in points),
        )

    def dot(self, x: float, y: float, colour: str) -> None:
        """Draw the dot that says two lines are joined here."""
        self._add(f'<circle cx="{x:g}" cy="{y:g}" r="3.4" fill="{INK[colour]}"/>', y)

    def resistor(self, x: float, y: float, width: float, height: float, words: str) -> None:
        """Draw a resistor as the rectangle of IEC 60617, with its value beside it."""
        self._add(
            f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" fill="#FFF" stroke="#222"'
            ' stroke-width="1.4"/>',
            y + height,
        )
        if width > height:
            self.text(x + width / 2, y - 4, words, "middle")
        else:
            self.text(x + width + 5, y + height / 2 + 4, words)

    def text(self, x: float, y: float, words: str, anchor: str = "start", bold: bool = False) -> None:
        """Write words."""
        weight = ' font-weight="bold"' if bold else ""
        self._add(
            f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" fill="#222"{weight}>{escape(words)}</text>',
            y,
        )

    def finish(self) -> str:
        """End the drawing."""
        height = self.height + 24
        return "\n".join(
            [
                f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width} {height:g}"'
                f' width="{self.width}" height="{height:g}" role="img"'
                ' font-family="DejaVu Sans, Verdana, sans-serif" font-size="11.5">',
                self._head,
                f'<rect width="{self.width}" height="{height:g}" fill="#FFF"/>',
                *self._parts,
                "</svg>",
                "",
            ]
        )

    def _add(self, part: str, lowest: float) -> None:
        self._parts.append(part)
        self.height = max(self.height, int(lowest + 0.5))


# The schematic: what is connected to what.

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


# The harness: which cable and which tube runs where in the car.

Cable = tuple[str, str, str, str]
"""Number, from and to, cores with their colours, how to lead it."""

_MOTOR_MM = 30
_PACK, _PACK2 = "pack plus to board", "second pack plus to board"
_THROTTLE, _THROTTLE2 = "receiver to board", "receiver, second fan channel, to board"
_FELT = "board to accelerometer"


def cables(plan: BoardPlan) -> list[Cable]:
    """List the cables of a board."""
    bus_cores, signal_cores = "orange, black, blue, yellow", "white, black"
    found = [
        ("pack plug to regulator", "red, black", f"{FUSE} at the plug; black starts at the star point"),
        ("regulator to board", "red, black", f"twisted; {DIODE} in the red, {BULK} at the board"),
    ]
    plug = "twisted; the red of the plug stays out"
    if plan.throttle_pin is not None:
        found.append(("board to fan ESCs" if plan.throttle_output else _THROTTLE, signal_cores, plug))
    near = f"at most 300 mm; blue and yellow each twisted with black; {_MOTOR_MM} mm from motor leads"
    for bus in plan.buses:
        first = "multiplexer" if any(m.bus == bus.number for m in plan.muxes) else "sensors"
        found.append((f"board to {first}, bus {bus.number}", bus_cores, near))
    for mux in plan.muxes:
        for sensor in plan.sensors:
            if sensor.bus == mux.bus and sensor.mux is not None and sensor.mux[0] == mux.address:
                ends = f"multiplexer {mux.address:#04x}, output {sensor.mux[1]}, to {sensor.name}"
                found.append((ends, bus_cores, "at most 300 mm; own pull-ups"))
    for pin, what in ((plan.led_pin, "alarm light"), (plan.buzzer_pin, "alarm buzzer")):
        if pin is not None and pin != ON_BOARD_LED:
            found.append((f"board to {what}", "green, black", "where the driver sees or hears it"))
    behind = "behind the fuse; divider at the board"
    if plan.pack_pin is not None:
        found.append((_PACK, "violet", behind))
    if plan.pack2_pin is not None:
        found.append((_PACK2, "violet, black", f"{behind}; black from the star point"))
    if plan.throttle2_pin is not None:
        found.append((_THROTTLE2, signal_cores, plug))
    if plan.accelerometer is not None:
        found.append((_FELT, bus_cores, f"on bus {plan.accelerometer[1]}; screwed to the chassis"))
    return [(f"W{number}", *cable) for number, cable in enumerate(found, 1)]


def draw_harness(plan: BoardPlan) -> str:
    """Draw the harness of a board."""
    sheet = Sheet(
        1100,
        f"Harness: {plan.name}",
        "Cables and tubes between pack, regulator, receiver, board, sensors, taps and the still-air pot, "
        "followed by the list of cables.",
    )
    sheet.text(20, 28, f"Harness: {plan.name}", bold=True)
    sheet.text(20, 46, "Thick lines are cables (number, cores), dashed lines are tubes. Not to scale.")
    _electric(sheet, plan, {cable[1]: cable[0] for cable in cables(plan)})
    below = 500 if plan.throttle2_pin is not None or plan.pack2_pin is not None or plan.accelerometer else 400
    top = max(_tubes(sheet, plan), below) + 34
    sheet.text(20, top, "Cables", bold=True)
    for x, word in ((20, "no."), (70, "from and to"), (360, "cores"), (590, "how")):
        sheet.text(x, top + 20, word, bold=True)
    for place, cable in enumerate(cables(plan)):
        for x, word in zip((20, 70, 360, 590), cable, strict=True):
            sheet.text(x, top + 40 + 18 * place, word)
    return sheet.finish()


def _electric(sheet: Sheet, plan: BoardPlan, numbers: dict[str, str]) -> None:
    sheet.box(20, 80, 120, 50, ["pack plug", "star point"])
    sheet.line([(140, 105), (230, 105)], "red", 4)
    sheet.text(185, 98, "W1", "middle")
    sheet.box(230, 80, 110, 50, ["5 V regulator"])
    sheet.line([(285, 130), (285, 210)], "red", 4)
    sheet.text(293, 174, "W2")
    sheet.box(200, 210, 170, 120, ["board", "in foam, dry,", "USB reachable"])
    if plan.throttle_pin is not None:
        sheet.box(20, 230, 110, 50, ["fan ESCs" if plan.throttle_output else "receiver", "fan channel"])
        sheet.line([(130, 255), (200, 255)], "white", 4)
        sheet.text(165, 248, "W3", "middle")
    if plan.pack_pin is not None:
        sheet.line([(60, 130), (60, 190), (225, 190), (225, 210)], "violet", 2.4)
        sheet.text(70, 184, f"{numbers[_PACK]} pack voltage")
    if plan.buzzer_pin is not None or plan.led_pin not in (None, ON_BOARD_LED):
        sheet.box(20, 320, 110, 44, ["alarm"])
        sheet.line([(130, 342), (165, 342), (165, 310), (200, 310)], "green", 3)
        own = [number for ends, number in numbers.items() if "alarm" in ends]
        sheet.text(140, 358, ", ".join(own))
    y = 376.0
    for pin, ends, colour, words in (
        (plan.throttle2_pin, _THROTTLE2, "white", ["receiver", "second fan channel"]),
        (plan.pack2_pin, _PACK2, "violet", ["second pack", "its own fuse"]),
    ):
        if pin is not None:
            x = 230 if colour == "white" else 260
            sheet.box(20, y, 130, 44, words)
            sheet.line([(150, y + 22), (x, y + 22), (x, 330)], colour, 3)
            sheet.text(190, y + 15, numbers[ends], "middle")
            y += 52
    if plan.accelerometer is not None:
        sheet.box(300, 376, 130, 44, ["accelerometer", plan.accelerometer[0]])
        sheet.line([(340, 330), (340, 376)], "blue", 4)
        sheet.text(348, 356, numbers[_FELT])
    sheet.box(380, 80, 100, 50, ["motors", "and their leads"])
    sheet.text(380, 148, f"keep {_MOTOR_MM} mm away")


def _tubes(sheet: Sheet, plan: BoardPlan) -> float:
    """Sensors, their tubes to the taps and to the pot; gives the lower edge."""
    step, top = 56, 80
    count = len(plan.sensors)
    lower = top + step * count
    middle = 270
    sheet.line([(370, middle), (500, middle)], "blue", 4)
    buses = [number for number, ends, *_ in cables(plan) if ", bus " in ends]
    sheet.text(375, middle - 7, f"{', '.join(buses)}: 3V3, GND,")
    sheet.text(375, middle + 18, "SDA, SCL (bus)")
    if plan.muxes:
        sheet.text(375, middle + 34, "by the multiplexer")
    sheet.line([(500, top + 22), (500, max(lower - step + 22, middle))], "blue", 4)
    sheet.text(560, top - 10, "sensors, all the same way round")
    sheet.text(900, top - 10, "taps in the floor")
    for place, sensor in enumerate(plan.sensors):
        y = top + step * place
        sheet.line([(500, y + 22), (550, y + 22)], "blue", 3)
        sheet.box(550, y, 150, 44, [sensor_label(sensor), f"{sensor.part} {sensor.range_code}"])
        sheet.line([(700, y + 12), (900, y + 12)], "green", 2.4, "7 4")
        sheet.text(706, y + 8, sensor.port)
        sheet.text(800, y + 8, f"tube T{place + 1}", "middle")
        sheet.box(900, y, 170, 34, [f"tap {place + 1}: {sensor.note}" if sensor.note else f"tap {place + 1}"])
        sheet.line([(700, y + 34), (760, y + 34)], "grey", 2.4, "7 4")
        sheet.text(706, y + 46, "low" if sensor.port == "high" else "high")
    sheet.line([(760, top + 34), (760, lower + 20)], "grey", 2.4, "7 4")
    sheet.line([(760, lower + 20), (900, lower + 20)], "grey", 2.4, "7 4")
    sheet.box(900, lower - 2, 170, 44, ["still-air pot", f"{POT}, capillary"])
    sheet.text(550, lower + 24, "T1 and on: one length, one bore,")
    sheet.text(550, lower + 40, "150 mm if you can, 300 mm at most")
    return lower + 50

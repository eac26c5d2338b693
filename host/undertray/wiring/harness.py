"""The harness: which cable and which tube runs where in the car."""

from __future__ import annotations

from undertray.wiring.pins import BULK, DIODE, FUSE, ON_BOARD_LED, POT, BoardPlan, sensor_label
from undertray.wiring.svg import Sheet

__all__ = ["Cable", "cables", "draw_harness"]

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

"""The pin table: one line a wire that leaves the board."""

from __future__ import annotations

import re
from dataclasses import dataclass
from html import escape

from undertray.report.wiring.parts import (
    BYPASS,
    DIODE,
    LIGHT_OHM,
    ON_BOARD_LED,
    PULL_UP,
    RESET_OHM,
    SERIES_OHM,
    THROTTLE_OHM,
    analogue_ohm,
    pack_limit_v,
    pack_ohm,
    parts,
)
from undertray.report.wiring.plan import BoardPlan, Bus, Sensor

__all__ = ["Wire", "pin_table", "sensor_label", "wires"]

# GP number -> place on the edge of the common 40-pin RP2040 board (from memory: check the print on yours)
_PLACE = {
    **{0: 1, 1: 2, 2: 4, 3: 5, 4: 6, 5: 7, 6: 9, 7: 10, 8: 11, 9: 12, 10: 14, 11: 15, 12: 16, 13: 17},
    **{14: 19, 15: 20, 16: 21, 17: 22, 18: 24, 19: 25, 20: 26, 21: 27, 22: 29, 26: 31, 27: 32, 28: 34},
}


@dataclass(frozen=True, slots=True)
class Wire:
    """One wire from the board.

    Attributes
    ----------
    pin : str
        ``GP4``, ``3V3``, ``VSYS`` or ``GND``.
    place : str
        Where that is on the common 40-pin board.
    to : str
        What it goes to.
    through : str
        What sits in between.
    colour : str
        Colour of the wire in the harness drawing.
    """

    pin: str
    place: str
    to: str
    through: str
    colour: str


def wires(plan: BoardPlan) -> list[Wire]:
    """List the wires of a board.

    Parameters
    ----------
    plan : BoardPlan
        What is wired where.

    Returns
    -------
    list of Wire
        Power first, then the buses, then the single lines.
    """
    found = [
        Wire("VSYS", "39", "5 V of the regulator", f"{DIODE}, its ring towards VSYS", "red"),
        Wire("GND", "38", "star point at the pack's plug", "one wire, nothing else on it", "black"),
        Wire("3V3", "36", "supply of every sensor and multiplexer", f"{BYPASS} at each", "orange"),
    ]
    for bus in plan.buses:
        to = _on_bus(plan, bus)
        pull_up = f"pull-up {PULL_UP} to 3V3"
        found.append(_gp(bus.sda_pin, f"SDA of {to}", pull_up, "blue"))
        found.append(_gp(bus.scl_pin, f"SCL of {to}", pull_up, "yellow"))
    found += [
        _gp(
            mux.reset_pin,
            f"RESET of the multiplexer {mux.address:#04x}",
            f"pull-up {RESET_OHM} to 3V3",
            "grey",
        )
        for mux in plan.muxes
        if mux.reset_pin is not None
    ]
    found += [
        _gp(
            sensor.adc_pin,
            f"output of {sensor_label(sensor)}",
            "{}; {} from the pin to GND".format(*analogue_ohm(sensor)),
            "white",
        )
        for sensor in plan.sensors
        if sensor.adc_pin is not None
    ]
    if plan.throttle_pin is not None:
        found.append(
            _gp(plan.throttle_pin, "signal input of the fan ESCs", SERIES_OHM, "white")
            if plan.throttle_output
            else _gp(
                plan.throttle_pin,
                "throttle signal of the receiver",
                "{}; {} from the pin to GND".format(*THROTTLE_OHM),
                "white",
            )
        )
    if plan.led_pin is not None:
        on_board = plan.led_pin == ON_BOARD_LED
        found.append(
            _gp(
                plan.led_pin,
                "alarm light (the one on the board)" if on_board else "alarm light",
                "nothing to wire" if on_board else LIGHT_OHM,
                "green",
            )
        )
    if plan.buzzer_pin is not None:
        found.append(_gp(plan.buzzer_pin, "alarm buzzer", "transistor if it draws over 5 mA", "green"))
    if plan.pack_pin is not None and plan.pack_divider is not None:
        found.append(
            _gp(plan.pack_pin, "pack plus, behind the fuse", _pack_words(plan.pack_divider), "violet")
        )
    return found


def sensor_label(sensor: Sensor) -> str:
    """Name a sensor for a drawing.

    Parameters
    ----------
    sensor : Sensor
        The sensor.

    Returns
    -------
    str
        Its column, and what the description notes of it.
    """
    return f"{sensor.name} {sensor.note}".strip()


def pin_table(plan: BoardPlan) -> str:
    """Write the pin table.

    Parameters
    ----------
    plan : BoardPlan
        What is wired where.

    Returns
    -------
    str
        Markdown.
    """
    lines = [
        "# Pins",
        "",
        f"Made from `board.json` ({_safe(plan.name)}) by `python wiring/draw.py`; do not edit by hand.",
        "",
        "*Edge* is the place on the common 40-pin RP2040 board, from memory: the print on yours decides.",
        "",
        "| pin | edge | goes to | through | colour |",
        "|---|---|---|---|---|",
    ]
    lines += [f"| {w.pin} | {w.place} | {_safe(w.to)} | {w.through} | {w.colour} |" for w in wires(plan)]
    lines += [
        "",
        "## Sensors",
        "",
        "| column | part and range | bus | address | multiplexer | to the tap | to still air | note |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for s in plan.sensors:
        address = f"{s.address:#04x}" if s.address is not None else f"GP{s.adc_pin}"
        mux = f"{s.mux[0]:#04x}, output {s.mux[1]}" if s.mux else "none"
        other = "low" if s.port == "high" else "high"
        lines.append(
            f"| {s.name} | {_safe(s.part)} {_safe(s.range_code)} | {'' if s.bus is None else s.bus} "
            f"| {address} | {mux} | {s.port} | {other} | {_safe(s.note)} |"
        )
    lines += [
        "",
        "*Low* and *high* are ports of the sensor. The high port is the one at which a higher pressure makes",
        "the reading rise (marked P1 on most parts: its data sheet decides). With the low port at the tap,",
        "suction reads positive.",
        "",
        "## Parts",
        "",
        "What the drawings show. What to look for in each: [README.md](README.md), step 1.",
        "",
        "| part | how many | for |",
        "|---|---|---|",
        *(f"| {_safe(part.what)} | {part.many} | {part.use} |" for part in parts(plan)),
        "",
    ]
    if plan.pack_pin is not None and plan.pack_divider is not None:
        lines += [
            "The pack's limit is that of the resistors named, each off by 5 % the bad way. `correction` in",
            "`board.json` changes the reading and never this limit.",
            "",
        ]
    return "\n".join(lines)


def _pack_words(divider: float) -> str:
    upper, lower = pack_ohm(divider)
    return f"{upper}; {lower} and {BYPASS} from the pin to GND; no pack above {pack_limit_v(divider):.1f} V"


def _on_bus(plan: BoardPlan, bus: Bus) -> str:
    names = [s.name for s in plan.sensors if s.bus == bus.number and s.mux is None]
    names += [f"multiplexer {m.address:#04x}" for m in plan.muxes if m.bus == bus.number]
    return f"bus {bus.number}: {', '.join(names) if names else 'nothing yet'}"


def _gp(pin: int, to: str, through: str, colour: str) -> Wire:
    return Wire(f"GP{pin}", str(_PLACE.get(pin, "none")), to, through, colour)


def _safe(text: str) -> str:
    """Text from a file as Markdown that can be nothing but text."""
    return re.sub(r"([\\`*_\[\]|#!])", r"\\\1", escape(" ".join(text.split()), quote=False))

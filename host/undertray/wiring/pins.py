"""The pin table: one line a wire that leaves the board."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from math import floor
from pathlib import Path
from typing import Any

from undertray.errors import BoardError, parser_words
from undertray.files import meant_file
from undertray.units import decimal_comma

__all__ = [
    "BULK",
    "BYPASS",
    "DIODE",
    "FUSE",
    "LIGHT_OHM",
    "ON_BOARD_LED",
    "POT",
    "PULL_UP",
    "RESET_OHM",
    "SERIES_OHM",
    "THROTTLE_OHM",
    "BoardPlan",
    "Bus",
    "Mux",
    "Part",
    "Sensor",
    "Wire",
    "analogue_ohm",
    "pack_limit_v",
    "pack_ohm",
    "pack_upper_kohm",
    "parts",
    "pin_table",
    "read_plan",
    "sensor_label",
    "wires",
]


# What ``board.json`` says is wired where, as far as a drawing needs it.

_MAX_BYTES = 65536
_MAX_ITEMS = 16
_TEXT_LIMIT = 40
_MOST_DIVIDER = 100


@dataclass(frozen=True, slots=True)
class Sensor:
    """One pressure sensor."""

    name: str
    part: str
    range_code: str
    note: str
    bus: int | None
    address: int | None
    mux: tuple[int, int] | None
    adc_pin: int | None
    port: str
    divider: float


@dataclass(frozen=True, slots=True)
class Bus:
    """One I2C bus: its number and its two pins."""

    number: int
    sda_pin: int
    scl_pin: int


@dataclass(frozen=True, slots=True)
class Mux:
    """One multiplexer: its bus, its address and the pin of its reset line, or None."""

    bus: int
    address: int
    reset_pin: int | None


@dataclass(frozen=True, slots=True)
class BoardPlan:
    """A whole board."""

    name: str
    buses: tuple[Bus, ...]
    muxes: tuple[Mux, ...]
    sensors: tuple[Sensor, ...]
    throttle_pin: int | None
    throttle_output: bool
    led_pin: int | None
    buzzer_pin: int | None
    pack_pin: int | None
    pack_divider: float | None
    throttle2_pin: int | None = None
    pack2_pin: int | None = None
    pack2_divider: float | None = None
    accelerometer: tuple[str, int, int] | None = None  # part, bus, address


def read_plan(path: str | Path) -> BoardPlan:
    """Read a board description for drawing."""
    where = Path(path).name
    try:
        with Path(path).open("rb") as file:
            content = file.read(_MAX_BYTES + 1)
    except OSError as error:
        do = meant_file(Path(path), "give the path of a board.json")
        raise BoardError(f"cannot be read: {error.strerror}", where=str(path), do=do) from error
    if len(content) > _MAX_BYTES:
        raise BoardError("too long", where=where, expected=f"at most {_MAX_BYTES} bytes")
    try:
        data = json.loads(content)
    except (ValueError, RecursionError) as error:
        raise BoardError(
            f"not JSON: {parser_words(error)}",
            where=where,
            expected="a board description",
            do=decimal_comma(content.decode("utf-8", "replace")),
        ) from error
    root = _object(data, where)
    buses = tuple(
        Bus(
            _whole(bus, "bus", f"{where}, {at}"),
            _whole(bus, "sda_pin", f"{where}, {at}"),
            _whole(bus, "scl_pin", f"{where}, {at}"),
        )
        for at, bus in _items(root, "buses", where)
    )
    muxes = tuple(
        Mux(
            _whole(mux, "bus", f"{where}, {at}"),
            _address(mux.get("address"), f"{where}, {at}"),
            _maybe(mux, "reset_pin", f"{where}, {at}"),
        )
        for at, mux in _items(root, "muxes", where)
    )
    sensors = tuple(
        _sensor(f"p{place + 1}", column, muxes, f"{where}, {at}")
        for place, (at, column) in enumerate(_items(root, "columns", where))
    )
    if not sensors:
        raise BoardError("no pressure sensor", where=where, expected="at least one entry in 'columns'")
    throttle = _object(root.get("throttle") or {}, f"{where}, throttle")
    alarm = _object(root.get("alarm") or {}, f"{where}, alarm")
    pack = _object(root.get("pack") or {}, f"{where}, pack")
    throttle2, pack2 = (_object(root.get(key) or {}, f"{where}, {key}") for key in ("throttle2", "pack2"))
    felt = _object(root.get("accelerometer") or {}, f"{where}, accelerometer")
    return BoardPlan(
        name=_text(root, "name"),
        buses=buses,
        muxes=muxes,
        sensors=sensors,
        throttle_pin=_maybe(throttle, "pin", where),
        throttle_output=throttle.get("direction") == "output",
        led_pin=_maybe(alarm, "led_pin", where),
        buzzer_pin=_maybe(alarm, "buzzer_pin", where),
        pack_pin=_maybe(pack, "adc_pin", where),
        pack_divider=_divider(pack, f"{where}, pack"),
        throttle2_pin=_maybe(throttle2, "pin", where),
        pack2_pin=_maybe(pack2, "adc_pin", where),
        pack2_divider=_divider(pack2, f"{where}, pack2"),
        accelerometer=_accelerometer(felt, f"{where}, accelerometer") if felt else None,
    )


def _accelerometer(felt: Mapping[str, Any], where: str) -> tuple[str, int, int]:
    return _text(felt, "part"), _whole(felt, "bus", where), _address(felt.get("address", 0x18), where)


def _sensor(name: str, column: Mapping[str, Any], muxes: tuple[Mux, ...], where: str) -> Sensor:
    mux, raw = None, column.get("mux")
    if isinstance(raw, list) and len(raw) == 2:
        mux = (_address(raw[0], where), _whole({"output": raw[1]}, "output", where))
    elif raw is not None:
        raise BoardError("bad 'mux'", where=where, seen=raw, expected="[address, output]")
    if mux is not None and mux[0] not in [m.address for m in muxes]:
        raise BoardError(
            "no such multiplexer", where=where, seen=hex(mux[0]), expected="one that 'muxes' lists"
        )
    return Sensor(
        name=name,
        part=_text(column, "part"),
        range_code=_text(column, "range"),
        note=_text(column, "note"),
        bus=_maybe(column, "bus", where),
        address=None if column.get("address") is None else _address(column["address"], where),
        mux=mux,
        adc_pin=_maybe(column, "adc_pin", where),
        port="high" if column.get("port") == "high" else "low",
        divider=_divider(column, where) or 1.0,
    )


def _object(data: object, where: str) -> Mapping[str, Any]:
    if not isinstance(data, dict):
        raise BoardError("not a JSON object", where=where, seen=data, expected="{...}")
    return data


def _items(root: Mapping[str, Any], key: str, where: str) -> list[tuple[str, Mapping[str, Any]]]:
    raw = root.get(key, [])
    if not isinstance(raw, list) or len(raw) > _MAX_ITEMS:
        raise BoardError(f"bad '{key}'", where=where, seen=raw, expected=f"a list of at most {_MAX_ITEMS}")
    return [(f"{key} {i + 1}", _object(item, f"{where}, {key} {i + 1}")) for i, item in enumerate(raw)]


def _maybe(data: Mapping[str, Any], key: str, where: str) -> int | None:
    return None if data.get(key) is None else _whole(data, key, where)


def _whole(data: Mapping[str, Any], key: str, where: str) -> int:
    value = data.get(key)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 4000:
        raise BoardError(f"bad '{key}'", where=where, seen=value, expected="a whole number")
    return value


def _divider(data: Mapping[str, Any], where: str) -> float | None:
    value = data.get("divider")
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 1 <= value <= _MOST_DIVIDER:
        raise BoardError(
            "bad 'divider'", where=where, seen=value, expected=f"a number from 1 to {_MOST_DIVIDER}"
        )
    return float(value)


def _address(value: object, where: str) -> int:
    if isinstance(value, str) and re.fullmatch(r"(0x)?[0-9A-Fa-f]{1,2}", value):
        value = int(value, 16)
    if isinstance(value, bool) or not isinstance(value, int) or not 0x08 <= value <= 0x7F:
        raise BoardError("bad address", where=where, seen=value, expected='"0x08" to "0x7f"')
    return value


def _text(data: Mapping[str, Any], key: str) -> str:
    return str(data.get(key, ""))[:_TEXT_LIMIT]


# The parts that a board takes: their values stand here once, for the drawings and for the list.

ON_BOARD_LED = 25
FUSE, DIODE, BULK = "fuse 1 A", "Schottky diode", "470 µF, 10 V"
PULL_UP, BYPASS, RESET_OHM = "2.2 to 4.7 kΩ", "100 nF", "10 kΩ"
THROTTLE_OHM = ("10 kΩ", "18 kΩ")
SERIES_OHM, LIGHT_OHM = "1 kΩ", "330 Ω"
POT = "20 to 100 ml"
_PIN_V = 3.3
_TOLERANCE = 0.05
_ANALOGUE_RATIO = 1.5  # an output of up to 4.5 V
# IEC 60063, series E24
_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)


@dataclass(frozen=True, slots=True)
class Part:
    """One line of the list: what, how many, what for."""

    what: str
    many: int
    use: str


def pack_ohm(divider: float) -> tuple[str, str]:
    """Which two resistors make a pack divider."""
    return f"{pack_upper_kohm(divider):g} kΩ", "10 kΩ"


def pack_upper_kohm(divider: float) -> float:
    """The resistor from the pack to the pin."""
    exact = 10 * (divider - 1) + 1e-6
    sold = (step / 10**down for down in (2, 1, 0, -1) for step in _E24)
    return max((kohm for kohm in sold if kohm <= exact), default=0.0)


def pack_limit_v(divider: float) -> float:
    """The highest pack voltage that a divider may be given."""
    ratio = pack_upper_kohm(divider) / 10 * (1 - _TOLERANCE) / (1 + _TOLERANCE)
    return floor(10 * _PIN_V * (1 + ratio) + 1e-9) / 10


def analogue_ohm(sensor: Sensor) -> tuple[str, str]:
    """Which two resistors stand between a sensor's analogue output and its pin."""
    return f"{20 * (max(sensor.divider, _ANALOGUE_RATIO) - 1):.3g} kΩ", "20 kΩ"


def parts(plan: BoardPlan) -> list[Part]:
    """List the parts of a board."""
    found = [
        Part("board with RP2040 or RP2350", 1, "runs the firmware"),
        Part(FUSE, 1, "at the pack's plug"),
        Part("5 V regulator, 1 A", 1, "from the pack to the board"),
        Part(f"{DIODE}, 1 A", 1, "between regulator and VSYS"),
        Part(f"capacitor {BULK}", 1, "VSYS to GND"),
    ]
    kinds = Counter(f"{s.part} {s.range_code}".strip() for s in plan.sensors)
    found += [Part(f"sensor {kind}", many, "one a tap") for kind, many in kinds.items()]
    outputs = len({(s.bus, s.mux) for s in plan.sensors if s.mux is not None})
    if plan.muxes:
        found.append(Part("multiplexer TCA9548A", len(plan.muxes), "sensors of one address"))
    if resets := sum(mux.reset_pin is not None for mux in plan.muxes):
        found.append(Part(f"resistor {RESET_OHM}", resets, "pull-up of a multiplexer's reset"))
    if plan.buses:
        use = "pull-ups, two a bus and two a used output of a multiplexer"
        found.append(Part(f"resistor {PULL_UP}", 2 * (len(plan.buses) + outputs), use))
    supplies = len(plan.sensors) + len(plan.muxes) + (plan.accelerometer is not None)
    packs = (plan.pack_pin is not None) + (plan.pack2_pin is not None)
    use = "one at each supply" + ("", ", one at the pack's pin", ", one at each pack's pin")[packs]
    found.append(Part(f"capacitor {BYPASS}", supplies + packs, use))
    if plan.accelerometer is not None:
        found.append(Part(f"accelerometer {plan.accelerometer[0]}", 1, "on the chassis"))
    analogue = [s for s in plan.sensors if s.adc_pin is not None]
    found += [
        Part(f"resistor {ohm}, 1 %", 1, f"divider of {s.name}") for s in analogue for ohm in analogue_ohm(s)
    ]
    found += [*_throttle(plan), *_alarm(plan), *_pack(plan), *_second_fan(plan)]
    tubes = Part("tube, 2 mm bore", 2 * len(plan.sensors), "to the taps, and to the pot")
    return [*found, tubes, Part(f"pot, {POT}, with a capillary", 1, "still air")]


def _throttle(plan: BoardPlan) -> list[Part]:
    if plan.throttle_pin is None:
        return []
    if plan.throttle_output:
        return [Part(f"resistor {SERIES_OHM}", 1, "in the throttle's signal")]
    return [Part(f"resistor {ohm}", 1, "divider of the throttle") for ohm in THROTTLE_OHM]


def _second_fan(plan: BoardPlan) -> list[Part]:
    found = []
    if plan.throttle2_pin is not None:
        found += [Part(f"resistor {ohm}", 1, "divider of the second throttle") for ohm in THROTTLE_OHM]
    if plan.pack2_pin is not None and plan.pack2_divider is not None:
        use = f"divider of the second pack, no pack above {pack_limit_v(plan.pack2_divider):.1f} V"
        found += [Part(f"resistor {ohm}, 1 %", 1, use) for ohm in pack_ohm(plan.pack2_divider)]
    return found


def _alarm(plan: BoardPlan) -> list[Part]:
    found = []
    if plan.led_pin not in (None, ON_BOARD_LED):
        found += [Part("LED", 1, "alarm light"), Part(f"resistor {LIGHT_OHM}", 1, "alarm light")]
    if plan.buzzer_pin is not None:
        found.append(Part("buzzer with its own driver", 1, "alarm"))
        found.append(Part("transistor", 1, "alarm, if the buzzer draws over 5 mA"))
    return found


def _pack(plan: BoardPlan) -> list[Part]:
    if plan.pack_pin is None or plan.pack_divider is None:
        return []
    use = f"divider of the pack, no pack above {pack_limit_v(plan.pack_divider):.1f} V"
    return [Part(f"resistor {ohm}, 1 %", 1, use) for ohm in pack_ohm(plan.pack_divider)]


# GP number -> place on the edge of the common 40-pin RP2040 board (from memory: check the print on yours)
_PLACE = {
    **{0: 1, 1: 2, 2: 4, 3: 5, 4: 6, 5: 7, 6: 9, 7: 10, 8: 11, 9: 12, 10: 14, 11: 15, 12: 16, 13: 17},
    **{14: 19, 15: 20, 16: 21, 17: 22, 18: 24, 19: 25, 20: 26, 21: 27, 22: 29, 26: 31, 27: 32, 28: 34},
}


@dataclass(frozen=True, slots=True)
class Wire:
    """One wire from the board."""

    pin: str
    place: str
    to: str
    through: str
    colour: str


def wires(plan: BoardPlan) -> list[Wire]:
    """List the wires of a board."""
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
    if plan.throttle2_pin is not None:
        through = "{}; {} from the pin to GND".format(*THROTTLE_OHM)
        found.append(_gp(plan.throttle2_pin, "second throttle signal of the receiver", through, "white"))
    if plan.pack2_pin is not None and plan.pack2_divider is not None:
        to = "plus of the second pack, behind its fuse"
        found.append(_gp(plan.pack2_pin, to, _pack_words(plan.pack2_divider), "violet"))
    return found


def sensor_label(sensor: Sensor) -> str:
    """Name a sensor for a drawing."""
    return f"{sensor.name} {sensor.note}".strip()


def pin_table(plan: BoardPlan) -> str:
    """Write the pin table."""
    lines = [
        "# Pins",
        "",
        f"Made from `board.json` ({_safe(plan.name)}) by `undertray board draw`; do not edit by hand.",
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
    if plan.accelerometer is not None and plan.accelerometer[1] == bus.number:
        names.append("accelerometer")
    return f"bus {bus.number}: {', '.join(names) if names else 'nothing yet'}"


def _gp(pin: int, to: str, through: str, colour: str) -> Wire:
    return Wire(f"GP{pin}", str(_PLACE.get(pin, "none")), to, through, colour)


def _safe(text: str) -> str:
    """Text from a file as Markdown that can be nothing but text."""
    return re.sub(r"([\\`*_\[\]|#!])", r"\\\1", escape(" ".join(text.split()), quote=False))

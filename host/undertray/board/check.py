"""All that can be said of a board description before anything is wired."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from undertray.board.rehearsal import Finding, Rehearsal, Weight, rehearse
from undertray.board.timing import largest_rate_hz, timing_findings
from undertray.errors import parser_words
from undertray.units import decimal_comma
from undertray.wiring.pins import pack_limit_v, pack_ohm, pack_upper_kohm

if TYPE_CHECKING:
    from undertray.reduce.car import Car

__all__ = [
    "check_board",
    "keeping_findings",
    "largest_suction_pa",
    "needed_suction_pa",
    "place_findings",
    "row_bits",
    "span_findings",
]


# Pins of the common 40-pin board, and the addresses that each part family comes with.

# Raspberry Pi Pico data sheet, section "Pico pinout": not on its edge, and wired to these on the board
_INSIDE = {
    23: "the mode of its voltage regulator",
    24: "the sense line of its USB supply",
    29: "the supply it measures itself",
}
_LED = 25
_PIN_MV = 3300
_LEAST_DIVIDER = 1.4
_SAME = 1.005
_SCANNED = range(0x08, 0x78)

# Addresses of the families: SDP3x/SDP8xx, MS5525DSO and DLH from public drivers, DLVR from its data sheet
# DS-0300; HSC/SSC by the digit of the order code (public driver notes), ABP2 likewise (from memory);
# MS4525DO by the letter or digit of the order code (public library MS4525DO_RT).
_BY_DIGIT = tuple(range(0x08, 0x80, 0x10))
_ADDRESSES: Mapping[str, tuple[int, ...]] = {
    "HSC": _BY_DIGIT[2:],
    "SSC": _BY_DIGIT[2:],
    "ABP2": _BY_DIGIT,
    "SDP3x": (0x21, 0x22, 0x23),
    "SDP8xx": (0x25, 0x26),
    "MS4525DO": (0x28, 0x36, 0x46, *range(0x48, 0x52)),
    "MS5525DSO": (0x76, 0x77),
    "DLH": (0x29,),
    "DLHR": (0x29,),
}


def place_findings(rehearsal: Rehearsal) -> Iterator[Finding]:
    """Judge pins and addresses beyond what the firmware itself refuses."""
    for where, key, pin in _pins(rehearsal.board):
        if pin in _INSIDE:
            yield Finding(
                Weight.FAULT,
                where,
                f"{key} {pin} is not on the edge of a Pico: it is {_INSIDE[pin]}",
                "one of 0 to 22 and 26 to 28 (26 to 28 for an analogue input)",
            )
        elif pin == _LED and key not in ("led_pin", "heartbeat_pin"):
            yield Finding(
                Weight.FAULT,
                where,
                f"{key} 25 is not on the edge of a Pico: it drives the light on the board",
                "one of 0 to 22 and 26 to 28",
            )
    for i, column in enumerate(rehearsal.columns):
        yield from _address(f"columns[{i}]", column)
    for key in ("pack", "pack2"):
        if rehearsal.board[key]:
            yield from _pack(key, rehearsal.board[key]["divider"])
    for i, section in enumerate(rehearsal.board["columns"]):
        if section["part"] == "MPXV7002DP":
            yield from _pin_volts(f"columns[{i}]", section)


def _pins(board: Mapping[str, Any]) -> Iterator[tuple[str, str, int]]:
    named = [("board", {"heartbeat_pin": board["heartbeat_pin"]})]
    named += [(key, board[key]) for key in ("throttle", "throttle2", "alarm", "pack", "pack2") if board[key]]
    for key in ("buses", "muxes", "columns", "links"):
        named += [(f"{key}[{i}]", section) for i, section in enumerate(board[key])]
    for where, section in named:
        for key, value in section.items():
            if (key == "pin" or key.endswith("_pin")) and isinstance(value, int):
                yield where, key, value


def _pack(where: str, divider: float) -> Iterator[Finding]:
    """Whether the resistors that the drawings name make this divider."""
    upper, lower = pack_ohm(divider)
    drawn = 1 + pack_upper_kohm(divider) / 10
    if divider > _SAME * drawn:
        yield Finding(
            Weight.WARNING,
            where,
            f"'divider' {divider:g} is not that of any resistor sold over {lower}: the drawings take {upper} "
            f"({drawn:g}), and no pack above {pack_limit_v(divider):.1f} V",
            "'divider' as the resistors are; what a multimeter says of the reading is 'correction', "
            "as wiring/README.md says in step 7",
        )


def _pin_volts(where: str, section: Mapping[str, Any]) -> Iterator[Finding]:
    """Whether an analogue output, 0.9 of its supply at most, can give its pin too much."""
    most_mv, divider = 0.9 * section.get("supply_mv", 5000), section.get("divider", 1)
    if divider < _LEAST_DIVIDER or most_mv / divider > _PIN_MV:
        yield Finding(
            Weight.FAULT,
            where,
            f"a MPXV7002DP with 'divider' {divider:g} may give its pin {most_mv / divider / 1000:.1f} V, on "
            "either port (a finger, a syringe): a pin takes 3.3 V, less what resistors may be off",
            "10 kΩ from its output to the pin, 20 kΩ from the pin to GND, and 'divider': 1.5",
        )


def _address(where: str, column: Mapping[str, Any]) -> Iterator[Finding]:
    address, part = column["address"], column["part"]
    if address is None:
        return
    usual = _ADDRESSES.get(part)
    if usual is not None and address not in usual:
        yield Finding(
            Weight.WARNING,
            where,
            f"a {part} does not come with the address {address:#04x}",
            f"look at its order code: {', '.join(f'{a:#04x}' for a in usual)}",
        )
    if address not in _SCANNED:
        # UM10204, table "Reserved addresses": 0x78 and up are the first bytes of 10-bit addressing
        yield Finding(
            Weight.WARNING,
            where,
            f"the address {address:#04x} is reserved by the I2C standard, and 'scan' stops at 0x77: "
            "the part works, and 'scan' does not show it",
            "trust 'selftest' for this column, or order another address",
        )


# How much of a drive without a cable the board keeps, and what that costs.

MEMORY_BYTES = 79_000
"""What the firmware packs rows into on an RP2040: told by an emulated one with four columns."""
SECTOR_BYTES = 15 * 224
"""Rows in a sector of flash: 15 pages, less the head of each and its first row, which is written whole."""
STALL_MS = 0.4
"""A page is written, and nothing runs meanwhile: typical of such flash, and what the emulator takes."""
PACKING_US = 47
"""A field packed in the slot (time, throttle, each column): with four columns an emulated RP2040 keeps 900
rows a second without a gap, and not 1000; 282 us lie in between. Other numbers of columns were not tried."""
_ROW_BITS, _COLUMN_BITS = 8, 5.5
_PATIENCE_S = 0.9  # a page is written then, full or not


def row_bits(columns: int) -> float:
    """Length of a packed row."""
    return _ROW_BITS + _COLUMN_BITS * columns


def keeping_findings(rehearsal: Rehearsal) -> Iterator[Finding]:
    """Say how long a kept drive may be."""
    store = rehearsal.board["store"]
    if store is None:
        return
    rate_hz = rehearsal.board["rate_hz"]
    bytes_s = rate_hz * row_bits(len(rehearsal.columns) + len(rehearsal.channels)) / 8
    noise = "at ten counts of noise; more noise takes more"
    if store["where"] == "memory":
        long_s = MEMORY_BYTES / bytes_s
        told = (
            f"a drive of about {long_s:.0f} s is kept in memory ({noise}), and no slot is late; power that "
            "goes before it is written, three seconds after the throttle is down, costs it"
        )
    else:
        long_s = store["sectors"] * SECTOR_BYTES / bytes_s
        pages_s = max(bytes_s / (SECTOR_BYTES / 15), 1 / _PATIENCE_S)
        told = (
            f"a drive of about {long_s:.0f} s is kept in flash ({noise}); {pages_s:.1f} pages a second stop "
            f"everything for {STALL_MS} ms each (typical; up to 3 ms by data sheets, from memory), and "
            f"{min(pages_s / rate_hz, 1):.1%} of the rows say so; power that goes at any moment costs two "
            "seconds at most; sectors are erased only with the throttle down, 45 ms each (up to 400 ms by "
            "data sheets, from memory)"
        )
    yield Finding(Weight.NOTE, "store", told + " (from an emulated RP2040, not from hardware)")
    slot_us = 1e6 / largest_rate_hz(rehearsal) + PACKING_US * (
        len(rehearsal.columns) + len(rehearsal.channels) + 2
    )
    if rate_hz * slot_us > 1e6:
        yield Finding(
            Weight.WARNING,
            "store",
            f"packing takes time in every slot: above about {1e6 / slot_us:.0f} Hz slots are skipped "
            "while a run is kept (from an emulated RP2040, not from hardware)",
            f"at most {0.9e6 / slot_us:.0f} Hz, or fewer columns",
        )


# Whether the sensors' ranges fit the suction that a car needs.

_HEADROOM = 2.5
"""A good floor gives 2 to 2.5 times the suction it needs (common practice, no source)."""
_WASTE = 15
_ONE_SIDED = 0.02  # of the range: a part that ends this near to zero reads one way only


def needed_suction_pa(car: Car) -> float:
    """Even suction under the floor at which a car just holds.

    Parameters
    ----------
    car : Car
        The car.

    Returns
    -------
    float
        Pa.

    Notes
    -----
    The largest of three: force needed by the whole car over the area, and by each axle over
    what the load matrix gives that axle for 1 Pa everywhere
    (:func:`undertray.reduce.hold.hold_need`, :func:`undertray.reduce.loads.load_matrix`).
    Infinite where the floor cannot load an axle at all.
    """
    from undertray.reduce.hold import hold_need
    from undertray.reduce.loads import load_matrix

    need = hold_need(car)
    gains = load_matrix(car).matrix.sum(axis=1)
    pairs = zip((need.whole_n, need.front_n, need.rear_n), gains, strict=False)
    return max(force / gain if gain > 0 else (float("inf") if force > 0 else 0.0) for force, gain in pairs)


def largest_suction_pa(column: Mapping[str, Any]) -> float:
    """Largest suction that a column can show."""
    return _ends_pa(column)[1]


def _ends_pa(column: Mapping[str, Any]) -> tuple[float, float]:
    """Least and largest suction that a column can show, Pa."""
    scale = column["scale"]
    sign = 1 if column["port"] == "low" else -1
    if "kind" in scale:
        return -float(scale["range_pa"]), float(scale["range_pa"])
    ends = sorted((scale[key] - scale["zero"]) * scale["pa_per_count"] * sign for key in ("min", "max"))
    return float(ends[0]), float(ends[1])


def span_findings(rehearsal: Rehearsal, car: Car | None) -> Iterator[Finding]:
    """Judge ranges, the alarm's limit and the names of the columns against a car."""
    needed = None if car is None else needed_suction_pa(car)
    if car is not None and needed is not None:
        yield Finding(
            Weight.NOTE,
            "car",
            f"'{car.name}' needs {needed:.0f} Pa all over its floor at {car.surface_angle_deg:g} degrees",
        )
        yield _taps(car, needed)
        yield from _columns(rehearsal, car)
    for i, column in enumerate(rehearsal.columns):
        yield from _span(f"columns[{i}]", column, needed)
    alarm = rehearsal.board["alarm"]
    if alarm:
        yield from _alarm(alarm["alarm_pa"], rehearsal, car)


def _span(where: str, column: Mapping[str, Any], needed: float | None) -> Iterator[Finding]:
    least, largest = _ends_pa(column)
    part = f"{column['part']} {column['range']}".strip()
    if largest <= 0:
        yield Finding(
            Weight.FAULT,
            where,
            f"a {part} with the tap on its {column['port']} port shows no suction at all",
            "a differential part; a gauge part reads only a pressure above that of the room",
        )
    elif least > -_ONE_SIDED * largest:
        yield Finding(
            Weight.FAULT,
            where,
            f"a {part} is a gauge part: it measures what is on its one nipple above the room, and a suction "
            "there reads the wrong way round, below its zero and off its scale; 'port': \"low\" is its vent",
            "a differential part (D), which also shows where its zero stands",
        )
    elif not needed:
        return
    elif largest < needed:
        yield Finding(
            Weight.FAULT,
            where,
            f"a {part} ends at {largest:.0f} Pa, the car needs {needed:.0f} Pa",
            "a part with a larger range" + _divider(column, largest),
        )
    elif largest < _HEADROOM * needed:
        yield Finding(
            Weight.WARNING,
            where,
            f"a {part} ends at {largest:.0f} Pa: {largest / needed:.1f} times what the car needs, "
            f"and a good floor gives 2 to {_HEADROOM:g} times that: it saturates",
            f"a part that reaches {_HEADROOM * needed:.0f} Pa or more" + _divider(column, largest),
        )
    elif largest > _WASTE * needed:
        yield Finding(
            Weight.WARNING,
            where,
            f"a {part} reaches {largest:.0f} Pa, {largest / needed:.0f} times what the car needs: "
            "its error is a share of that range",
            f"a part of about {2 * _HEADROOM * needed:.0f} Pa",
        )


def _divider(column: Mapping[str, Any], largest: float) -> str:
    if column["part"] != "MPXV7002DP" or largest > 1900:
        return ""
    return ", or 10 kΩ and 20 kΩ in front of the pin ('divider': 1.5)"


def _alarm(alarm_pa: float, rehearsal: Rehearsal, car: Car | None) -> Iterator[Finding]:
    needed = 0.0 if car is None else needed_suction_pa(car)
    stay = 0.0 if car is None else needed_suction_pa(replace(car, allowance=0.0))
    reach = min(largest_suction_pa(column) for column in rehearsal.columns)
    if alarm_pa >= reach:
        yield Finding(
            Weight.FAULT,
            "alarm",
            f"alarm_pa {alarm_pa} is above the {reach:.0f} Pa that the sensors can show: never off",
            "a lower alarm_pa, or sensors with a larger range",
        )
    elif alarm_pa < stay:
        yield Finding(
            Weight.WARNING,
            "alarm",
            f"alarm_pa {alarm_pa} is below the {stay:.0f} Pa at which the car lets go",
            f"alarm_pa {stay * 1.1:.0f} or more, so that the alarm comes before the fall",
        )
    elif alarm_pa < needed:
        yield Finding(
            Weight.NOTE,
            "alarm",
            f"alarm_pa {alarm_pa} lies between the {stay:.0f} Pa at which the car lets go and the "
            f"{needed:.0f} Pa it needs with its allowance: the alarm comes when part of that is gone",
        )


def _taps(car: Car, needed_pa: float) -> Finding:
    """How well the taps can know the force, and whether that is more than is kept in hand."""
    from undertray.reduce.hold import hold_need
    from undertray.reduce.tapcover import force_bounds

    known, need, stay = force_bounds(car), hold_need(car), hold_need(replace(car, allowance=0.0))
    off_n = [known.front_n * needed_pa, known.rear_n * needed_pa]
    in_hand_n = min(need.front_n - stay.front_n, need.rear_n - stay.rear_n)
    count = f"its {len(car.taps)} taps measure" if len(car.taps) > 1 else "its one tap measures"
    said = (
        f"{count} that force to ±{known.downforce_n * needed_pa:.1f} N, "
        f"the front axle to ±{off_n[0]:.1f} N, the rear axle to ±{off_n[1]:.1f} N (95 %, by where they are)"
    )
    if max(off_n) > in_hand_n > 0:
        return Finding(
            Weight.WARNING,
            "car",
            f"{said}: more than the {in_hand_n:.1f} N that the allowance keeps in hand",
            "more taps, and better places: undertray target --next-taps 2",
        )
    return Finding(Weight.NOTE, "car", said)


def _columns(rehearsal: Rehearsal, car: Car) -> Iterator[Finding]:
    there = [column["name"] for column in rehearsal.columns]
    for tap in car.taps:
        if tap.column not in there:
            yield Finding(
                Weight.FAULT,
                "car",
                f"tap '{tap.name}' is read from column {tap.column}, the board has {', '.join(there)}",
                "the tap's 'column' in car.toml, or one more entry in 'columns'",
            )
    used = {tap.column for tap in car.taps}
    for name in there:
        if name not in used:
            yield Finding(
                Weight.WARNING, "car", f"no tap is read from column {name}", "a [[tap]] for it in car.toml"
            )


_MOST = 1 << 16  # bytes looked at: the board takes far fewer


def check_board(path: str | Path, car: Car | None = None, baud: int | None = None) -> list[Finding]:
    """Check a board description.

    Parameters
    ----------
    path : str or Path
        The ``board.json``.
    car : Car or None
        The car it is for.
    baud : int or None
        Speed of the UART the rows go through; the board's own USB port if None.

    Returns
    -------
    list of Finding
        Faults first. No fault among them means that nothing is known to keep it from
        working; it is no promise.

    Raises
    ------
    BoardError
        When the file cannot be read.

    Notes
    -----
    What the board itself refuses is asked of its own firmware; only what a board cannot know
    (its car, its link, what it is soldered to) is judged here.
    """
    rehearsal = rehearse(path)
    remedy = _remedy(path) if rehearsal.faults else ""
    findings = [Finding(Weight.FAULT, "board.json", sentence, remedy) for sentence in rehearsal.faults]
    if rehearsal.slots:
        findings += place_findings(rehearsal)
        findings += timing_findings(rehearsal, baud)
        findings += keeping_findings(rehearsal)
        findings += span_findings(rehearsal, car)
    order = list(Weight)
    return sorted(findings, key=lambda finding: order.index(finding.weight))


def _remedy(path: str | Path) -> str:
    """What to do about a description that the board refuses."""
    with Path(path).open("rb") as file:
        text = file.read(_MOST).decode("utf-8", "replace")
    try:
        json.loads(text)
    except json.JSONDecodeError as error:
        line, column = error.lineno, error.colno
        return decimal_comma(text) or (
            f"look at line {line}, column {column}, and at the end of the line before it"
        )
    except ValueError as error:
        return f"{parser_words(error)}: write fewer"
    except RecursionError:
        pass
    return "the board refuses it: correct this entry; wiring/board.md lists every key"

"""Pins of the common 40-pin board, and the addresses that each part family comes with."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from undertray.board.finding import Finding, Weight
from undertray.board.rehearsal import Rehearsal
from undertray.report.wiring.parts import pack_limit_v, pack_ohm, pack_upper_kohm

__all__ = ["place_findings"]

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
    """Judge pins and addresses beyond what the firmware itself refuses.

    Parameters
    ----------
    rehearsal : Rehearsal
        The board.

    Yields
    ------
    Finding
    """
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
    if rehearsal.board["pack"]:
        yield from _pack(rehearsal.board["pack"]["divider"])
    for i, section in enumerate(rehearsal.board["columns"]):
        if section["part"] == "MPXV7002DP":
            yield from _pin_volts(f"columns[{i}]", section)


def _pins(board: Mapping[str, Any]) -> Iterator[tuple[str, str, int]]:
    named = [("board", {"heartbeat_pin": board["heartbeat_pin"]})]
    named += [(key, board[key]) for key in ("throttle", "alarm", "pack") if board[key]]
    for key in ("buses", "muxes", "columns", "links"):
        named += [(f"{key}[{i}]", section) for i, section in enumerate(board[key])]
    for where, section in named:
        for key, value in section.items():
            if (key == "pin" or key.endswith("_pin")) and isinstance(value, int):
                yield where, key, value


def _pack(divider: float) -> Iterator[Finding]:
    """Whether the resistors that the drawings name make this divider."""
    upper, lower = pack_ohm(divider)
    drawn = 1 + pack_upper_kohm(divider) / 10
    if divider > _SAME * drawn:
        yield Finding(
            Weight.WARNING,
            "pack",
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

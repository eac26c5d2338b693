"""Board descriptions for every sensor family: two columns each, one tap on the low port, one on the high."""

from __future__ import annotations

import copy
from typing import Any

BUSES = [
    {"bus": 0, "sda_pin": 4, "scl_pin": 5, "freq_khz": 400},
    {"bus": 1, "sda_pin": 6, "scl_pin": 7, "freq_khz": 400},
]

# What a board with one fan and one pack may have besides.
SECOND_FAN: dict[str, Any] = {"throttle2": {"pin": 17}, "pack2": {"adc_pin": 27, "divider": 6.1}}
FELT: dict[str, Any] = {"accelerometer": {"part": "LIS3DH", "bus": 0, "address": "0x19"}}


def _pair(part: str, address: str, second: str | None = None, **options: Any) -> list[dict[str, Any]]:
    """Two columns: on one bus at two addresses, or on two buses at the same one."""
    common = {"part": part, **options}
    return [
        {**common, "bus": 0, "address": address, "port": "low"},
        {**common, "bus": 0 if second else 1, "address": second or address, "port": "high"},
    ]


FAMILIES: dict[str, list[dict[str, Any]]] = {
    "HSC-A": _pair("HSC", "0x28", "0x38", range="040MD"),
    "HSC-F": _pair("HSC", "0x28", "0x78", range="020ND", transfer="F"),
    "SSC-C": _pair("SSC", "0x28", range="2.5KD", transfer="C"),
    "SDP3x": _pair("SDP3x", "0x21", "0x22", range="1500Pa"),
    "SDP8xx": _pair("SDP8xx", "0x25", "0x26", range="500Pa"),
    "ABP2": _pair("ABP2", "0x28", "0x18", range="010ND"),
    "MS4525DO-A": _pair("MS4525DO", "0x28", "0x49", range="001DP"),
    "MS4525DO-B": _pair("MS4525DO", "0x28", "0x36", range="001DP", transfer="B"),
    "MS5525DSO": _pair("MS5525DSO", "0x76", "0x77", range="001DS"),
    "DLHR-16": _pair("DLHR", "0x29", range="L10D"),
    "DLHR-18": _pair("DLHR", "0x29", range="L20D", bits=18),
    "DLH-average": _pair("DLH", "0x29", range="L10D", average=2),
    "DLVR": _pair("DLVR", "0x28", range="L10D"),
    "MPXV7002DP": [
        {"part": "MPXV7002DP", "adc_pin": 27, "divider": 1.5, "port": "low"},
        {"part": "MPXV7002DP", "adc_pin": 28, "divider": 1.5, "port": "high"},
    ],
}


def board_of(columns: list[dict[str, Any]], **changes: Any) -> dict[str, Any]:
    """A board with these columns and nothing else wired."""
    return {
        "format": 1,
        "name": "under test",
        "rate_hz": 200,
        "buses": BUSES,
        "columns": copy.deepcopy(columns),
        **changes,
    }


_HSC = {"part": "HSC", "range": "040MD", "bus": 0}
_ABP2 = {"part": "ABP2", "range": "010ND", "bus": 0}
_SDP = {"part": "SDP3x", "range": "1500Pa", "bus": 0}
_PACK = {"pack": {"adc_pin": 26, "divider": 6.1}}
_MUX = [{"bus": 0, "address": "0x70"}]
_THROTTLE = {"throttle": {"pin": 16}, "alarm": {"led_pin": 25, "alarm_pa": 720, "alarm_drop_pa": 400}}


def _layout(columns: list[dict[str, Any]], buses: int = 1, muxes: list[dict[str, Any]] | None = None) -> Any:
    return board_of(columns, buses=BUSES[:buses], muxes=muxes or [], **_THROTTLE)


# Boards with the largest rate that each holds on the emulated board of tests/board, Hz.
LAYOUTS: dict[str, tuple[dict[str, Any], int]] = {
    "4 HSC": (_layout([{**_HSC, "address": hex(0x28 + i)} for i in range(4)]), 1280),
    "8 HSC": (_layout([{**_HSC, "address": hex(0x28 + i)} for i in range(8)]), 820),
    "4 HSC mux": (_layout([{**_HSC, "address": "0x28", "mux": ["0x70", i]} for i in range(4)], 1, _MUX), 950),
    "8 HSC mux": (_layout([{**_HSC, "address": "0x28", "mux": ["0x70", i]} for i in range(8)], 1, _MUX), 560),
    "8 HSC on two buses": (
        _layout([{**_HSC, "bus": i // 4, "address": hex(0x28 + i % 4)} for i in range(8)], 2),
        1024,
    ),
    "4 HSC and an accelerometer": (
        {**_layout([{**_HSC, "address": hex(0x28 + i)} for i in range(4)]), **FELT},
        775,
    ),
    "4 HSC and two fans": (
        {**_layout([{**_HSC, "address": hex(0x28 + i)} for i in range(4)]), **_PACK, **SECOND_FAN},
        1040,
    ),
    "3 SDP3x": (_layout([{**_SDP, "address": hex(0x21 + i)} for i in range(3)]), 685),
    "4 ABP2": (_layout([{**_ABP2, "address": hex(0x28 + 16 * i)} for i in range(4)]), 396),
    "2 HSC and 2 SDP3x on two buses": (
        _layout(
            [
                *({**_HSC, "address": address} for address in ("0x28", "0x38")),
                *({**_SDP, "bus": 1, "address": address} for address in ("0x21", "0x22")),
            ],
            2,
        ),
        692,
    ),
}


def all_families() -> dict[str, Any]:
    """One of each family on one board, on two buses, one of them behind a multiplexer."""
    columns = [
        {"part": "HSC", "range": "040MD", "bus": 0, "address": "0x28"},
        {"part": "SDP3x", "range": "1500Pa", "bus": 0, "address": "0x21"},
        {"part": "ABP2", "range": "010ND", "bus": 1, "address": "0x28"},
        {"part": "MS4525DO", "range": "001DP", "bus": 0, "address": "0x48"},
        {"part": "MS5525DSO", "range": "001DS", "bus": 0, "address": "0x76"},
        {"part": "DLHR", "range": "L10D", "bus": 0, "address": "0x29"},
        {"part": "DLVR", "range": "L10D", "bus": 1, "address": "0x38", "mux": ["0x71", 3]},
        {"part": "MPXV7002DP", "adc_pin": 27, "divider": 1.5, "port": "high"},
    ]
    return board_of(columns, muxes=[{"bus": 1, "address": "0x71", "reset_pin": 9}])

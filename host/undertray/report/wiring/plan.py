"""What ``board.json`` says is wired where, as far as a drawing needs it."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from undertray.errors import BoardError, parser_words
from undertray.units import decimal_comma

__all__ = ["BoardPlan", "Bus", "Mux", "Sensor", "read_plan"]

_MAX_BYTES = 65536
_MAX_ITEMS = 16
_TEXT_LIMIT = 40


@dataclass(frozen=True, slots=True)
class Sensor:
    """One pressure sensor.

    Attributes
    ----------
    name : str
        Its column on the wire, ``p1`` to ``pN``.
    part, range_code, note : str
        As the description has them.
    bus, address : int or None
        Number of the bus and 7-bit address; None for a sensor on an analogue pin.
    mux : tuple of int or None
        Address and output of the multiplexer in front of it.
    adc_pin : int or None
        The analogue pin, for a sensor that has one.
    port : str
        ``low`` or ``high``: the port that goes to the tap.
    divider : float
        For a sensor on an analogue pin: its output over the voltage at the pin.
    """

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
    """A whole board.

    Attributes
    ----------
    name : str
        The description's own name.
    rate_hz : float
        Rows a second.
    buses, muxes, sensors : tuple
        In the order of the file.
    throttle_pin : int or None
        Where the throttle pulse comes in or goes out.
    throttle_output : bool
        The board drives the fan controllers itself.
    led_pin, buzzer_pin, pack_pin : int or None
        Alarm outputs and the analogue pin of the pack voltage.
    pack_divider : float or None
        Pack voltage over the voltage at the pin.
    """

    name: str
    rate_hz: float
    buses: tuple[Bus, ...]
    muxes: tuple[Mux, ...]
    sensors: tuple[Sensor, ...]
    throttle_pin: int | None
    throttle_output: bool
    led_pin: int | None
    buzzer_pin: int | None
    pack_pin: int | None
    pack_divider: float | None


def read_plan(path: str | Path) -> BoardPlan:
    """Read a board description for drawing.

    Parameters
    ----------
    path : str or Path
        The ``board.json``.

    Returns
    -------
    BoardPlan

    Raises
    ------
    BoardError
        When it cannot be read, is no JSON, or lacks what a drawing needs.
    """
    where = Path(path).name
    try:
        with Path(path).open("rb") as file:
            content = file.read(_MAX_BYTES + 1)
    except OSError as error:
        raise BoardError(f"cannot be read: {error.strerror}", where=str(path)) from error
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
    divider, rate_hz = pack.get("divider"), root.get("rate_hz")
    return BoardPlan(
        name=_text(root, "name"),
        rate_hz=float(rate_hz) if isinstance(rate_hz, int | float) else 0.0,
        buses=buses,
        muxes=muxes,
        sensors=sensors,
        throttle_pin=_maybe(throttle, "pin", where),
        throttle_output=throttle.get("direction") == "output",
        led_pin=_maybe(alarm, "led_pin", where),
        buzzer_pin=_maybe(alarm, "buzzer_pin", where),
        pack_pin=_maybe(pack, "adc_pin", where),
        pack_divider=float(divider) if isinstance(divider, int | float) else None,
    )


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
    divider = column.get("divider")
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
        divider=float(divider) if isinstance(divider, int | float) else 1.0,
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


def _address(value: object, where: str) -> int:
    if isinstance(value, str) and re.fullmatch(r"(0x)?[0-9A-Fa-f]{1,2}", value):
        value = int(value, 16)
    if isinstance(value, bool) or not isinstance(value, int) or not 0x08 <= value <= 0x7F:
        raise BoardError("bad address", where=where, seen=value, expected='"0x08" to "0x7f"')
    return value


def _text(data: Mapping[str, Any], key: str) -> str:
    return str(data.get(key, ""))[:_TEXT_LIMIT]

"""The board's description of itself: the ``device`` note, checked key by key."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from undertray.errors import LogDamaged, LogTooNew

__all__ = ["MAX_COLUMNS", "Accelerometer", "Column", "Device"]

MAX_COLUMNS = 16
"""Numbers behind the flags of a row: pressure columns, and channels behind them."""
WIRE_VERSION = 2  # 1 has no channels
_TEXT_LIMIT = 64
_LEAST_TICK_HZ = 1000  # a coarser clock gives neighbouring rows one time
_LEAST_WRAP_S = 2.0  # twice what a reset is told from
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,31}")
_AXIS = re.compile(r"[+-][xyz]")
_HEX32 = re.compile(r"(0[xX])?[0-9a-fA-F]{1,8}")
_OWN_FIELDS = frozenset({"host_us", "seq", "t_us", "throttle_us", "flags", "crc"})


@dataclass(frozen=True, slots=True)
class Column:
    """One pressure column of the wire.

    Attributes
    ----------
    name : str
        ``p1`` to ``pN``.
    part, range_code : str
        The driver's name for the part, and the maker's range code.
    bus : int or None
        Number of the I2C bus, where it has one.
    address : int or None
        7-bit address on it.
    mux : tuple of int or None
        Address and channel of the multiplexer in front of it.
    port : str
        ``low`` or ``high``: which port of the sensor goes to the tap. On ``low`` a suction
        reads positive.
    scale : mapping
        What turns counts into Pa, as the board sent it; :mod:`undertray.calibrate.scale`
        reads it.
    """

    name: str
    part: str
    range_code: str
    bus: int | None
    address: int | None
    mux: tuple[int, int] | None
    port: str
    scale: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Accelerometer:
    """What the three channels ``ax``, ``ay`` and ``az`` of a board come from.

    Attributes
    ----------
    part : str
        Its name.
    mg_per_count : float
        Thousandths of standard gravity a count.
    range_mg : float
        Largest that it can say, of either sign.
    odr_hz : float
        Readings that it takes a second.
    forward, up : str
        The part's axes that point forward and up in the car: ``+x``, ``-z`` and so on.
    """

    part: str
    mg_per_count: float
    range_mg: float
    odr_hz: float
    forward: str
    up: str


@dataclass(frozen=True, slots=True)
class Device:
    """What a board says of itself.

    Attributes
    ----------
    firmware, board, uid : str
        Version of the firmware, name of the board, its id in hex.
    boot : int
        Random 32-bit id of this power-up.
    rate_hz : float
        Declared sample rate.
    tick_hz, tick_bits : int
        Frequency and width of the board's clock: it wraps at 2**tick_bits.
    columns : tuple of Column
        In the order of the wire.
    channels : tuple of str
        Names of the numbers that a row has behind its columns: ``throttle2_us``, ``pack2_mv``, ``ax``, ``ay``
        and ``az``, or ones that this version does not know.
    accelerometer : Accelerometer or None
        What the last three of them are.
    """

    firmware: str
    board: str
    uid: str
    boot: int
    rate_hz: float
    tick_hz: int
    tick_bits: int
    columns: tuple[Column, ...]
    channels: tuple[str, ...] = ()
    accelerometer: Accelerometer | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all numbers that a row has behind its flags."""
        return (*(column.name for column in self.columns), *self.channels)

    @property
    def read_by(self) -> tuple[object, ...]:
        """All of it that a reader of rows goes by; another firmware or power-up changes nothing."""
        columns = [(c.name, c.part, c.range_code, c.port, sorted(c.scale.items())) for c in self.columns]
        channels = self.channels, self.accelerometer
        return self.uid, self.rate_hz, self.tick_hz, self.tick_bits, repr(columns), channels

    def differences(self, other: Device) -> tuple[str, ...]:
        """Tell in what another description differs.

        Parameters
        ----------
        other : Device
            The later one.

        Returns
        -------
        tuple of str
            Such as ``p1: scale``, ``rate 200 to 100 Hz``; empty where a reader goes by the same.
        """
        said = [] if self.uid == other.uid else [f"board {self.uid} to {other.uid}"]
        if self.rate_hz != other.rate_hz:
            said.append(f"rate {self.rate_hz:g} to {other.rate_hz:g} Hz")
        mine, new = ({c.name: c for c in one.columns} for one in (self, other))
        said += [f"{name}: gone" for name in mine if name not in new]
        for name, column in new.items():
            before = mine.get(name)
            what = "new" if before is None else _changed(before, column)
            said += [f"{name}: {what}"] if what else []
        if (self.channels, self.accelerometer) != (other.channels, other.accelerometer):
            said.append("channels besides the columns")
        if [n for n in mine if n in new] != [n for n in new if n in mine]:
            said.append("order of the columns")
        return tuple(said)

    @classmethod
    def from_note(cls, data: object, where: str = "device note") -> Device:
        """Check a decoded ``device`` note.

        Parameters
        ----------
        data : object
            The decoded JSON of the note.
        where : str
            For the error line.

        Returns
        -------
        Device

        Raises
        ------
        LogDamaged
            When a key is missing, of the wrong kind or out of range.
        LogTooNew
            When the wire version is newer than this program.
        """
        note = _mapping(data, where)
        wire = _integer(note, "wire", where, 1, 2**31)
        if wire > WIRE_VERSION:
            raise LogTooNew(
                "the board speaks a newer wire format",
                where=where,
                seen=wire,
                expected=f"version {WIRE_VERSION}",
                do="update undertray on this computer",
            )
        raw = note.get("columns")
        if not isinstance(raw, list) or not 1 <= len(raw) <= MAX_COLUMNS:
            raise LogDamaged(
                "bad 'columns'", where=where, seen=raw, expected=f"a list of 1 to {MAX_COLUMNS} columns"
            )
        columns = tuple(_column(item, f"{where}, column {i + 1}") for i, item in enumerate(raw))
        channels = note.get("channels", [])
        if not isinstance(channels, list) or len(columns) + len(channels) > MAX_COLUMNS:
            raise LogDamaged(
                "bad 'channels'",
                where=where,
                seen=channels,
                expected=f"a list of at most {MAX_COLUMNS - len(columns)} names",
            )
        names = [column.name for column in columns] + [_name(name, where) for name in channels]
        if len(set(names)) != len(names):
            raise LogDamaged("two columns of one name", where=where, seen=names, expected="different names")
        tick_hz = _integer(note, "tick_hz", where, _LEAST_TICK_HZ, 10**9)
        tick_bits = _integer(note, "tick_bits", where, 8, 62)
        if 2**tick_bits / tick_hz < _LEAST_WRAP_S:
            raise LogDamaged(
                "the board's clock wraps too soon to keep time by",
                where=where,
                seen=f"{tick_bits} bits at {tick_hz} Hz: {2**tick_bits / tick_hz:.3g} s",
                expected=f"{_LEAST_WRAP_S:g} s or longer",
            )
        return cls(
            firmware=_text(note, "firmware", where),
            board=_text(note, "board", where),
            uid=_text(note, "uid", where),
            boot=_boot(note, where),
            rate_hz=_number(note, "rate_hz", where, 0.01, 1e5),
            tick_hz=tick_hz,
            tick_bits=tick_bits,
            columns=columns,
            channels=tuple(channels),
            accelerometer=_accelerometer(note, where),
        )


def _changed(before: Column, after: Column) -> str:
    names = {"part": "part", "range_code": "range", "port": "port", "scale": "scale"}
    return ", ".join(word for key, word in names.items() if getattr(before, key) != getattr(after, key))


def _column(data: object, where: str) -> Column:
    item = _mapping(data, where)
    port = item.get("port", "low")
    if port not in ("low", "high"):
        raise LogDamaged("bad 'port'", where=where, seen=port, expected="'low' or 'high'")
    mux = item.get("mux")
    if mux is not None and not (
        isinstance(mux, list) and len(mux) == 2 and all(type(v) is int and 0 <= v < 256 for v in mux)
    ):
        raise LogDamaged("bad 'mux'", where=where, seen=mux, expected="null or [address, channel]")
    return Column(
        name=_name(item.get("name"), where),
        part=_text(item, "part", where),
        range_code=_range_code(item, where),
        bus=_integer(item, "bus", where, 0, 255) if item.get("bus") is not None else None,
        address=_integer(item, "address", where, 0, 1023) if item.get("address") is not None else None,
        mux=(mux[0], mux[1]) if mux is not None else None,
        port=port,
        scale=_mapping(item.get("scale"), f"{where}, scale"),
    )


def _name(name: object, where: str) -> str:
    if not isinstance(name, str) or not _NAME.fullmatch(name) or name in _OWN_FIELDS:
        raise LogDamaged("bad 'name'", where=where, seen=name, expected="a column name such as 'p1'")
    return name


def _accelerometer(note: Mapping[str, Any], where: str) -> Accelerometer | None:
    if note.get("accelerometer") is None:
        return None
    where = f"{where}, accelerometer"
    item = _mapping(note["accelerometer"], where)
    forward, up = (str(item.get(key)) for key in ("forward", "up"))
    if not (_AXIS.fullmatch(forward) and _AXIS.fullmatch(up)) or forward[1] == up[1]:
        raise LogDamaged(
            "bad 'forward' or 'up'",
            where=where,
            seen=[forward, up],
            expected="two of its axes, such as '+x' and '-z'",
        )
    return Accelerometer(
        part=_text(item, "part", where),
        mg_per_count=_number(item, "mg_per_count", where, 1e-3, 1e3),
        range_mg=_number(item, "range_mg", where, 1, 1e6),
        odr_hz=_number(item, "odr_hz", where, 0.1, 1e5),
        forward=forward,
        up=up,
    )


def _mapping(data: object, where: str) -> Mapping[str, Any]:
    if not isinstance(data, dict):
        raise LogDamaged("not a JSON object", where=where, seen=data, expected="{...}")
    return data


def _text(data: Mapping[str, Any], key: str, where: str) -> str:
    value = data.get(key)
    if not isinstance(value, str) or len(value) > _TEXT_LIMIT:
        raise LogDamaged(
            f"bad '{key}'", where=where, seen=value, expected=f"a text of at most {_TEXT_LIMIT} characters"
        )
    return value


def _number(data: Mapping[str, Any], key: str, where: str, low: float, high: float) -> float:
    value = data.get(key)
    if (
        isinstance(value, bool)
        or not isinstance(value, int | float)
        or not low <= value <= high
        or not math.isfinite(value)
    ):
        raise LogDamaged(
            f"bad '{key}'", where=where, seen=value, expected=f"a number from {low:g} to {high:g}"
        )
    return float(value)


def _boot(note: Mapping[str, Any], where: str) -> int:
    """The id of the power-up; a board may write its 32 bits as a number or, like its uid, in hex."""
    value = note.get("boot")
    if isinstance(value, str) and _HEX32.fullmatch(value):
        return int(value, 16)
    return _integer(note, "boot", where, 0, 2**32 - 1)


def _range_code(item: Mapping[str, Any], where: str) -> str:
    """Only shown, never reckoned with: a bare number or null is as good as a text."""
    value = item.get("range")
    if value is None:
        return ""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return f"{_number(item, 'range', where, -1e12, 1e12):.12g}"
    return _text(item, "range", where)


def _integer(data: Mapping[str, Any], key: str, where: str, low: int, high: int) -> int:
    value = data.get(key)
    if isinstance(value, float) and value.is_integer():
        value = int(value)  # JSON knows one kind of number: 1e6 and 30.0 are whole
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise LogDamaged(
            f"bad '{key}'", where=where, seen=value, expected=f"a whole number from {low} to {high}"
        )
    return value

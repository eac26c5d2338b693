"""A stranger: draws hostile values, and puts them where they do not belong.

What comes out is right by the grammar (of JSON, TOML, CSV or a line of the wire, its check included) and
wrong in what it says. Written from the description of the formats alone, it shares no code with the readers.
The same seed gives the same text.
"""

from __future__ import annotations

import json
import math
import random
from binascii import crc_hqx
from typing import Any

__all__ = ["Raw", "Stranger", "checked", "note_line", "to_json", "to_toml"]


class Raw(str):
    """Text that goes into JSON or TOML as it is."""

    __slots__ = ()


_NUMBERS: list[Any] = json.loads("""
[0, -0.0, 1, -1, 2, 3, 7, 0.5, -0.5, 1e-3, 1e-9, 5e-324, 2.2e-308, -5e-324, 1e-160, 1e-300,
 10, 16, 30, 62, 63, 64, 100, 255, 256, 1000, 65535, 65536, 1e5, 1e6, 1e9, 1e12, 1e15, 1e17,
 2147483647, 2147483648, 4294967296, 9007199254740992, 9007199254740993, 9223372036854775807,
 9223372036854775808, 18446744073709551616, -9223372036854775809, 1000000000000000000000000000000,
 1e100, 1e154, 1.4e154, 1e200, 1e300, 1e308, -1e308, 1.7976931348623157e308, -1e200, 179.999999,
 0.30000000000000004, 0.3333333333333333, -273.15, 273.16, 99.97, 4.0000001]
""")
_TEXTS: list[str] = json.loads(r"""
["", " ", "x", "p1", "p2", "p17", "P1", "low", "high", "front-left", "device", "HSC", "ms5525dso",
 "Ünïcödé ☃ 漢字", "\u202eabc", "\u0000", "\u001b[2J\u001b[31m", "line\nbreak", "tab\there",
 "\u007f\u0085\u2028", "<script>alert(1)</script>", "=1+1", "../../etc/x", "a/b", "%s%n{0}", "$x^2$",
 "\\frac{1}{0", "$", "{{ 7*7 }}", "'; DROP", "\"", "\\", "1e400", "NaN", "-inf", "7 lbf", "2.5 inH2O",
 "1e999 Pa", "-3 kg", "1,5", "60 %", "0x28", "0x7fffffffffff", "\ufeffx", "١٢٣", "²", "½", "µ", "Ω",
 "true", "null", "2026-05-02T10:15:00Z", "9999-99-99T99:99Z", "0001-01-01T00:00:00+23:59",
 "9999-12-31T23:59:59-23:59", "2026-05-02", "stopped"]
""")
_TEXTS += ["a" * 33, "b" * 64, "c" * 65, "n" * 300, "w" * 3000, "é" * 64, "🏎" * 40, "port vanished"]
_TOKENS = [
    Raw(t) for t in ("NaN", "Infinity", "-Infinity", "1e999", "-1e999", "1e-999", "9" * 400, "-" + "1" * 5000)
]
_KEYS = [
    "format",
    "name",
    "scale",
    "kind",
    "wire",
    "columns",
    "note",
    "tap",
    "uid",
    "skirt",
    "mass",
    "stored_run",
]
_LOOSE = (*_KEYS, "x", "second", "car", "why")


class Stranger:
    """Draws values.

    Parameters
    ----------
    seed : int
        Of the draw.
    """

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)

    def chance(self, share: float) -> bool:
        return self.rng.random() < share

    def pick(self, *values: Any) -> Any:
        return self.rng.choice(values)

    def number(self) -> Any:
        pick = self.rng.random()
        if pick < 0.6:
            return self.rng.choice(_NUMBERS)
        if pick < 0.8:
            return self.pick(1, -1) * 10.0 ** self.rng.uniform(-320, 308)
        return self.rng.randint(-(2 ** self.rng.randint(1, 80)), 2 ** self.rng.randint(1, 80))

    def text(self) -> str:
        if self.chance(0.85):
            return self.rng.choice(_TEXTS)
        signs = (
            self.pick(self.rng.randint(1, 0x2FF), self.rng.randint(0x20, 0x7E))
            for _ in range(self.rng.randint(1, 90))
        )
        return "".join(map(chr, signs))

    def value(self, depth: int = 2) -> Any:
        """Anything JSON has a word for, and some things it has none for."""
        pick = self.rng.random()
        if pick < 0.5:
            return self.number()
        if pick < 0.68:
            return self.text()
        if pick < 0.8:
            return self.pick(None, True, False)
        if pick < 0.86:
            return self.rng.choice(_TOKENS)
        if pick < 0.9:
            return self._nested(self.pick(3, 7, 8, 9, 20, 100))
        count = self.pick(0, 1, 2, 3, 16, 17, 40) if depth else 0
        if pick < 0.96:
            return [self.value(depth - 1) for _ in range(count)]
        return {self.text() or "k": self.value(depth - 1) for _ in range(count)}

    def _nested(self, deep: int) -> Any:
        value: Any = self.number()
        for _ in range(deep):
            value = [value] if self.chance(0.5) else {"k": value}
        return value

    def _near(self, value: Any) -> Any:
        """Something of the same kind, a little or far away."""
        if isinstance(value, bool) or value is None:
            return self.pick(True, False, None, 0, 1)
        if isinstance(value, int | float):
            return self.pick(
                -value, 0, value * 1e3, value * 1e-3, value + 1, value - 1, str(value), self.number()
            )
        if isinstance(value, str):
            return self.pick(self.text(), value * 2, value[:1], value.upper(), value + "\u0301")
        if isinstance(value, list):
            return self.pick([], value * 2, value[::-1], value[:-1], [*value, self.value(1)])
        return {}

    def spoil(self, tree: Any, times: int) -> Any:
        """Change some places of a tree of objects and lists, in place."""
        for _ in range(times):
            places: list[tuple[Any, Any]] = []
            _collect(tree, places)
            if not places:
                break
            holder, key = self.rng.choice(places)
            how = self.rng.random()
            if how < 0.4:
                holder[key] = self._near(holder[key])
            elif how < 0.75:
                holder[key] = self.value()
            elif how < 0.87:
                del holder[key]
            elif isinstance(holder, dict):
                holder[self.text() if self.chance(0.5) else self.rng.choice(_LOOSE)] = self.value()
            else:
                holder.insert(
                    self.rng.randint(0, len(holder)), holder[key] if self.chance(0.5) else self.value()
                )
        return tree


def _collect(tree: Any, places: list[tuple[Any, Any]]) -> None:
    pairs = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    for key, value in list(pairs):
        places.append((tree, key))
        _collect(value, places)


def to_json(value: Any, ascii_only: bool = True) -> str:
    """JSON that may hold what is no JSON: :class:`Raw` goes in as it is."""
    if isinstance(value, Raw):
        return str(value)
    if isinstance(value, dict):
        pairs = (
            f"{json.dumps(k, ensure_ascii=ascii_only)}:{to_json(v, ascii_only)}" for k, v in value.items()
        )
        return "{" + ",".join(pairs) + "}"
    if isinstance(value, list):
        return "[" + ",".join(to_json(v, ascii_only) for v in value) + "]"
    return json.dumps(value, ensure_ascii=ascii_only)


def to_toml(value: Any) -> str:
    """A value of TOML; what TOML has no word for becomes another hostile one."""
    if isinstance(value, Raw):
        return {"NaN": "nan", "Infinity": "inf", "-Infinity": "-inf"}.get(str(value), str(value))
    if value is None:
        return "1979-05-27T07:32:00Z"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return "nan" if math.isnan(value) else repr(value) if math.isfinite(value) else "inf"
    if isinstance(value, list):
        return "[" + ", ".join(map(to_toml, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml_key(k)} = {to_toml(v)}" for k, v in value.items()) + "}"
    return _toml_text(str(value))


def toml_key(key: str) -> str:
    return key if key.isascii() and key.isidentifier() else _toml_text(key)


def _toml_text(text: str) -> str:
    signs = (f"\\u{ord(c):04x}" if ord(c) < 32 or ord(c) == 127 or c in '"\\' else c for c in text)
    return '"' + "".join(signs) + '"'


def checked(payload: bytes) -> bytes:
    """A line of the wire with its check (CRC-16/IBM-3740, as the standard library has it) and line feed."""
    return payload + b",%04x\n" % crc_hqx(payload, 0xFFFF)


def note_line(kind: str, data: Any) -> bytes:
    return checked(f"#{kind},{to_json(data)}".encode("ascii", "replace"))

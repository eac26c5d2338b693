"""Numbers as a person reads them: SI or US units, and no more digits than they deserve."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

from undertray.errors import ReductionError
from undertray.units import FACTORS

__all__ = [
    "LONG_RUN_S",
    "SI",
    "US",
    "Display",
    "clock_text",
    "display",
    "moment_text",
    "number",
    "off_text",
    "span_of",
    "speed_name",
]

LONG_RUN_S = 100.0
"""From when on moments are told in minutes and seconds too, s."""
_QUANTITY = re.compile(
    r"(?<![\w.])([+\-\u2212]?)(\d+(?:\.\d+)?)(?: to ([+\-\u2212]?)(\d+(?:\.\d+)?))? (Pa|N|mm)\b"
)
_NAMED_SPEEDS = (("mph", 60), ("km/h", 100))


@dataclass(frozen=True, slots=True)
class Display:
    """A set of units to show numbers in."""

    name: str
    pressure: str
    force: str
    length: str
    pressure_pa: float
    force_n: float
    length_mm: float
    pressure_digits: tuple[int, int]
    force_digits: tuple[int, int]
    length_digits: tuple[int, int]

    def pa(self, value_pa: float | None) -> str:
        """Show a pressure."""
        return self._with(value_pa, self.pressure_pa, self.pressure, self.pressure_digits)

    def n(self, value_n: float | None, signed: bool = False) -> str:
        """Show a force."""
        return self._with(value_n, self.force_n, self.force, self.force_digits, signed)

    def mm(self, value_mm: float | None) -> str:
        """Show a length."""
        return self._with(value_mm, self.length_mm, self.length, self.length_digits)

    @property
    def places(self) -> tuple[int, int, int]:
        """Decimals of suction, force and length where numbers stand in columns or change as one looks."""
        return (0, 1, 0) if self.name == "si" else (2, 2, 2)

    def pa_text(self, value_pa: float, form: str = "z", finer: int = 0) -> str:
        """A bare suction to fixed decimals; ``form`` says sign and width as in a format."""
        return f"{value_pa / self.pressure_pa:{form}.{self.places[0] + finer}f}"

    def n_text(self, value_n: float, form: str = "z") -> str:
        """A bare force to fixed decimals."""
        return f"{value_n / self.force_n:{form}.{self.places[1]}f}"

    def mm_text(self, value_mm: float, form: str = "z", finer: int = 0) -> str:
        """A bare length to fixed decimals."""
        return f"{value_mm / self.length_mm:{form}.{self.places[2] + finer}f}"

    def told(self, text: str, finer: int = 0, kept: str = "") -> str:
        """Turn the pascals, newtons and millimetres of a ready sentence into these units.

        ``finer`` allows as many more decimals, for what is a hundredth of the usual; ``kept`` is a unit that
        stays.
        """
        if self.name == "si":
            return text

        def shown(found: re.Match[str]) -> str:
            sign, value, turned, until, unit = found.groups()
            if unit == kept:
                return found[0]
            factor, digits = {
                "Pa": (self.pressure_pa, self.pressure_digits),
                "N": (self.force_n, self.force_digits),
                "mm": (self.length_mm, self.length_digits),
            }[unit]
            own = {"Pa": self.pressure, "N": self.force, "mm": self.length}[unit]
            fine = (digits[0], digits[1] + finer)
            first = sign + self._with(float(value), factor, own, fine)
            if until is None:
                return first
            return span_of(first, turned + self._with(float(until), factor, own, fine))

        return _QUANTITY.sub(shown, text)

    def _with(
        self, value: float | None, factor: float, unit: str, digits: tuple[int, int], signed: bool = False
    ) -> str:
        text = number(None if value is None else value / factor, digits[0], signed, digits[1])
        return text if text == "unknown" else f"{text} {unit}"


SI = Display("si", "Pa", "N", "mm", 1.0, 1.0, 1.0, (2, 1), (3, 2), (2, 1))
US = Display(
    "us",
    "inH₂O",
    "lbf",
    "in",
    FACTORS["pressure"]["inH2O"],
    FACTORS["force"]["lbf"],
    FACTORS["length"]["in"] * 1000,
    (3, 3),
    (3, 3),
    (3, 2),
)


def display(name: str) -> Display:
    """Find a set of units."""
    if name not in ("si", "us"):
        raise ReductionError("no such units", seen=name, expected="si or us")
    return SI if name == "si" else US


def number(value: float | None, digits: int = 3, signed: bool = False, most_places: int | None = None) -> str:
    """Show a number to some significant digits, without powers of ten in the usual range."""
    if value is None or not math.isfinite(value):
        return "unknown"
    if value == 0 or (most_places is not None and round(value, most_places) == 0):
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    if most_places is not None:
        places = min(places, most_places)
    show: Callable[[float], str] = (f"{{:+.{places}f}}" if signed else f"{{:.{places}f}}").format
    text = f"{value:.2e}" if places > 8 or abs(value) >= 1e7 else show(value)
    return text.replace("-", "−")


def off_text(u95: float | None, show: str | Callable[[float], str] = ".2f") -> str:
    """What a number is uncertain by, with its sign; nothing where that is not known."""
    if u95 is None:
        return ""
    return f" ±{format(u95, show) if isinstance(show, str) else show(u95)}"


def span_of(low: str, high: str, between: str = " to ") -> str:
    """Say from where to where: one number where both look the same, the unit once where it is the same."""
    if low == high:
        return low
    unit = low.lstrip("+\u22120123456789.")
    return f"{low.removesuffix(unit)}{between}{high}" if high.endswith(unit) else f"{low}{between}{high}"


def moment_text(t_s: float, places: int = 2) -> str:
    """Show a moment of a run, on a long run in minutes and seconds too."""
    shown = f"{t_s:.{places}f} s"
    if t_s < LONG_RUN_S:
        return shown
    return f"{shown} ({clock_text(round(t_s, places))})"


def clock_text(t_s: float) -> str:
    """Show a time in minutes and seconds, from an hour on in hours too."""
    minutes, seconds = divmod(int(t_s), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"


def speed_name(speed_m_s: float) -> str:
    """Name a speed as people ask for it."""
    for unit, value in _NAMED_SPEEDS:
        if abs(speed_m_s - value * FACTORS["speed"][unit]) < 1e-6:
            return f"{value} {unit}"
    return f"{speed_m_s:.1f} m/s"

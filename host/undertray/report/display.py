"""Numbers as a person reads them: SI or US units, and no more digits than they deserve."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from undertray.errors import ReductionError
from undertray.units import FACTORS

__all__ = ["SI", "US", "Display", "display", "number"]


@dataclass(frozen=True, slots=True)
class Display:
    """A set of units to show numbers in.

    Attributes
    ----------
    name : str
        ``si`` or ``us``.
    pressure, force, length : str
        Name of the unit.
    pressure_pa, force_n, length_mm : float
        How many Pa, N and mm one of it is.
    """

    name: str
    pressure: str
    force: str
    length: str
    pressure_pa: float
    force_n: float
    length_mm: float

    def pa(self, value_pa: float | None) -> str:
        """Show a pressure.

        Parameters
        ----------
        value_pa : float or None
            In Pa.

        Returns
        -------
        str
            With its unit; "unknown" for None and NaN.
        """
        return self._with(value_pa, self.pressure_pa, self.pressure)

    def n(self, value_n: float | None, signed: bool = False) -> str:
        """Show a force.

        Parameters
        ----------
        value_n : float or None
            In N.
        signed : bool
            Write a plus sign too.

        Returns
        -------
        str
            With its unit; "unknown" for None and NaN.
        """
        return self._with(value_n, self.force_n, self.force, signed)

    def mm(self, value_mm: float | None) -> str:
        """Show a length.

        Parameters
        ----------
        value_mm : float or None
            In mm.

        Returns
        -------
        str
            With its unit; "unknown" for None and NaN.
        """
        return self._with(value_mm, self.length_mm, self.length)

    def _with(self, value: float | None, factor: float, unit: str, signed: bool = False) -> str:
        text = number(None if value is None else value / factor, signed=signed)
        return text if text == "unknown" else f"{text} {unit}"


SI = Display("si", "Pa", "N", "mm", 1.0, 1.0, 1.0)
US = Display(
    "us",
    "inH₂O",
    "lbf",
    "in",
    FACTORS["pressure"]["inH2O"],
    FACTORS["force"]["lbf"],
    FACTORS["length"]["in"] * 1000,
)


def display(name: str) -> Display:
    """Find a set of units.

    Parameters
    ----------
    name : str
        ``si`` or ``us``.

    Returns
    -------
    Display

    Raises
    ------
    ReductionError
        When there is no such set.
    """
    if name not in ("si", "us"):
        raise ReductionError("no such units", seen=name, expected="si or us")
    return SI if name == "si" else US


def number(value: float | None, digits: int = 3, signed: bool = False) -> str:
    """Show a number to some significant digits, without powers of ten in the usual range.

    Parameters
    ----------
    value : float or None
        Any.
    digits : int
        Significant digits (3 if left out); whole digits are never dropped.
    signed : bool
        Write a plus sign too.

    Returns
    -------
    str
        "unknown" for None, NaN and infinity; a true minus sign.
    """
    if value is None or not math.isfinite(value):
        return "unknown"
    if value == 0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    show: Callable[[float], str] = (f"{{:+.{places}f}}" if signed else f"{{:.{places}f}}").format
    text = f"{value:.2e}" if places > 8 or abs(value) >= 1e7 else show(value)
    return text.replace("-", "−")

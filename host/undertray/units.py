"""Units a person may write, and the one place where they become SI.

The factors are exact by definition (international inch and pound, standard gravity) except
where a comment says otherwise. ``inH2O`` here is the *unit*: the conventional inch of water
of 249.08891 Pa (NIST SP 811 Appendix B.8: 1000 kg/m3 and 9.80665 m/s2). A height read off a
real column is not this unit; it goes through :mod:`undertray.calibrate.liquid_column`.
"""

from __future__ import annotations

import math
import re

from undertray.errors import UndertrayError

__all__ = ["FACTORS", "G_N_M_S2", "UnitError", "celsius", "decimal_comma", "quantity"]

G_N_M_S2 = 9.80665
"""Standard acceleration of free fall, m/s2, exact (3rd CGPM, 1901)."""

_IN_M = 0.0254
_LB_KG = 0.45359237
_LBF_N = _LB_KG * G_N_M_S2
_PSI_PA = _LBF_N / _IN_M**2

# dimension -> unit -> how many SI units one of it is
FACTORS: dict[str, dict[str, float]] = {
    "mass": {"kg": 1.0, "g": 1e-3, "lb": _LB_KG, "oz": _LB_KG / 16},
    "force": {"N": 1.0, "lbf": _LBF_N, "ozf": _LBF_N / 16, "kgf": G_N_M_S2, "gf": G_N_M_S2 / 1000},
    "length": {"m": 1.0, "cm": 1e-2, "mm": 1e-3, "in": _IN_M, "ft": 12 * _IN_M},
    "volume": {"m3": 1.0, "L": 1e-3, "ml": 1e-6, "cm3": 1e-6, "mm3": 1e-9, "in3": _IN_M**3},
    "flow": {
        "m3/s": 1.0,
        "m3/min": 1 / 60,
        "m3/h": 1 / 3600,
        "L/s": 1e-3,
        "l/s": 1e-3,
        "L/min": 1e-3 / 60,
        "ft3/min": (12 * _IN_M) ** 3 / 60,
        "cfm": (12 * _IN_M) ** 3 / 60,
    },
    "area": {"m2": 1.0, "cm2": 1e-4, "mm2": 1e-6, "in2": _IN_M**2, "ft2": (12 * _IN_M) ** 2},
    "pressure": {
        "Pa": 1.0,
        "hPa": 100.0,
        "kPa": 1000.0,
        "mbar": 100.0,
        "bar": 1e5,
        "psi": _PSI_PA,
        "psf": _PSI_PA / 144,
        "mmH2O": G_N_M_S2,
        "cmH2O": 10 * G_N_M_S2,
        "inH2O": 1000 * G_N_M_S2 * _IN_M,
    },
    "stiffness": {
        "N/m": 1.0,
        "N/mm": 1e3,
        "N/cm": 1e2,
        "lbf/in": _LBF_N / _IN_M,
        "ozf/in": _LBF_N / 16 / _IN_M,
        "kgf/mm": G_N_M_S2 * 1e3,
        "gf/mm": G_N_M_S2,
    },
    "angle": {"rad": 1.0, "deg": math.pi / 180},
    "time": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0, "h": 3600.0},
    "speed": {"m/s": 1.0, "km/h": 1 / 3.6, "mph": 1609.344 / 3600},
    "voltage": {"V": 1.0, "mV": 1e-3},
    "share": {"1": 1.0, "%": 0.01},
}

# a number is 12.75, 1.5e3, 12 3/4 or 3/4; a unit may stand twice, as in 6 lb 4 oz and 1' 3"
_NUMBER = r"(?:(?:\d{1,9}\s+)?\d{1,9}/[1-9]\d{0,8}|(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?)"
_UNIT = r"[A-Za-z%\"'][A-Za-z0-9/%]*"
_NUMBER_AND_UNIT = re.compile(rf"\s*([-+]?)({_NUMBER})\s*({_UNIT})(?:\s*({_NUMBER})\s*({_UNIT}))?\s*")
_AS_WRITTEN = str.maketrans("²³µμ″”′’", "23uu\"\"''")  # as a person copies or types them
_NAMES = {
    **{"lbs": "lb", "pound": "lb", "pounds": "lb", "ounce": "oz", "ounces": "oz"},
    **{'"': "in", "inch": "in", "inches": "in", "'": "ft", "foot": "ft", "feet": "ft"},
}
_PARTS = {"lb": "oz", "lbf": "ozf", "ft": "in", "kg": "g", "m": "cm"}  # what may stand behind what
# behind an equals sign or a colon, and nothing but a unit, a comment or the end of the entry behind it
_DECIMAL_COMMA = re.compile(
    r"[=:][ \t]*\"?([-+]?\d{1,12}),(\d{1,12})[ \t]*(?:[A-Za-z0-9/%]{0,10}\"|[,}\]#]|$)", re.M
)


class UnitError(UndertrayError):
    """A quantity that is no number, or has a unit that does not fit."""


def decimal_comma(text: str) -> str | None:
    """Say what to write where a text has a number with a decimal comma."""
    found = _DECIMAL_COMMA.search(text)
    return found and f"write {found[1]}.{found[2]} with a decimal point, not {found[1]},{found[2]}"


def _plain(text: str) -> float:
    """A number as 12.75, 12 3/4 or 3/4."""
    total = 0.0
    for part in text.split():
        over, _, under = part.partition("/")
        total += float(over) / float(under or 1)
    return total


def _written(match: re.Match[str], dimension: str, unit: str, where: str) -> float:
    """A quantity with its unit, in another unit."""
    factors = dict(FACTORS[dimension])
    if dimension == "mass":
        factors |= {name: force / G_N_M_S2 for name, force in FACTORS["force"].items()}
    if dimension == "force":
        factors |= {name: mass * G_N_M_S2 for name, mass in FACTORS["mass"].items()}
    whole, part = (_NAMES.get(name, name) for name in (match[3], match[5]))
    for written in filter(None, (whole, part)):
        if written not in factors:
            raise UnitError(
                f"'{written}' is not a unit of {dimension} known here",
                where=where,
                seen=match[0],
                expected="one of " + ", ".join(factors),
            )
    if part is not None and _PARTS.get(whole) != part:
        raise UnitError(
            f"'{part}' does not go behind '{whole}'",
            where=where,
            seen=match[0],
            expected="such as 6 lb 4 oz",
        )
    result = _plain(match[2]) if whole == unit else _plain(match[2]) * factors[whole] / factors[unit]
    if part is not None:
        result += _plain(match[4]) * factors[part] / factors[unit]
    return -result if match[1] == "-" else result


_DEGREES = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+))\s*(?:deg|°)?\s*([CF])\s*")


def celsius(text: str, where: str) -> float:
    """Read a temperature with its unit, and return it in degrees Celsius.

    Parameters
    ----------
    text : str
        Such as ``"21 C"`` or ``"70 degF"``.
    where : str
        File and key, for the error line.

    Returns
    -------
    float
        degC: t_C = (t_F - 32) / 1.8, exact.

    Raises
    ------
    UnitError
        When it is no temperature.
    """
    match = _DEGREES.fullmatch(text) if len(text) <= 60 else None
    if match is None:
        raise UnitError("not a temperature", where=where, seen=text, expected="such as '21 C' or '70 F'")
    number = float(match[1])
    return number if match[2] == "C" else (number - 32.0) / 1.8


def quantity(value: object, unit: str, where: str, bare: bool = True) -> float:
    """Read a quantity as a person writes it and return it in the unit named.

    Parameters
    ----------
    value : object
        A bare number, taken in ``unit``, or a string with a number and its unit
        (``"7 lbf"``, ``"2.5 inH2O"``).
    unit : str
        The unit of the result, and of a bare number: a key of :data:`FACTORS`.
    where : str
        File and key, for the error line.
    bare : bool
        Whether a number without a unit is taken, in ``unit``.

    Returns
    -------
    float
        The quantity in ``unit``. Finite.

    Raises
    ------
    UnitError
        When it is not a finite number, the unit is unknown or of another dimension, or there is none
        and one is asked for.

    Notes
    -----
    A mass may be given as the weight a scale shows (``"7 lbf"``), and a force as what a balance marked in
    kilograms or pounds shows (``"3 lb"``): F = m g_n with g_n = 9.80665 m/s2. Also understood:
    ``"6 lb 4 oz"``, ``"12 3/4 in"``, ``12.75"`` and ``1' 3"``.

    Examples
    --------
    >>> round(quantity("8 lb 2 oz", "kg", "mass"), 4)
    3.6854
    >>> round(quantity("1 inH2O", "Pa", "suction"), 3)
    249.089
    """
    dimension = next(name for name, units in FACTORS.items() if unit in units)
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise UnitError("not a quantity", where=where, seen=value, expected=f"a number in {unit}")
    if isinstance(value, int | float) and not bare and dimension != "share":
        raise UnitError(
            f"a {dimension} without its unit",
            where=where,
            seen=value,
            expected=f"a number and its unit, one of {', '.join(FACTORS[dimension])}",
            do=f'write "{value:.12g} {unit}" if that is what is meant',
        )
    if isinstance(value, int | float):
        try:
            result = float(value)
        except OverflowError:
            result = math.inf
    else:
        match = _NUMBER_AND_UNIT.fullmatch(value.translate(_AS_WRITTEN)) if len(value) <= 60 else None
        if match is None:
            raise UnitError(
                "not a quantity",
                where=where,
                seen=value,
                expected=f"a number, or a number and a unit such as '1 {unit}'",
                do=decimal_comma(f'="{value[:60]}"'),
            )
        result = _written(match, dimension, unit, where)
    if not math.isfinite(result):
        what = "too large a number" if isinstance(value, int) else "not a finite number"
        raise UnitError(what, where=where, seen=value, expected=f"a number in {unit}")
    return result

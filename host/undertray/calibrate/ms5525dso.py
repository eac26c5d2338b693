"""MS5525DSO: raw pressure and temperature words to Pa, with the coefficients of its PROM."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from undertray.errors import RunLogError
from undertray.units import FACTORS

__all__ = ["ms5525dso_pa", "ms5525dso_temperature_c"]

Array = NDArray[np.float64]
_WORD_MAX = 2**24 - 1


def ms5525dso_pa(
    d1: Array, d2: Array, scale: Mapping[str, Any], where: str
) -> tuple[Array, NDArray[np.bool_]]:
    """Compensated pressure of the part.

    Parameters
    ----------
    d1 : ndarray of float64, shape (n,)
        Raw 24-bit pressure word, NaN where missing.
    d2 : ndarray of float64, shape (n,)
        Raw 24-bit temperature word at the same rows.
    scale : mapping
        ``c``: the PROM words C1 to C6; ``q``: the exponents Q1 to Q6 of its range;
        ``range_pa``: the largest valid pressure, Pa.
    where : str
        For the error line.

    Returns
    -------
    pressure_pa : ndarray of float64, shape (n,)
        Pressure of the high port over the low port, Pa; NaN where the word is missing.
    out_of_range : ndarray of bool, shape (n,)
        Beyond ``range_pa``, or the word at one of its ends.

    Raises
    ------
    RunLogError
        When a coefficient is missing, of the wrong kind or out of bounds.

    Notes
    -----
    ``dT = D2 - C5 2^Q5``, ``OFF = C2 2^Q2 + C4 dT / 2^Q4``, ``SENS = C1 2^Q1 + C3 dT / 2^Q3``,
    ``P = (D1 SENS / 2^21 - OFF) / 2^15`` in 1e-4 psi, here in floating point, so without the
    steps of 0.69 Pa that whole-number arithmetic gives.

    References
    ----------
    TE Connectivity, MS5525DSO datasheet, calculation of pressure and temperature.
    """
    c, q = _coefficients(scale, where)
    limit = scale.get("range_pa")
    if isinstance(limit, bool) or not isinstance(limit, int | float) or not 100 <= limit <= 1e6:
        raise RunLogError("bad 'range_pa'", where=where, seen=limit, expected="Pa from 100 to 1e6")
    delta = d2 - c[4] * 2.0 ** q[4]
    offset = c[1] * 2.0 ** q[1] + c[3] * delta / 2.0 ** q[3]
    sensitivity = c[0] * 2.0 ** q[0] + c[2] * delta / 2.0 ** q[2]
    pressure_pa = (d1 * sensitivity / 2**21 - offset) / 2**15 * 1e-4 * FACTORS["pressure"]["psi"]
    out_of_range = (np.abs(pressure_pa) > limit) | (d1 <= 0) | (d1 >= _WORD_MAX)
    return pressure_pa, out_of_range


def ms5525dso_temperature_c(d2: Array, scale: Mapping[str, Any], where: str) -> Array:
    """Temperature of the die.

    Parameters
    ----------
    d2 : ndarray of float64, shape (n,)
        Raw 24-bit temperature word.
    scale : mapping
        As for :func:`ms5525dso_pa`.
    where : str
        For the error line.

    Returns
    -------
    ndarray of float64, shape (n,)
        Degrees Celsius: ``20 + dT C6 / 2^Q6 / 100``.

    Raises
    ------
    RunLogError
        When a coefficient is missing, of the wrong kind or out of bounds.
    """
    c, q = _coefficients(scale, where)
    return 20 + (d2 - c[4] * 2.0 ** q[4]) * c[5] / 2.0 ** q[5] / 100


def _coefficients(scale: Mapping[str, Any], where: str) -> tuple[list[int], list[int]]:
    for key, most in (("c", 0xFFFF), ("q", 30)):
        values = scale.get(key)
        if (
            not isinstance(values, list)
            or len(values) != 6
            or not all(isinstance(v, int) and not isinstance(v, bool) and 0 <= v <= most for v in values)
        ):
            raise RunLogError(
                f"bad '{key}'", where=where, seen=values, expected=f"six whole numbers from 0 to {most}"
            )
    if not any(scale["c"]):
        raise RunLogError("all coefficients are 0", where=where, expected="the words of the part's PROM")
    return scale["c"], scale["q"]

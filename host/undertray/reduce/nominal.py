"""Nominal suction of a run, by the parts' own scales: what the calibration goes by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from undertray.reduce.loads import Part

__all__ = ["Nominal"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Nominal:
    """Nominal suction at the car's taps, ``(reading - zero) pa_each``, not kept as a table of its own.

    Attributes
    ----------
    readings : ndarray, shape (n, taps)
        Raw counts; or Pa where the host has to compensate a part. NaN where missing.
    zero, pa_each : ndarray, shape (taps,)
        Reading at 0 Pa, and signed Pa for each step of the reading.
    """

    readings: Array
    zero: Array
    pa_each: Array

    @classmethod
    def of_pa(cls, pa: Array) -> Nominal:
        """Take nominal suctions as they are.

        Parameters
        ----------
        pa : ndarray, shape (n, taps)
            Pa.

        Returns
        -------
        Nominal
        """
        taps = pa.shape[1]
        return cls(pa, np.zeros(taps), np.ones(taps))

    def between(self, row0: int, row1: int) -> Array:
        """Nominal suction of some rows.

        Parameters
        ----------
        row0, row1 : int
            First row, and the row after the last.

        Returns
        -------
        ndarray, shape (rows, taps)
            Pa.
        """
        return (self.readings[row0:row1] - self.zero) * self.pa_each

    def mean_pa(self, part: Part) -> Array:
        """Mean over the rows and the taps of a part.

        Parameters
        ----------
        part : Part
            Which they are.

        Returns
        -------
        ndarray, shape (taps of the part,)
            Pa.
        """
        return (part.mean(self.readings) - self.zero[part.taps]) * self.pa_each[part.taps]

    def mean_square_pa2(self, part: Part, tap: int) -> float:
        """Mean square of one tap over the rows of a part.

        Parameters
        ----------
        part : Part
            In which it was good.
        tap : int
            Which.

        Returns
        -------
        float
            Pa2.
        """
        pa = (self.readings[part.where, tap] - self.zero[tap]) * self.pa_each[tap]
        return float(np.square(pa).mean())

"""How the numbers of a run hang on the calibration of each column and on its zero."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from undertray.calibrate.certificate import Calibration
from undertray.reduce.car import Car
from undertray.reduce.loads import Part
from undertray.reduce.products import Table
from undertray.reduce.zero import Zero

__all__ = ["NORMAL", "Sensitivity"]

Array = NDArray[np.float64]

NORMAL = 1.959964
"""Coverage factor for 95 % of a normal distribution."""
_MOST_COEFFICIENTS = 3


class Sensitivity:
    """Change of some numbers with every calibration coefficient and every zero.

    Parameters
    ----------
    quantities : int
        How many numbers.
    car : Car
        The car, for its taps.
    calibration : Calibration
        The calibration used.
    zero : Zero
        What was done about the zero.
    """

    def __init__(self, quantities: int, car: Car, calibration: Calibration, zero: Zero) -> None:
        self._columns = [calibration.columns[tap.column] for tap in car.taps]
        self._zero = zero
        self._powers = [np.zeros((quantities, len(c.coefficients))) for c in self._columns]
        self._per_pa = np.zeros((quantities, len(self._columns)))
        self._own = np.zeros((quantities, len(self._columns)))

    def add(self, part: Part, per_pa: Array, nominal: Table) -> None:
        """Take in some rows.

        Parameters
        ----------
        part : Part
            Which rows, and which taps were good in them.
        per_pa : ndarray, shape (quantities, taps of the part)
            Change of the numbers with 1 Pa at a tap in all these rows.
        nominal : Table, shape (n, taps)
            Nominal suctions of the run.
        """
        means = part.mean(nominal)
        for k, i in enumerate(part.taps):
            powers = self._columns[i].powers(means[k])
            if len(powers) == _MOST_COEFFICIENTS:  # the mean of the squares is not the square of the mean
                powers[2] = part.mean_square(nominal, i)
            if self._zero.nominal_pa is not None:
                powers = powers - self._columns[i].powers(self._zero.nominal_pa[i])
            self._powers[i] += np.outer(per_pa[:, k], powers)
            self._per_pa[:, i] += per_pa[:, k]
            self._own[:, i] += per_pa[:, k] * float(self._columns[i].own_uncertainty_pa(means[k]))

    def variances(self) -> tuple[Array, Array]:
        """Variances of the numbers.

        Returns
        -------
        calibration, zero : ndarray, shape (quantities,)
        """
        count = len(self._per_pa)
        alone2, own = np.zeros(count), np.zeros_like(self._own)
        together = np.zeros((count, _MOST_COEFFICIENTS))
        common: dict[str, Array] = {}
        for i, (column, rows) in enumerate(zip(self._columns, self._powers, strict=True)):
            covariance = np.array(column.covariance, float)
            for name, shift in column.shared.items():
                covariance -= np.outer(shift, shift)
                common[name] = common.get(name, np.zeros(count)) + rows @ shift
            # a factor above the normal one says that few points are behind this column
            fewer = column.coverage_factor / NORMAL
            parts = fewer * rows @ _root(covariance)
            together[:, : parts.shape[1]] += parts
            alone2 += np.square(parts).sum(axis=1)
            own[:, i] = fewer * self._own[:, i]
        # sensors of one make bend and loop alike, and come to a suction from the same side; others may not
        alike2 = np.maximum(np.square(own.sum(axis=1)), np.square(own).sum(axis=1))
        own2 = np.maximum(alone2, np.square(together).sum(axis=1)) + alike2
        shared2 = np.square(list(common.values())).sum(axis=0) if common else 0.0
        return own2 + shared2, self._zero.variance(self._per_pa)


def _root(covariance: Array) -> Array:
    """A matrix R with R R^T the covariance; what rounding made negative counts as 0."""
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(root @ vectors.T)

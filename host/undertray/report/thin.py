"""Long series as lowest and highest of equal pieces, so that one bad sample still shows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["PIECES", "Thinner"]

PIECES = 1000
Array = NDArray[np.float64]


class Thinner:
    """Cuts series of one length into pieces.

    Parameters
    ----------
    t_s : ndarray of float64, shape (n,)
        Time of each row, s.
    pieces : int
        Most pieces; a series of up to twice as many rows is kept as it is.
    """

    def __init__(self, t_s: Array, pieces: int = PIECES) -> None:
        self.whole = len(t_s) <= 2 * pieces
        self._edges = np.linspace(0, len(t_s), pieces + 1).astype(np.int64)[:-1]
        self.t_s = t_s if self.whole else np.repeat(t_s[self._edges], 2)

    def ends(self, values: Array) -> tuple[Array, Array]:
        """Lowest and highest of each piece.

        Parameters
        ----------
        values : ndarray of float64, shape (n,)
            One series; NaN counts only where a whole piece is NaN.

        Returns
        -------
        lowest, highest : ndarray of float64, shape (pieces,) or (n,)
        """
        if self.whole:
            return values, values
        return np.fmin.reduceat(values, self._edges), np.fmax.reduceat(values, self._edges)

    def zigzag(self, values: Array) -> Array:
        """One line through all lowest and highest values, to draw over :attr:`t_s`.

        Parameters
        ----------
        values : ndarray of float64, shape (n,)
            One series.

        Returns
        -------
        ndarray of float64, shape of ``t_s``
        """
        if self.whole:
            return values
        return np.column_stack(self.ends(values)).ravel()

    def columns(self, name: str, values: Array) -> dict[str, Array]:
        """The numbers behind :meth:`zigzag`, for a table.

        Parameters
        ----------
        name : str
            Name of the series.
        values : ndarray of float64, shape (n,)
            One series.

        Returns
        -------
        dict of str to ndarray
            One column, or its lowest and highest.
        """
        lowest, highest = self.ends(values)
        return {name: values} if self.whole else {f"{name} lowest": lowest, f"{name} highest": highest}

    def time(self) -> Array:
        """Start of each piece, s.

        Returns
        -------
        ndarray of float64, shape (pieces,) or (n,)
        """
        return self.t_s if self.whole else self.t_s[::2]

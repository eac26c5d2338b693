"""Rows side by side: the same numbers as numpy's own broadcasting."""

from __future__ import annotations

import numpy as np
import pytest

from undertray.calibrate.beside import beside, pieces
from undertray.calibrate.certificate import Calibration
from undertray.calibrate.column_calibration import ColumnCalibration


@pytest.mark.parametrize("columns", [1, 3, 8, 600])
@pytest.mark.parametrize("rows", [0, 1, 63, 64, 65, 4096, 9001])
def test_pieces_cover_every_row_once(rows: int, columns: int) -> None:
    table = np.random.default_rng(1).normal(size=(rows, columns))
    per_column, found = np.arange(columns) + 0.5, np.full(table.shape, np.nan)
    side_by_side = beside(per_column)
    for given, out in pieces(table, found):
        np.multiply(given, side_by_side[: given.shape[1]], out=out)
    np.testing.assert_array_equal(found, table * per_column)


def test_a_table_in_another_order_is_read_too() -> None:
    table = np.asfortranarray(np.arange(600.0).reshape(200, 3))
    assert np.concatenate([piece.ravel() for (piece,) in pieces(table)]).tolist() == list(range(600))


def test_curves_of_different_degree_are_applied_together() -> None:
    columns = {
        name: ColumnCalibration("hsc", np.array(curve), np.eye(len(curve)), (-100.0, 3000.0), 1.0)
        for name, curve in {"p1": [1.0, 1.01], "p2": [-2.0, 0.99, 1e-5], "p3": [3.0]}.items()
    }
    nominal_pa = np.random.default_rng(2).normal(1000, 300, (5000, 3))
    nominal_pa[17, 1] = np.nan
    suction_pa = Calibration("", {}, 9.80665, "", columns).apply(nominal_pa, [*columns])
    each = [column.apply(nominal_pa[:, i]) for i, column in enumerate(columns.values())]
    np.testing.assert_array_equal(suction_pa, np.transpose(each))

"""Products a piece at a time: the same numbers as in one."""

from __future__ import annotations

import numpy as np
import pytest

from undertray.reduce.products import row_sums, table_sum


@pytest.mark.parametrize("rows", [0, 1, 4096, 4097, 10_000])
def test_as_in_one_product(rows: int) -> None:
    rng = np.random.default_rng(rows)
    table, weights, each_row = rng.normal(size=(rows, 5)), rng.normal(size=(3, 5)), rng.normal(size=rows)
    # the order of summation differs: by less than this of sums of some thousand numbers of about 1
    np.testing.assert_allclose(row_sums(weights, table), weights @ table.T, atol=1e-12)
    np.testing.assert_allclose(table_sum(each_row, table), each_row @ table, atol=1e-10)

"""Quantiles against numpy's."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from undertray.quantiles import quantiles

SHARES = (0.0, 0.05, 0.05, 0.5, 0.95, 1.0)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60))
def test_as_numpy_has_them(values):
    series = np.array(values)
    # the same formula: only the last digits may differ
    np.testing.assert_allclose(quantiles(series, SHARES), np.quantile(series, SHARES), rtol=1e-12, atol=1e-9)
    assert series.tolist() == values
    assert quantiles(series, SHARES, spoil=True) == quantiles(np.array(values), SHARES)

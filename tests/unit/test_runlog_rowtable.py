"""Room for the rows of a run: taken by a guess, enough whatever comes."""

from __future__ import annotations

import numpy as np
import pytest

from undertray.acquire.rows import MISSING
from undertray.acquire.rowtable import RowTable


@pytest.mark.parametrize("share", [1.0, 1.5, 100.0])
def test_rows_come_back_however_wrong_the_guess_was(share: float) -> None:
    fields = np.arange(7 * 1000, dtype=np.int64).reshape(1000, 7)
    fields[5, 3] = fields[6, 6] = MISSING
    table = RowTable(2)
    for first in range(0, 1000, 50):
        table.add(fields[first : first + 50], share)
    rows = table.arrays()
    assert table.rows == 1000
    assert [rows.host_us.tolist(), rows.seq.tolist(), rows.t_us.tolist()] == fields[:, :3].T.tolist()
    assert rows.flags.tolist() == fields[:, 4].tolist()
    known = np.where(fields == MISSING, np.nan, fields)
    np.testing.assert_array_equal(rows.throttle_us, known[:, 3])
    np.testing.assert_array_equal(rows.counts, known[:, 5:])

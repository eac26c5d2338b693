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


def test_counts_are_worked_with_as_an_array_of_float64() -> None:
    fields = np.arange(7 * 100, dtype=np.int64).reshape(100, 7)
    fields[6, 6] = MISSING
    table = RowTable(2)
    table.add(fields)
    counts = table.arrays().counts
    known = np.where(fields == MISSING, np.nan, fields)[:, 5:]
    for worked, expected in (
        ((counts - 8192) * 0.5, (known - 8192) * 0.5),
        (3 - counts, 3 - known),
        (np.isnan(counts), np.isnan(known)),
        (counts.T, known.T),
        (counts.copy(), known),
        (counts.astype(np.float32), known.astype(np.float32)),
        (np.nanmean(counts, axis=0), np.nanmean(known, axis=0)),
        (np.add.reduce(counts), np.add.reduce(known)),
        (counts == counts, known == known),
    ):
        np.testing.assert_array_equal(worked, expected)
    assert counts.dtype == np.float64

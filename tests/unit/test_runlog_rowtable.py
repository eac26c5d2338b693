"""Room for the rows of a run: taken by a guess, enough whatever comes."""

from __future__ import annotations

import numpy as np
import pytest

from undertray.acquire.rows import MISSING
from undertray.acquire.rowtable import RowTable, repeated


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


def test_each_of_very_many_power_ups_has_slots_of_its_own() -> None:
    # three rows a power-up, in each the same slots and ticks; the last row of the hundredth comes once more
    each, power_ups = np.array([[0, 0], [1, 5000], [2, 10000]]), 20_000
    told = np.tile(each, (power_ups, 1))
    told = np.insert(told, 300, told[299], axis=0)
    boots = [(3 * k + (k >= 100), ("e661", k)) for k in range(power_ups)]
    fields = np.zeros((len(told), 6), np.int64)
    fields[:, 1:3], fields[:, 5] = told, 8192
    table = RowTable(1)
    table.add(fields)
    again = repeated(table.arrays(), boots).again
    assert np.flatnonzero(again).tolist() == [300]
    # nobody told of a power-up: then all but the first three rows tell those three again
    assert repeated(table.arrays(), boots[:1]).again.sum() == len(told) - 3

"""Tables worked out a piece at a time: sliced as an array is, and the same numbers."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from undertray.reduce.longtable import Column, Table, pieces

N = 40_000  # more than two pieces
VALUES = np.random.default_rng(1).normal(size=(N, 5))
MASK = VALUES[:, 0] > 0.5
ROWS = np.array([[3, 70], [N - 1, 2]])


@pytest.mark.parametrize(
    "key",
    [
        slice(None),
        slice(7, 12),
        slice(100, 39_000),
        slice(5, 5),
        slice(None, None, 997),
        MASK,
        np.flatnonzero(MASK),
        np.zeros(N, bool),
        ROWS,
        (slice(None), 3),
        (slice(20, 30), 0),
        (MASK, 4),
    ],
    ids=str,
)
def test_it_is_sliced_as_an_array_is(key: Any) -> None:
    np.testing.assert_array_equal(Table.of(VALUES)[key], VALUES[key])


def test_parts_of_it() -> None:
    table = Table.of(VALUES)
    np.testing.assert_array_equal(np.asarray(table), VALUES)
    np.testing.assert_array_equal(table[10:20, [4, 1]], VALUES[10:20][:, [4, 1]])
    np.testing.assert_array_equal(table.only([4, 1])[:], VALUES[:, [4, 1]])
    part = table.between(15_000, 39_000)
    np.testing.assert_array_equal(part[:], VALUES[15_000:39_000])
    np.testing.assert_array_equal(part[np.array([1, 23_000])], VALUES[[15_001, 38_000]])
    assert (part.shape, len(part)) == ((24_000, 5), 24_000)


def test_no_more_is_made_than_is_asked_for() -> None:
    made = []

    def make(rows: Any, columns: list[int]) -> Any:
        made.append((len(VALUES[rows]), columns))
        return VALUES[rows][:, columns]

    table = Table(N, 5, make)
    table[8:10, 2], table[:, 1]
    assert made[0] == (2, [2])
    assert {columns[0] for _, columns in made[1:]} == {1}
    assert max(rows for rows, _ in made) <= 16384


def test_a_column_is_sliced_as_an_array_is() -> None:
    column = Column(N, lambda rows: VALUES[rows, 0] + VALUES[rows, 1])
    np.testing.assert_array_equal(column[MASK], (VALUES[:, 0] + VALUES[:, 1])[MASK])
    np.testing.assert_array_equal(np.asarray(column), VALUES[:, 0] + VALUES[:, 1])


def test_pieces_are_all_rows_once() -> None:
    assert [*pieces(3, 10, 3)] == [(3, 6), (6, 9), (9, 10)]
    assert [*pieces(5, 5)] == []

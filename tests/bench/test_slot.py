"""The whole slot against the plain print loop, in one run on the same parts."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.slot import budget, bus_time_us, measure
from firmware.runs import needs_micropython


@needs_micropython
def test_a_slot_with_check_alarm_and_ring_costs_less_than_printing_and_no_memory(tmp_path: Path) -> None:
    found = measure(tmp_path)
    for n in (4, 8):
        # derived from nothing but the wish: with all it does besides, it must not be slower than the loop one
        # writes first (seen: 1.5 to 1.9 times as fast, the canned parts' own time in both)
        assert found["ours", n][0] < found["plain", n][0]
        assert found["ours", n][1] == 0
        assert found["plain", n][1] > 500


def test_bus_time_is_that_of_the_table() -> None:
    # Computed for 400 kHz without stretching: read 2, 3, 4, 6, 7, 9 bytes, then with a multiplexer 4 and 9.
    assert [round(bus_time_us(n, 400e3, False)) for n in (2, 3, 4, 6, 7, 9)] == [72, 95, 118, 162, 185, 230]
    assert [bus_time_us(n, 400e3, True) for n in (4, 9)] == pytest.approx([168, 280], abs=0.6)


def test_the_budget_leaves_time_at_the_rates_aimed_at() -> None:
    left = {(what, n): most for what, n, _, most in budget()}
    assert left["2 bytes", 4] > 1000
    assert left["2 bytes", 8] > 500
    assert left["2 bytes, multiplexer", 8] > 500

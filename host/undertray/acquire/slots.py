"""Slots of the board: how many are missing between rows, and where what a board says begins to hold."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from undertray.acquire.wire import TICK_LIMIT, Row

if TYPE_CHECKING:
    from undertray.acquire.device import Device

__all__ = ["LONG_TURN", "SEQ", "SlotCount", "agree", "held_from", "missing"]

SEQ = 1 << 16
"""``seq`` wraps here."""
LONG_TURN = 0.9 * SEQ
"""A step of so many periods, and more, may hide whole turns of ``seq``."""
_LATE_S = 0.5
_NEXT = 3
_OFF = 1e-3  # a declared rate is rounded
_What = TypeVar("_What")
_TICK_BITS = TICK_LIMIT.bit_length() - 1


def agree(step_s: float, slots: int, period_s: float) -> bool:
    """Whether a step in time and a step in slot numbers, modulo 65536, tell the same."""
    expected = step_s / period_s if period_s > 0 else float("inf")
    if not expected < 2**40:
        return False
    apart = (expected - slots + SEQ / 2) % SEQ - SEQ / 2
    return bool(abs(apart) <= 3 + 0.002 * expected)


def missing(step_s: float, slots: int, period_s: float) -> int:
    """Count the slots missing between two rows of one power-up."""
    turns = 0
    if step_s > LONG_TURN * period_s and agree(step_s, slots, period_s):
        turns = max(0, round((step_s / period_s - slots) / SEQ))
    return max(0, turns * SEQ + slots - 1)


def held_from(told: Sequence[tuple[int, _What]], breaks: NDArray[np.int64]) -> list[tuple[int, _What]]:
    """Find the rows from which on what a board said of itself holds."""
    held = [(0, what) for row, what in told if row == 0][-1:] or [(0, what) for _, what in told[:1]]
    later = [(row, what) for row, what in told if row > 0]
    for before, (row, what) in zip([0, *(row for row, _ in later)], later, strict=False):
        if what == held[-1][1]:
            continue
        # rows [before, row) came since the note before this one
        first = int(np.searchsorted(breaks, row, "right")) - 1
        held.append((int(breaks[first]) if first >= 0 and breaks[first] > before else row, what))
    return held


class SlotCount:
    """Counts row by row, as they come, what is missing and what comes again."""

    def __init__(self) -> None:
        self.lost = self.duplicates = 0
        self.restart()

    def restart(self) -> None:
        """Begin with another power-up of the board."""
        self._last: tuple[int, int, int] | None = None
        self._ticks = array("q", [-1]) * SEQ

    def goes_on(self, row: Row, host_us: int, device: Device) -> bool:
        """Tell whether a row behind a break comes from the same power-up: its slot and its clock say so."""
        if self._last is None:
            return False
        seq, t_us, before_us = self._last
        period_s, away_s = 1 / device.rate_hz, (host_us - before_us) / 1e6
        slots = (row.seq - seq) % SEQ
        step_s = (row.t_us - t_us) % (1 << device.tick_bits) / device.tick_hz
        at_its_time = abs(away_s - slots * period_s) < _LATE_S and slots < LONG_TURN
        agrees = abs(step_s - slots * period_s) < period_s + _OFF * step_s
        return slots > 0 and agrees and (at_its_time or slots <= _NEXT)

    def take(self, row: Row, host_us: int, device: Device | None) -> None:
        """Count a row."""
        last = self._last
        if last is not None:
            tick_hz, bits, rate_hz = 1_000_000, _TICK_BITS, 0.0
            if device is not None:
                tick_hz, bits, rate_hz = device.tick_hz, device.tick_bits, device.rate_hz
            slots = (row.seq - last[0]) % SEQ
            step_s = (row.t_us - last[1]) % (1 << bits) / tick_hz
            wrap_s = (1 << bits) / tick_hz
            period_s = 1 / rate_hz if rate_hz else step_s / max(1, slots)
            if self._ticks[row.seq] == row.t_us or (not slots and step_s < LONG_TURN * period_s):
                self.duplicates += 1
                return
            away_s = (host_us - last[2]) / 1e6
            if away_s > wrap_s / 2:
                step_s += max(0, round((away_s - step_s) / wrap_s)) * wrap_s
            if slots < SEQ // 2 or agree(step_s, slots, period_s):
                self.lost += missing(step_s, slots, period_s)
        self._ticks[row.seq] = row.t_us
        self._last = row.seq, row.t_us, host_us

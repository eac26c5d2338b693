"""How much of a drive without a cable the board keeps, and what that costs."""

from __future__ import annotations

from collections.abc import Iterator

from undertray.board.finding import Finding, Weight
from undertray.board.rehearsal import Rehearsal
from undertray.board.timing import largest_rate_hz

__all__ = ["keeping_findings", "row_bits"]

MEMORY_BYTES = 79_000
"""What the firmware packs rows into on an RP2040: told by an emulated one with four columns."""
SECTOR_BYTES = 15 * 224
"""Rows in a sector of flash: 15 pages, less the head of each and its first row, which is written whole."""
STALL_MS = 0.4
"""A page is written, and nothing runs meanwhile: typical of such flash, and what the emulator takes."""
PACKING_US = 47
"""A field packed in the slot (time, throttle, each column): with four columns an emulated RP2040 keeps 900
rows a second without a gap, and not 1000; 282 us lie in between. Other numbers of columns were not tried."""
_ROW_BITS, _COLUMN_BITS = 8, 5.5
_PATIENCE_S = 0.9  # a page is written then, full or not


def row_bits(columns: int) -> float:
    """Length of a packed row.

    Parameters
    ----------
    columns : int
        Pressure columns.

    Returns
    -------
    float
        Bits, where readings are even over 21 counts: the Rice code then takes 5.5 bits a column (its entropy
        is 5.1), time, throttle and flags the rest.
    """
    return _ROW_BITS + _COLUMN_BITS * columns


def keeping_findings(rehearsal: Rehearsal) -> Iterator[Finding]:
    """Say how long a kept drive may be.

    Parameters
    ----------
    rehearsal : Rehearsal
        What the firmware made of the description.

    Yields
    ------
    Finding
        A note where the description says how runs are kept, and a warning where rows come too fast
        for that.
    """
    store = rehearsal.board["store"]
    if store is None:
        return
    rate_hz = rehearsal.board["rate_hz"]
    bytes_s = rate_hz * row_bits(len(rehearsal.columns)) / 8
    noise = "at ten counts of noise; more noise takes more"
    if store["where"] == "memory":
        long_s = MEMORY_BYTES / bytes_s
        told = (
            f"a drive of about {long_s:.0f} s is kept in memory ({noise}), and no slot is late; power that "
            "goes before it is written, three seconds after the throttle is down, costs it"
        )
    else:
        long_s = store["sectors"] * SECTOR_BYTES / bytes_s
        pages_s = max(bytes_s / (SECTOR_BYTES / 15), 1 / _PATIENCE_S)
        told = (
            f"a drive of about {long_s:.0f} s is kept in flash ({noise}); {pages_s:.1f} pages a second stop "
            f"everything for {STALL_MS} ms each (typical; up to 3 ms by data sheets, from memory), and "
            f"{min(pages_s / rate_hz, 1):.1%} of the rows say so; power that goes at any moment costs two "
            "seconds at most; sectors are erased only with the throttle down, 45 ms each (up to 400 ms by "
            "data sheets, from memory)"
        )
    yield Finding(Weight.NOTE, "store", told + " (from an emulated RP2040, not from hardware)")
    slot_us = 1e6 / largest_rate_hz(rehearsal) + PACKING_US * (len(rehearsal.columns) + 2)
    if rate_hz * slot_us > 1e6:
        yield Finding(
            Weight.WARNING,
            "store",
            f"packing takes time in every slot: above about {1e6 / slot_us:.0f} Hz slots are skipped "
            "while a run is kept (from an emulated RP2040, not from hardware)",
            f"at most {0.9e6 / slot_us:.0f} Hz, or fewer columns",
        )

"""A second generator of recordings with truth, from first principles.

It shares no formula and no module with the product: it is an instrument to test the product with. The
physics stand in `vehicle.py`, the driver and the road in `driver.py`, what goes wrong in `mishaps.py`, the
named classes of runs in `strata.py`, and what counts as an event in `truth.py`. Everything is invented; the
same stratum and seed give the same run to the bit.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from worlds.logs import write_recording
from worlds.outing import Recording, record
from worlds.strata import draw, names

__all__ = ["Recording", "make", "make_many", "strata", "write"]


def strata() -> list[str]:
    """Names of the classes of runs."""
    return names()


def make(stratum: str, seed: int) -> Recording:
    """One run."""
    return next(make_many([(stratum, seed)]))


def make_many(which: Iterable[tuple[str, int]]) -> Iterator[Recording]:
    """Many runs in the order asked for, about twenty times faster a run than one by one."""
    return record([draw(stratum, seed) for stratum, seed in which])


def write(folder: Path, which: Iterable[tuple[str, int]]) -> list[Path]:
    """Write run logs with their cars and truth files; returns the logs' paths."""
    return [write_recording(folder, one) for one in make_many(which)]

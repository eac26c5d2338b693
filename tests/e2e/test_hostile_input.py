"""A structured fuzz: right by the grammar and by every check, hostile in what it says.

Only results and the project's own errors may come out, on one line; no trace, no NaN in JSON, no hang, no
more than 1 GB of memory, and not even a warning of a library. What is read, and by what: ``fakes/ordeal.py``.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from fakes.ordeal import bounded, own_error_only

FEW = {"log": 200, "live": 200, "car": 200, "calibration": 200, "board": 40, "points": 150}
FULL = {"log": 20_000, "live": 5000, "car": 5000, "calibration": 5000, "board": 5000, "points": 5000}
# at least this share must be taken and not refused, or little is tried behind the readers
TAKEN = {"log": 0.35, "live": 0.15, "car": 0.15, "calibration": 0.15, "board": 0.3, "points": 0.08}


def _all(kind: str, seeds: range, folder: Path) -> None:
    taken = 0
    with bounded():
        for seed in seeds:
            try:
                taken += own_error_only(kind, seed, folder)
            except BaseException as error:
                error.add_note(f"{kind}, seed {seed}")
                raise
    assert taken >= TAKEN[kind] * len(seeds), f"{taken} of {len(seeds)} were taken"


@pytest.mark.parametrize("kind", FEW)
def test_nothing_foreign_comes_out(kind: str, tmp_path: Path) -> None:
    _all(kind, range(FEW[kind]), tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("kind", FULL)
def test_nothing_foreign_comes_out_of_many(kind: str, tmp_path: Path) -> None:
    _all(kind, range(100_000, 100_000 + FULL[kind]), tmp_path)

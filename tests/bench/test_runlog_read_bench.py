"""Reading an hour's log with every check verified, side by side with plain CSV reading."""

from __future__ import annotations

import tracemalloc
from binascii import crc_hqx
from pathlib import Path

import pandas as pd
import pytest

from fakes.board import ScriptedBoard, log_of
from fakes.stopwatch import cpu_s
from undertray.acquire.runlog import read_run


def plain(path: Path) -> pd.DataFrame:
    return pd.read_csv(path, comment="#")


def plain_and_checked(path: Path) -> int:
    """What it takes to verify the checks beside a plain reader: once more over the lines."""
    plain(path)
    good = 0
    with path.open("rb") as file:
        for line in file:
            if line[:1].isdigit():
                _, _, wire = line.partition(b",")
                payload, _, crc = wire.rpartition(b",")
                good += crc_hqx(payload, 0xFFFF) == int(crc, 16)
    return good


def compare(path: Path, rows: int, capsys: pytest.CaptureFixture[str]) -> None:
    path.write_bytes(log_of(ScriptedBoard(8), rows))
    size = path.stat().st_size
    assert len(read_run(path).seq) == plain_and_checked(path) == rows
    ours, theirs, checked = cpu_s(
        lambda: read_run(path), lambda: plain(path), lambda: plain_and_checked(path)
    )
    with capsys.disabled():
        print(f"\n{size / 1e6:.1f} MB, {rows} rows of 8 columns: {ours:.3f} s", end="; ")
        print(f"pandas alone, no check verified, {theirs:.3f} s ({ours / theirs:.1f}x)", end="; ")
        print(f"pandas and the checks {checked:.3f} s ({ours / checked:.2f}x)")
    # measured: 0.3 to 0.4 of the reader that verifies too, 1.0 to 1.2 times the one that does not; the
    # rest is room for a loaded machine
    assert ours < 0.8 * checked
    assert ours < 2.5 * theirs


def test_reading_a_few_minutes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    compare(tmp_path / "run.csv", 60_000, capsys)


def test_memory_stays_within_three_times_the_file(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_bytes(log_of(ScriptedBoard(8), 150_000))
    tracemalloc.start()
    try:
        read_run(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 3 * path.stat().st_size


@pytest.mark.slow
def test_reading_an_hour(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    compare(tmp_path / "run.csv", 720_000, capsys)

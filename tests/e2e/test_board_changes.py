"""A board that describes itself anew within a log: each part is read by its own note.

Logs by hand (fakes/oddlog.py). Every expected pressure is counts times Pa per count of the note that holds
there; rows tremble by one count, which the tolerances allow for.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from fakes.oddlog import CAR, OddLog, column, device
from fakes.program import undertray

COUNTS = [8192 + 2000] * 2  # 760 Pa at 0.38 Pa a count
FIRST = device([column("p1"), column("p2")])


def reduced(folder: Path, log: OddLog) -> dict[str, Any]:
    car = folder / "car.toml"
    car.write_text(CAR, encoding="utf-8")
    done = undertray("reduce", log.write(folder / "run.csv"), "--car", car, "--json")
    assert done.returncode == 0, done.stderr
    return {**json.loads(done.stdout), "said": done.stderr}


def pascals(folder: Path) -> list[list[float]]:
    """Suction of each row as 'export --pa' writes it."""
    out = folder / "pa.csv"
    done = undertray("export", folder / "run.csv", "--pa", "--out", out)
    assert done.returncode == 0, done.stderr
    head, *rows = [line.split(",") for line in out.read_text(encoding="utf-8").splitlines()]
    return [[float(row[head.index(f"{name}_pa")]) for name in ("p1", "p2")] for row in rows]


def both(tap: dict[str, float], first_pa: float, then_pa: float) -> None:
    """A tap read ``first_pa`` in half of the rows and ``then_pa`` in the other half."""
    assert tap["mean"] == pytest.approx((first_pa + then_pa) / 2, abs=4)
    assert tap["max"] == pytest.approx(max(first_pa, then_pa), abs=4)


def test_another_scale_holds_from_its_note_on(tmp_path: Path) -> None:
    log = OddLog().note(FIRST).rows(1000, COUNTS)
    log.note(device([column("p1", pa_per_count=3.8), column("p2")])).rows(1000, COUNTS)
    found = reduced(tmp_path, log)
    both(found["taps"]["front"], 760, 7600)
    both(found["taps"]["rear"], 760, 760)
    assert "the board's description changed at 5.00 s (p1: scale)" in found["said"]
    assert found["verdict"]["word"] != "held"
    pa = pascals(tmp_path)
    assert pa[999][0] == pytest.approx(760, abs=1)
    assert pa[1000][0] == pytest.approx(7600, abs=4)
    assert "changed    from 5.000 s on: p1: scale" in undertray("inspect", tmp_path / "run.csv").stdout


def test_a_flipped_port_turns_the_sign(tmp_path: Path) -> None:
    log = OddLog().note(FIRST).rows(1000, COUNTS)
    log.note(device([column("p1", port="high"), column("p2")])).rows(1000, [8192 - 2000, 8192 + 2000])
    found = reduced(tmp_path, log)
    both(found["taps"]["front"], 760, 760)
    assert found["events"] == []
    assert "p1: port" in found["said"]


def test_another_range_has_another_zero_and_another_limit(tmp_path: Path) -> None:
    log = OddLog().note(FIRST).rows(1000, COUNTS)
    other = {**column("p1", pa_per_count=0.1, zero=1638, min=1638, max=10_000), "range": "005NG"}
    log.note(device([other, column("p2")])).rows(1000, COUNTS)
    found = reduced(tmp_path, log)
    # 10192 counts are beyond the 10000 of the second part, not of the first
    both(found["taps"]["front"], 760, (10_192 - 1638) * 0.1)
    assert found["taps"]["front"]["saturated_s"] == pytest.approx(5, abs=0.02)
    assert "p1: range, scale" in found["said"]


def test_columns_in_another_order_are_read_by_their_names(tmp_path: Path) -> None:
    log = OddLog().note(FIRST).rows(1000, [8192 + 2000, 8192 + 1000])
    log.note(device([column("p2"), column("p1")])).rows(1000, [8192 + 1000, 8192 + 2000])
    found = reduced(tmp_path, log)
    both(found["taps"]["front"], 760, 760)
    both(found["taps"]["rear"], 380, 380)
    assert "order of the columns" in found["said"]
    assert [round(p[0] / 760, 2) for p in pascals(tmp_path)] == [1.0] * 2000


def refused(folder: Path, log: OddLog, *words: str) -> None:
    car = folder / "car.toml"
    car.write_text(CAR, encoding="utf-8")
    path = log.write(folder / "run.csv")
    for command in (("reduce", path, "--car", car), ("export", path, "--pa", "--out", folder / "out.csv")):
        done = undertray(*command)
        assert (done.returncode, done.stdout) == (1, "")
        assert len(done.stderr.splitlines()) == 1
        for word in words:
            assert word in done.stderr, done.stderr


def test_a_column_that_is_named_otherwise_later_is_missing_there(tmp_path: Path) -> None:
    log = OddLog().note(FIRST).rows(1000, COUNTS)
    log.note(device([column("p1"), column("q2")])).rows(1000, COUNTS)
    refused(tmp_path, log, "no pressure column p2 from row 1001 on", "one of p1, q2")


@pytest.mark.parametrize("boot", [7, 8])
def test_another_board_is_an_error_that_says_what_to_do(tmp_path: Path, boot: int) -> None:
    log = OddLog().note(FIRST).rows(1000, COUNTS)
    log.note(device([column("p1"), column("p2")], uid="0badf00d", boot=boot)).rows(1000, COUNTS)
    refused(
        tmp_path, log, "rows of two boards in one log, from row 1001 on", "0badf00d", "cut a copy of the log"
    )
    done = undertray("inspect", tmp_path / "run.csv")
    assert "board e6614103e7 to 0badf00d" in done.stdout


def test_another_board_of_which_no_row_came_is_none(tmp_path: Path) -> None:
    log = OddLog().note(device([column("p1"), column("p2")], uid="0badf00d")).note(FIRST).rows(1000, COUNTS)
    log.note(device([column("p1"), column("p2")], uid="0badf00d"))
    both(reduced(tmp_path, log)["taps"]["front"], 760, 760)


def test_a_description_at_the_end_only_is_that_of_all(tmp_path: Path) -> None:
    log = OddLog().rows(1000, COUNTS).note(device([column("p1", pa_per_count=1.0), column("p2")]))
    both(reduced(tmp_path, log)["taps"]["front"], 2000, 2000)


def test_rows_that_come_before_the_board_says_that_it_was_off_are_of_the_new_description(
    tmp_path: Path,
) -> None:
    log = OddLog().note(FIRST).rows(1000, COUNTS)
    log.seq = 0
    log.us += 3_000_000
    log.rows(50, COUNTS).note(device([column("p1", pa_per_count=0.19), column("p2")], boot=8)).rows(
        950, COUNTS
    )
    found = reduced(tmp_path, log)
    both(found["taps"]["front"], 760, 380)
    pa = pascals(tmp_path)
    assert [round(pa[row][0] / 380) for row in (999, 1000, 1049, 1050)] == [2, 1, 1, 1]


def test_the_same_description_again_changes_nothing(tmp_path: Path) -> None:
    log = OddLog().note(FIRST).rows(1000, COUNTS).note(FIRST).rows(1000, COUNTS)
    log.note(device([column("p1"), column("p2")], boot=9, firmware="0.2.0")).rows(10, COUNTS)
    assert "description changed" not in reduced(tmp_path, log)["said"]


@pytest.mark.parametrize("noted", [True, False])
def test_another_rate_is_counted_in_seconds(tmp_path: Path, noted: bool) -> None:
    """760 Pa are too little for 20 kg: never held, for all of the 10 s and the 40 s, and no gap is told."""
    log = OddLog().note(FIRST).rows(2000, COUNTS)
    log.period_us = 40_000
    if noted:
        log.note(device([column("p1"), column("p2")], rate_hz=25))
    log.rows(1000, COUNTS)
    (tmp_path / "car.toml").write_text(CAR.replace("mass = 2.0", "mass = 20.0"), encoding="utf-8")
    done = undertray("reduce", log.write(tmp_path / "run.csv"), "--car", tmp_path / "car.toml", "--json")
    found = json.loads(done.stdout)
    assert found["hold"]["below_s"] == pytest.approx(50, abs=0.1)
    assert [e for e in found["events"] if e["kind"] == "data-gap"] == []
    assert "the rate went from 200 to 25 Hz at 10.00 s" in done.stderr

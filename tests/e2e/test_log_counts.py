"""What is lost, bad or there twice in a log: every command tells the same, whatever the number.

The logs are written by hand (fakes/oddlog.py), so the counts expected here are known by construction.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from fakes.oddlog import CAR, OddLog, column, device
from fakes.program import undertray
from fakes.server import Script, tcp_board

BOARD = device([column("p1"), column("p2")])
AT_1000_PA = 8192 + round(1000 / 0.38)
DRIVE = [AT_1000_PA, AT_1000_PA]


def answers(folder: Path, log: OddLog, end: str | None = '{"why": "stopped"}') -> list[dict[str, Any]]:
    """What reduce, inspect and sessions say of a log, as their --json."""
    (folder / "runs").mkdir()
    path, car = log.write(folder / "runs" / "run.csv", end), folder / "car.toml"
    car.write_text(CAR, encoding="utf-8")
    found = []
    for words in (
        ("reduce", path, "--car", car, "--json"),
        ("inspect", path, "--json"),
        ("sessions", folder / "runs", "--car", car, "--json", "--no-cache"),
    ):
        done = undertray(*words)
        assert done.returncode == 0, (words, done.stderr)
        said = json.loads(done.stdout)
        found.append({**(said[0] if isinstance(said, list) else said), "said": done.stderr})
    return found


@pytest.mark.parametrize("lost", [1, 400, 40_000, 59_000, 65_535, 65_536, 200_000, 10_000_000])
def test_all_tell_the_same_loss(tmp_path: Path, lost: int) -> None:
    log = OddLog().note(BOARD).rows(400, DRIVE).skip(lost).rows(400, DRIVE)
    told = answers(tmp_path, log)
    assert [one["lost_rows"] for one in told] == [lost] * 3
    # 800 rows of 5 ms and the time in which none came
    assert told[0]["duration_s"] == pytest.approx((799 + lost) * 0.005, abs=1e-6)


def test_a_log_that_cannot_be_reduced_leaves_the_others_in_the_list(tmp_path: Path) -> None:
    OddLog().note(BOARD).rows(400, DRIVE).skip(70_000).rows(400, DRIVE).write(tmp_path / "gap.csv")
    other = device([column("p1"), column("p2")], boot=8)
    OddLog().note(other).rows(400, DRIVE).write(tmp_path / "whole.csv")
    (tmp_path / "car.toml").write_text(CAR, encoding="utf-8")
    for more in ((), ("--json",)):
        done = undertray("sessions", tmp_path, "--car", tmp_path / "car.toml", *more)
        assert done.returncode == 0, done.stderr
        assert "whole.csv" in done.stdout
        assert "gap.csv" in done.stdout


def again(log: OddLog, first: int, last: int, host: bool = True) -> None:
    """Put lines of a log in once more; with the host's time of now, or as they stood."""
    for line in log.lines[first:last]:
        log.lines.append(b"%d,%s" % (5000 + log.us, line.split(b",", 1)[1]) if host else line)


@pytest.mark.parametrize("host", [True, False], ids=["sent again", "copied in the file"])
@pytest.mark.parametrize("block", [1, 300])
def test_rows_that_come_twice_count_once_and_are_told(tmp_path: Path, block: int, host: bool) -> None:
    log = OddLog().note(BOARD).rows(400, DRIVE)
    again(log, len(log.lines) - block, len(log.lines), host)
    log.rows(400, DRIVE)
    told = answers(tmp_path, log)
    assert [one.get("duplicate_rows") for one in told] == [block] * 3
    assert [one["lost_rows"] for one in told] == [0] * 3
    assert (told[0]["rows"], told[1]["rows"]) == (800, 800)
    assert len(told[1]["segments"]) == 1
    assert told[0]["duration_s"] == pytest.approx(799 * 0.005, abs=1e-6)
    assert f"{block} row{'s' * (block > 1)} came twice" in told[0]["said"]


def test_a_log_pasted_behind_itself_counts_once(tmp_path: Path) -> None:
    log = OddLog().note(BOARD).rows(50_000, DRIVE)
    again(log, 4, len(log.lines), host=False)
    told = answers(tmp_path, log)
    assert [one.get("duplicate_rows") for one in told] == [50_000] * 3
    assert (told[0]["rows"], told[0]["lost_rows"]) == (50_000, 0)


@pytest.mark.parametrize("later_us", [0, 700])
def test_one_slot_told_in_two_ways_is_said(tmp_path: Path, later_us: int) -> None:
    log = OddLog().note(BOARD).rows(400, DRIVE)
    log.seq, log.us = log.seq - 1, log.us - log.period_us + later_us
    log.rows(1, [9000, 9000])
    log.us -= later_us
    log.rows(400, DRIVE)
    told = answers(tmp_path, log)
    assert [one.get("duplicate_rows") for one in told] == [1] * 3
    assert told[0]["lost_rows"] == 0
    assert "1 row came twice, 1 of them with other content" in told[0]["said"]


def test_a_board_that_boots_anew_sends_no_duplicates(tmp_path: Path) -> None:
    """It may count from the same slot and tick again, and send rows before it says that it was off."""
    log = OddLog().note(BOARD).rows(400, DRIVE)
    first = [line for line in log.lines if line[:1].isdigit()][:100]
    log.us += 2_000_000
    for i, line in enumerate(first):
        log.lines.append(b"%d,%s" % (5000 + log.us + 5000 * i, line.split(b",", 1)[1]))
    log.note(device([column("p1"), column("p2")], boot=8))
    told = answers(tmp_path, log)
    assert [one.get("duplicate_rows") for one in told] == [0] * 3
    assert (told[0]["rows"], len(told[1]["segments"])) == (500, 2)


def test_the_line_for_people_tells_it_too(tmp_path: Path) -> None:
    log = OddLog().note(BOARD).rows(400, DRIVE)
    again(log, len(log.lines) - 3, len(log.lines))
    done = undertray("inspect", log.rows(10, DRIVE).write(tmp_path / "run.csv"))
    assert "twice      3 rows, 0 of them with other content" in done.stdout


def sends(*logs: OddLog) -> list[Script]:
    """What the board sends of some logs, one a connection."""

    def script(log: OddLog, wait_s: float) -> Script:
        stamped = [
            line.removeprefix(b"#wire ") for line in log.lines if line[:1].isdigit() or b"#wire" in line
        ]
        text = b"".join(line.replace(b" ", b",", 1).split(b",", 1)[1] + b"\n" for line in stamped)
        return lambda send, over: (send(text), over.wait(wait_s))[0]

    return [script(log, 60.0 if log is logs[-1] else 0.0) for log in logs]


@pytest.mark.parametrize("boot", [7, 8])
def test_record_its_end_line_and_inspect_tell_the_same(tmp_path: Path, boot: int) -> None:
    """A link that comes back: 400 slots are missing if the board ran through, none is known if it was off."""
    first, second = OddLog().note(BOARD).rows(200, DRIVE), OddLog()
    again(first, len(first.lines) - 5, len(first.lines))
    first.rows(200, DRIVE).lines.append(b"0,what is this")
    second.seq, second.us = first.seq + 400, first.us + 2_000_000
    if boot == 8:
        second.seq = second.us = 0
    second.rows(20, DRIVE).note(device([column("p1"), column("p2")], boot=boot)).rows(100, DRIVE)
    out = tmp_path / "run.csv"
    with tcp_board(*sends(first, second)) as url:
        done = undertray("record", "--port", url, "--out", out, "--wait", "0.3", "--seconds", "0.5")
    lost = 400 if boot == 7 else 0
    assert f"{lost} lost, 1 bad, 5 twice" in done.stderr, done.stderr
    end = json.loads(out.read_bytes().splitlines()[-1].removeprefix(b"#end "))
    assert (end["lost"], end["bad"], end["duplicate"]) == (lost, 1, 5)
    found = json.loads(undertray("inspect", out, "--json").stdout)
    assert (found["lost_rows"], found["bad_lines"], found["duplicate_rows"]) == (lost, 1, 5)
    assert len(found["segments"]) == (1 if boot == 7 else 2)

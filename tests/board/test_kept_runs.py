"""Runs kept on the board, with the memory and the flash that a board has."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest

from board.emulated import EmulatedBoard, folder_of, needs_board
from firmware.runs import board, needs_micropython, notes, rows, simulate
from undertray.acquire.wire import Bad, parse_line

pytestmark = needs_board

COUNTS = (8192, 8300, 8100, 8250)
NOISE = 10
STALL = 8  # the flag of a row that flash may have made late
HEART = 22
SLOT_US = 5000


def prepared(emulated: EmulatedBoard, noise: int = NOISE) -> None:
    """Turn the store on, and wait until its sectors are ready."""
    emulated.counts(COUNTS, noise)
    emulated.throttle(1000)
    emulated.boot()
    assert emulated.ask("store on")["ok"] is True
    for _ in range(60):
        told = notes([*emulated.run(1.0), b""], "status")
        if told and told[-1]["store"] == "waiting":
            break
    emulated.lines.clear()


def drive(emulated: EmulatedBoard, seconds: float) -> tuple[list[bytes], dict[str, Any]]:
    """Throttle up and down again; gives what was sent until the run was written, and what was told of it."""
    emulated.throttle(1500)
    emulated.run(seconds)
    emulated.throttle(1000)
    emulated.run(12, heard='"to":"store"')
    lines = [line.text for line in emulated.lines]
    return lines, notes([*lines, b""], "reply")[-1]


def fetched(emulated: EmulatedBoard, number: int = 1, seconds: float = 10) -> list[bytes]:
    """Fetch a run while the store is on; every line of it is good, and the digest is that of all."""
    emulated.ask("stop")
    emulated.lines.clear()
    begin = emulated.ask(f"fetch {number}", 20)
    emulated.run(seconds, heard='"done":true')
    lines = [line.text for line in emulated.lines]
    first = next(i for i, line in enumerate(lines) if b'"to":"fetch"' in line)
    last = next(i for i, line in enumerate(lines) if b'"done":true' in line)
    kept = lines[first + 1 : last]
    assert sum(len(line) + 1 for line in kept) == begin["bytes"]
    digest = hashlib.sha256(b"".join(line + b"\n" for line in kept)).hexdigest()
    assert notes([lines[last], b""], "reply")[0]["sha256"] == digest
    assert not [line for line in kept if isinstance(parse_line(line), Bad)]
    return kept


def late_us(kept: list[list[bytes]]) -> list[int]:
    """How late each slot came, against the earliest of the run."""
    seq, t_us = (
        [int(row[0]) for row in kept],
        [int(row[1]) for row in kept],
    )
    off = [t - (n - seq[0]) % 65536 * SLOT_US for n, t in zip(seq, t_us, strict=True)]
    return sorted(value - min(off) for value in off)


@pytest.mark.slow
@pytest.mark.parametrize("where", ["memory", "flash"])
def test_a_kept_drive_costs_no_slot(tmp_path: Path, where: str) -> None:
    with EmulatedBoard(tmp_path, board(store={"where": where, "sectors": 3})) as emulated:
        prepared(emulated)
        emulated.events.clear()
        lines, told = drive(emulated, 0.8)
        operations = [event for event in emulated.events if "flash" in event]
        kept = fetched(emulated)
        assert emulated.ask("erase 1")["ok"] is True
        assert emulated.ask("runs")["runs"] == []
    live = [line for line in lines if line[:1].isdigit()]
    stored = [line for line in kept if line[:1].isdigit()]
    assert (told["ok"], told["rows"]) == (True, len(stored))
    assert 550 <= len(stored) <= 570  # 0.8 s, and two until it is taken for the end
    assert set(stored) <= set(live)
    fields = rows([*kept, b""])
    seq = [int(row[0]) for row in fields]
    assert seq == list(range(seq[0], seq[0] + len(seq)))
    assert not [row for row in fields if int(row[3], 16) & 1]
    # nothing is erased while a run lasts or is written, and the row that a page took its time from says so
    assert {event["flash"] for event in operations} == {"program"}
    flagged = [row for row in fields if int(row[3], 16) & STALL]
    late = late_us(fields)
    if where == "flash":
        # the description takes five pages at the begin, then a page has some 60 rows
        assert 9 <= len(flagged) <= 5 + 0.02 * len(fields)
        assert late[-1] <= 600
        # status notes tell the free memory as it is, and a page written takes some
        assert len({note["free_bytes"] for note in notes([*lines, b""], "status")}) > 1
    else:
        assert not flagged
        assert late[-1] <= 250


@pytest.mark.slow
def test_a_drive_longer_than_its_place_says_what_is_missing(tmp_path: Path) -> None:
    given = board(rate_hz=400, store={"where": "flash", "sectors": 2}, heartbeat_pin=HEART)
    with EmulatedBoard(tmp_path, given, watch=[HEART]) as emulated:
        prepared(emulated, 3000)
        lines, told = drive(emulated, 1.5)
        emulated.run(1.2)
        answer = emulated.ask("info")
        beats = [(event["t"], event["level"]) for event in emulated.events if event.get("pin") == HEART]
        kept = fetched(emulated)
    stored = rows([*kept, b""])
    missing = told["missing_rows"]
    assert missing > 200
    # kept and missing are the slots from throttle up to two seconds after it is down; the receiver tells
    # a width every 20 ms, which are 8 slots
    assert abs(len(stored) + missing - 3.5 * 400) <= 10
    short = {"rows": len(stored), "missing_rows": missing, "cut": True, "why": "board flash full"}
    assert {key: told[key] for key in short} == short
    assert notes([*kept, b""], "kept") == [short]
    assert (answer["cut"], answer["missing_rows"]) == (True, missing)
    full = [note for note in notes([*lines, b""], "status") if note.get("store") == "full"]
    assert full[-1]["missing_rows"] > 0
    on, off = [[t for t, level in beats if level == wanted][-2:] for wanted in (1, 0)]
    # half a second in place of the twentieth of it that a heartbeat takes
    assert any(abs(b - a - 0.5) < 0.02 for a in on for b in off), beats[-4:]


@pytest.mark.slow
@needs_micropython
@pytest.mark.parametrize("whole", [False, True])
def test_a_loss_of_power_at_any_flash_operation_costs_two_seconds_at_most(
    tmp_path: Path, whole: bool
) -> None:
    given = board(store={"where": "flash", "sectors": 3})
    with EmulatedBoard(tmp_path / "board", given) as emulated:
        if whole:  # the making of the sectors as well
            emulated.shots(tmp_path / "shots")
        prepared(emulated)
        if not whole:
            emulated.events.clear()
            emulated.shots(tmp_path / "shots")
        begin_s = emulated.now_s
        drive(emulated, 0.8)
        end_s = emulated.now_s
        emulated.ask("erase 1")
        sent = [(line.t_s, line.text.split(b",")) for line in emulated.lines if line.text[:1].isdigit()]
        operations = [event for event in emulated.events if "flash" in event]
    shots = sorted((tmp_path / "shots").iterdir(), key=lambda path: int(path.stem))
    assert len(shots) == len(operations) > 10
    known = [row for _, row in sent]
    lost_s = []
    for shot, event in zip(shots, operations, strict=True):
        # the file system is whole, and the firmware on a PC reads its shelf
        here = tmp_path / shot.stem
        (here / "shelf").mkdir(parents=True)
        for name, content in folder_of(shot.read_bytes(), "shelf").items():
            (here / "shelf" / name).write_bytes(content)
        script = [[100_000, "stop"], [200_000, "fetch 1"]]
        out = simulate(here, board=given, script=script, throttle_us=1000, end_us=2_000_000)
        text = out[next(i for i, line in enumerate(out) if b'"to":"fetch"' in line) :]
        done = [i for i, line in enumerate(text) if b'"done":true' in line]
        if event["t"] < begin_s or event["t"] > end_s:
            assert b"no run '1'" in text[0]  # none yet, or none any more
            continue
        live = [row for t_s, row in sent if t_s <= event["t"]]
        if not done:
            lost_s.append(event["t"] - begin_s)
            continue
        lines = text[1 : done[0]]
        assert not [line for line in lines if isinstance(parse_line(line), Bad)]
        stored = rows([*lines, b""])
        assert [row for row in stored if row not in known] == []
        lost_s.append((int(live[-1][1]) - int(stored[-1][1])) / 1e6 if stored else event["t"] - begin_s)
        (end,) = notes([*lines, b""], "kept")
        assert end.get("why", "power went before its end") == "power went before its end"
    assert len(lost_s) > 10
    assert max(lost_s) < 2
    assert lost_s[-1] < 0.1  # the end of the run was written
    assert "cut" not in end


@pytest.mark.slow
def test_a_hundred_seconds_in_memory_with_no_slot_late(tmp_path: Path) -> None:
    with EmulatedBoard(tmp_path, board(store={"where": "memory"})) as emulated:
        prepared(emulated)
        emulated.ask("stop")
        _, told = drive(emulated, 98.2)
        kept = rows([*fetched(emulated, seconds=60), b""])
    assert (told["ok"], told.get("missing_rows", 0)) == (True, 0)
    assert len(kept) == told["rows"] >= 100 * 200
    late = late_us(kept)
    assert late[int(0.99 * len(late))] <= 250
    assert late[-1] <= 600
    assert not [row for row in kept if int(row[3], 16) & (1 | STALL)]


@pytest.mark.slow
def test_five_minutes_in_flash(tmp_path: Path) -> None:
    with EmulatedBoard(tmp_path, board(store={"where": "flash", "sectors": 80})) as emulated:
        prepared(emulated)
        emulated.events.clear()
        emulated.ask("stop")
        _, told = drive(emulated, 298.2)
        operations = {event["flash"] for event in emulated.events if "flash" in event}
        kept = rows([*fetched(emulated, seconds=150), b""])
    assert (told["ok"], told.get("missing_rows", 0)) == (True, 0)
    assert len(kept) == told["rows"] >= 300 * 200
    assert operations == {"program"}
    flagged = [row for row in kept if int(row[3], 16) & STALL]
    assert len(flagged) <= 0.02 * len(kept)
    late = late_us(kept)
    assert late[int(0.99 * len(late))] <= 250
    assert late[-1] <= 600
    assert not [row for row in kept if int(row[3], 16) & 1]

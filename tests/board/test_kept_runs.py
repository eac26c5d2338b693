"""Runs kept on the board, with the memory that a board has."""

from __future__ import annotations

import hashlib
from pathlib import Path

from board.emulated import EmulatedBoard, needs_board
from firmware.runs import board, notes, rows
from undertray.acquire.wire import Bad, parse_line

RATE_HZ = 300  # the memory is full sooner


@needs_board
def test_a_drive_longer_than_the_memory_is_kept_and_says_what_is_missing(tmp_path: Path) -> None:
    with EmulatedBoard(tmp_path, board(rate_hz=RATE_HZ)) as emulated:
        emulated.throttle(1000)
        emulated.boot()
        on = emulated.ask("store on")
        assert on["ok"] is True
        drive_s = on["rows"] / RATE_HZ + 0.5
        emulated.throttle(1500)
        up_s = emulated.now_s
        emulated.run(drive_s)
        emulated.throttle(1000)
        down_s = emulated.now_s
        live = emulated.run(10, heard='"to":"store"')
        (written,) = notes([*live, b""], "reply")
        emulated.ask("stop")
        begin = emulated.ask("fetch 1")
        emulated.run(10, heard='"done":true')
        lines = [line.text for line in emulated.lines]
    first = next(i for i, line in enumerate(lines) if b'"to":"fetch"' in line)
    last = next(i for i, line in enumerate(lines) if b'"done":true' in line)
    kept = lines[first + 1 : last]
    assert sum(len(line) + 1 for line in kept) == begin["bytes"]
    digest = hashlib.sha256(b"".join(line + b"\n" for line in kept)).hexdigest()
    assert notes([lines[last], b""], "reply")[0]["sha256"] == digest
    assert not [line for line in kept if isinstance(parse_line(line), Bad)]
    # one record a second is a note
    stored = rows([*kept, b""])
    assert on["rows"] - drive_s - 2 <= len(stored) <= on["rows"]
    assert [int(row[0]) for row in stored] == list(range(int(stored[0][0]), int(stored[0][0]) + len(stored)))
    # kept and missing are the slots from throttle up to two seconds after it is down; the receiver tells a
    # width every 20 ms, which are 6 slots, and the slot under way is one more
    slots = (down_s + 2 - up_s) * RATE_HZ
    missing = written["missing_rows"]
    assert abs(len(stored) + missing - slots) <= 7
    assert missing > 2 * RATE_HZ
    told = {"rows": len(stored), "missing_rows": missing, "cut": True, "why": "board memory full"}
    assert {key: written[key] for key in told} == told
    assert written["ok"] is True
    assert notes([*kept, b""], "kept") == [told]
    # while it was short of memory every status note said so
    full = [note for note in notes([line for line in live if line], "status") if note.get("store") == "full"]
    assert [note["missing_rows"] for note in full] == sorted({note["missing_rows"] for note in full})
    assert full[-1]["missing_rows"] > 0

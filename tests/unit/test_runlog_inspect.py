"""What is in a log, told."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from fakes.board import ScriptedBoard, device_line, log_of
from fakes.program import undertray
from undertray.acquire.inspection import inspect_run
from undertray.acquire.runlog import read_run
from undertray.acquire.wire import Row, encode_note, encode_row


def troubled(tmp_path: Path) -> Path:
    """Two power-ups, a gap, a fault, a stale and a missing reading, cut off."""
    first, second = ScriptedBoard(2, boot=1), ScriptedBoard(2, boot=2, rate_hz=100)
    notes = '{"surface": "glass", "list": [1, true], "in": {"in": {"in": {"in": null}}}}'
    text = log_of(first, 100, facts=f'{{"skirt": "soft\\u001b[2J", "notes": {notes}}}', end=False)
    first.slot += 40
    text += b"".join(b"%d," % (5123 + 5000 * (140 + i)) + first.line() for i in range(60))
    text += encode_and_stamp(1_000_000, "status", {"pack_mv": 7400, "skipped": 3, "read_errors": [0, 2]})
    text += encode_and_stamp(1_010_000, "status", {"pack_mv": 7350, "skipped": 4, "read_errors": [0, 5]})
    text += encode_and_stamp(1_020_000, "fault", {"column": "p2", "why": "crc", "t_us": 1})
    text += encode_and_stamp(1_030_000, "fault", {"column": "p9", "why": "crc", "t_us": 1})
    text += b"#bad 1040000 noise\n"
    text += b"#wire 2000000 " + second.device_line()
    text += b"".join(b"%d," % (2_000_000 + 10_000 * i) + second.line() for i in range(50))
    odd = Row(50, 81_235 + 50 * 10_000, None, 1 << 9, (None, 77))
    path = tmp_path / "troubled.csv"
    path.write_bytes(text + b"2500000," + encode_row(odd) + b"25100")
    return path


def encode_and_stamp(host_us: int, kind: str, data: dict[str, object]) -> bytes:
    return b"#wire %d " % host_us + encode_note(kind, data)


def test_an_inspection_finds_it_all(tmp_path: Path) -> None:
    found = inspect_run(read_run(troubled(tmp_path)))
    assert (found.rows, found.bad_lines, found.lost_rows, found.cut_off) == (211, 1, 40, True)
    assert [(s.rows, s.rate_hz) for s in found.segments] == [
        (160, pytest.approx(200)),
        (51, pytest.approx(100)),
    ]
    assert len(found.gaps) == 2
    assert found.columns[1].faults == {"crc": 1}
    assert (found.columns[0].missing, found.columns[1].stale) == (1, 1)
    assert (found.columns[1].lowest, found.columns[1].read_errors) == (77, 5)
    assert (found.skipped, found.pack_v) == (4, (7.35, 7.4))
    assert json.loads(json.dumps(found.as_dict(), allow_nan=False))["rows"] == 211


def test_a_log_without_rows_is_inspected_too(tmp_path: Path) -> None:
    path = tmp_path / "empty.csv"
    path.write_bytes(b"#undertray-run 1\n#wire 1 " + device_line())
    found = inspect_run(read_run(path))
    assert (found.rows, found.rate_hz, found.segments) == (0, None, ())


@pytest.mark.parametrize("junk", [True, "x", -1, [1], {"a": 1}, 10**400, 1.5, None])
def test_notes_of_a_stranger_do_no_harm(tmp_path: Path, junk: object) -> None:
    path = tmp_path / "run.csv"
    text = log_of(ScriptedBoard(2), 3, end=False)
    status = {"pack_mv": junk, "skipped": junk, "read_errors": junk}
    text += encode_and_stamp(30_000, "status", status)
    text += encode_and_stamp(30_001, "status", status | {"read_errors": [junk]})
    text += encode_and_stamp(30_002, "fault", {"column": junk, "why": junk})
    path.write_bytes(text + b'#end {"why": [1]}\n')
    found = inspect_run(read_run(path))
    assert (found.skipped, found.pack_v, found.why) == (None, None, None)


def test_the_command_tells_it_in_plain_lines(tmp_path: Path) -> None:
    done = undertray("inspect", troubled(tmp_path))
    assert done.returncode == 0
    assert done.stdout.startswith("troubled.csv: 211 rows")  # the file, as it is found in the folder
    assert "CUT OFF" in done.stdout
    look = " ".join(done.stdout.split("look at", 1)[1].split("\nskirt")[0].split())
    assert look == (
        "the recording has no end; cut short; 40 rows lost; 4 slots skipped by the board; 1 bad line; 2 gaps;"
        " 1 time that the board began anew; p1: 1 missing; p2: 5 not read, 1 fault"
    )
    assert "1 x crc" in done.stdout
    assert "lost       40 rows, 15.9% of all; the board" in done.stdout  # derived: 40 of 211 + 40
    assert re.search(r"^gaps +\d+, \d+\.\d{3} s in all$", done.stdout, re.M)
    assert "\x1b" not in done.stdout  # the facts held an escape
    assert not set("{}'") & set(done.stdout)  # no structure of a program
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert json.loads(undertray("inspect", troubled(tmp_path), "--json").stdout)["lost_rows"] == 40

"""Runs kept on the board: the same rows as live ones, and a loss of power costs one run at most."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest

from firmware.runs import board, engines, notes, rows, run_code, simulate
from undertray.acquire.wire import Bad, parse_line

DRIVE = [[1_000_000, {"throttle_us": 1500}], [3_000_000, {"throttle_us": 1000}]]


def _run(folder: Path, engine: str, script: list[Any], **scenario: Any) -> list[bytes]:
    scenario = {"end_us": 7_000_000, "throttle_us": 1000, "changes": DRIVE, **scenario}
    return simulate(folder, engine, script=script, **scenario)


def _fetched(lines: list[bytes]) -> list[bytes]:
    marks = [i for i, line in enumerate(lines) if line.startswith(b"#reply") and b'"to":"fetch"' in line]
    return lines[marks[0] + 1 : marks[1]]


@engines
def test_a_kept_run_has_the_rows_of_the_live_one(tmp_path: Path, engine: str) -> None:
    script = [[500_000, "store on"], [6_000_000, "stop"], [6_100_000, "fetch 1"], [6_900_000, "runs"]]
    lines = _run(tmp_path, engine, script)
    kept = _fetched(lines)
    assert not [line for line in kept if isinstance(parse_line(line), Bad)]
    before = next(i for i, line in enumerate(lines) if b'"to":"fetch"' in line)
    live = [line for line in lines[:before] if line[:1].isdigit()]
    stored = [line for line in kept if line[:1].isdigit()]
    # from throttle up (seen at its first pulse) to two seconds after it is down
    at = [int(line.split(b",")[1]) for line in stored]
    assert 1_000_000 <= at[0] <= 1_030_000
    assert 4_990_000 <= at[-1] <= 5_030_000
    assert len(stored) == pytest.approx(800, abs=8)
    # every kept row was also sent, and is the same to the byte
    assert set(stored) <= set(live)
    assert kept[0] == next(line for line in lines if line.startswith(b"#device"))
    status = notes([*kept, b""], "status")
    assert [note["temperature_c"] for note in status] == [[25.03] * 4] * 4
    begin, end = [note for note in notes(lines, "reply") if note["to"] == "fetch"]
    assert begin["bytes"] == sum(len(line) + 1 for line in kept)
    assert end["sha256"] == hashlib.sha256(b"".join(line + b"\n" for line in kept)).hexdigest()
    told = [note for note in notes(lines, "reply") if note["to"] == "store"]
    assert told[0]["begins"] == "when the throttle goes up"
    assert told[0]["seconds"] == told[0]["rows"] // 200
    assert (told[1]["run"], told[1]["rows"]) == (1, len(stored))
    assert notes(lines, "reply")[-1]["runs"] == [{"run": 1, "bytes": begin["bytes"]}]


@engines
def test_two_drives_are_two_runs_and_one_can_be_erased(tmp_path: Path, engine: str) -> None:
    changes = [*DRIVE, [6_000_000, {"throttle_us": 1500}], [6_500_000, {"throttle_us": 1000}]]
    script = [[500_000, "store on"], [9_000_000, "erase 1"], [9_100_000, "runs"], [9_200_000, "fetch 1"]]
    lines = _run(tmp_path, engine, script, changes=changes, end_us=9_600_000)
    assert [entry["run"] for entry in notes(lines, "reply")[-2]["runs"]] == [2]
    assert notes(lines, "reply")[-1]["why"] == "no run '1', there are: [2]"


@engines
def test_without_a_throttle_pin_it_keeps_from_on_to_off(tmp_path: Path, engine: str) -> None:
    script = [[500_000, "store on"], [1_500_000, "store off"], [2_000_000, "runs"]]
    lines = simulate(tmp_path, engine, board(throttle=None), end_us=2_500_000, script=script)
    told = [note for note in notes(lines, "reply") if note["to"] == "store"]
    assert told[0]["begins"] == "now"
    assert told[-1]["rows"] == pytest.approx(200, abs=3)


@engines
def test_missing_negative_and_stale_readings_survive_packing(tmp_path: Path, engine: str) -> None:
    code = """
from array import array
from undertray.packed import pack, record_bytes, unpack
from undertray.wire import row
counts = array("i", [-1, 2**31 - 1, -(2**31) + 1, 8192, 0])
head = array("i", [65535, 2**30 - 1, 2200, 0x1507, 5])
status = bytearray([0, 1, 2, 4, 0])
buf, a, b = bytearray(3 * record_bytes(5)), bytearray(256), bytearray(256)
pack(buf, record_bytes(5), head, counts, status)
h, c, s = array("i", [0, 0, 0, 0, 5]), array("i", [0] * 5), bytearray(5)
unpack(buf, record_bytes(5), h, c, s)
print(a[: row(a, head, counts, status)] == b[: row(b, h, c, s)])
print(any(buf[: record_bytes(5)]), any(buf[2 * record_bytes(5) :]))
"""
    assert run_code(tmp_path, code, engine) == ["True", "False False"]


@engines
def test_full_memory_ends_the_keeping_not_the_run(tmp_path: Path, engine: str) -> None:
    code = """
import simclock
from stage import STAGE, load
from hostport import ScriptedPort
import undertray.app as app, undertray.store as store
store.Store.largest = 8000
simclock.CLOCK.simulate(8000000)
STAGE.set({"suction_pa": [0] * 4, "throttle_us": 1000,
           "changes": [[1000000, {"throttle_us": 1500}], [4000000, {"throttle_us": 1000}]]},
          load("board.json"))
app.run(ScriptedPort(simclock.CLOCK, [[500000, "store on"]], []), 1)
"""
    lines = [line.encode() for line in run_code(tmp_path, code, engine)] + [b""]
    told = [note for note in notes(lines, "reply") if note["to"] == "store"]
    kept = 4 * 68  # records of 30 bytes, 68 in a piece of 2 kB; four pieces are the first to hold 8000 // 30
    assert told[0]["rows"] == kept
    assert kept - 2 <= told[1]["rows"] <= kept  # one record a second is a note
    # the slots from 1 s to 4 s and two seconds more; a pulse comes every 20 ms, which are 4 slots
    assert abs(told[1]["rows"] + told[1]["missing_rows"] - 5 * 200) <= 5
    assert (told[1]["cut"], told[1]["why"]) == (True, "board memory full")
    states = [(note.get("store"), note.get("missing_rows")) for note in notes(lines, "status")]
    assert [state for state, _ in states[:2]] == ["keeping", "keeping"]
    full = [missing for state, missing in states if state == "full"]
    assert full == sorted(full)
    assert full[-1] > 500
    assert len(rows(lines)) > 1500


@engines
def test_a_full_flash_is_told_once_and_the_run_is_kept_for_another_try(tmp_path: Path, engine: str) -> None:
    code = """
import simclock
from stage import STAGE, load
from hostport import ScriptedPort
import undertray.app as app, undertray.store as store
simclock.CLOCK.simulate(8000000)
STAGE.set({"suction_pa": [0] * 4, "throttle_us": 1000,
           "changes": [[1000000, {"throttle_us": 1500}], [2000000, {"throttle_us": 1000}]]},
          load("board.json"))
real = open
def full(name, mode="r"):
    if mode == "wb" and simclock.CLOCK.now_us() < 6000000:
        raise OSError(28, "ENOSPC")
    return real(name, mode)
store.open = full
script = [[500000, "store on"], [5000000, "store off"], [6500000, "store off"]]
app.run(ScriptedPort(simclock.CLOCK, script, []), 1)
"""
    lines = [line.encode() for line in run_code(tmp_path, code, engine)] + [b""]
    told = [note for note in notes(lines, "reply") if note["to"] == "store"]
    # on; the drive's end fails; off is answered and fails; off is answered and works
    assert [note["ok"] for note in told] == [True, False, True, False, True, True]
    assert "still in memory" in told[1]["why"]
    assert told[-1]["rows"] == pytest.approx(600, abs=8)


@engines
@pytest.mark.parametrize("when", ["write", "rename"])
def test_power_lost_while_writing_costs_that_run_only(tmp_path: Path, engine: str, when: str) -> None:
    code = f"""
import os, simclock
from stage import STAGE, load
from hostport import ScriptedPort
import undertray.app as app, undertray.store as store

class PowerLost(BaseException):
    pass

def board(cut):
    simclock.CLOCK.simulate(6000000)
    STAGE.set({{"suction_pa": [0] * 4, "throttle_us": 1000,
               "changes": [[1000000, {{"throttle_us": 1500}}], [2000000, {{"throttle_us": 1000}}]]}},
              load("board.json"))
    real_put, real_rename = store.Store._put, os.rename
    count = [0]
    def put(self, file, at):
        count[0] += 1
        if cut == "write" and count[0] == 100:
            raise PowerLost()
        return real_put(self, file, at)
    class Os:
        def __getattr__(self, name):
            return getattr(os, name)
        def rename(self, a, b):
            if cut == "rename":
                raise PowerLost()
            real_rename(a, b)
    store.Store._put = put
    store.os = Os()
    port = ScriptedPort(simclock.CLOCK, [[500000, "store on"]], [])
    port.write = lambda buf, start, n: n
    try:
        app.run(port, 1)
    except (PowerLost, SystemExit):
        pass
    store.Store._put = real_put
    store.os = os
    print(sorted(os.listdir("runs")))

board(None)
board({when!r})
board(None)
"""
    assert run_code(tmp_path, code, engine) == [
        "['00001.csv']",
        "['00001.csv', '00002.tmp']",
        "['00001.csv', '00002.csv']",
    ]


@engines
def test_a_flash_that_cannot_be_read_does_not_stop_the_start(tmp_path: Path, engine: str) -> None:
    (tmp_path / "runs").write_text("not a folder", encoding="utf-8")
    lines = _run(
        tmp_path, engine, [[500_000, "store on"], [600_000, "selftest"], [700_000, "runs"]], end_us=1_000_000
    )
    assert len(rows(lines)) > 150
    replies = {note["to"]: note for note in notes(lines, "reply")}
    assert replies["store"]["ok"] is False
    assert "flash" in replies["store"]["why"]
    assert replies["selftest"]["good"] is False
    assert replies["runs"]["runs"] == []


@engines
def test_nor_does_it_where_board_json_wants_runs_kept_from_the_start(tmp_path: Path, engine: str) -> None:
    (tmp_path / "runs").write_text("not a folder", encoding="utf-8")
    lines = simulate(tmp_path, engine, board(store={"at_boot": True}), end_us=1_000_000)
    assert len(rows(lines)) > 150
    assert [note["ok"] for note in notes(lines, "reply")] == [False]


@engines
def test_fetch_is_refused_while_rows_flow_and_gives_up_on_a_deaf_host(tmp_path: Path, engine: str) -> None:
    script = [[500_000, "store on"], [5_500_000, "fetch 1"], [5_600_000, "stop"], [5_700_000, "fetch 1"]]
    lines = _run(tmp_path, engine, script, deaf_us=[[5_700_000, 8_500_000]], end_us=9_000_000)
    told = [note for note in notes(lines, "reply") if note["to"] == "fetch"]
    assert "'stop' first" in told[0]["why"]
    assert told[-1]["why"] == "the host does not read"


@engines
def test_a_fetch_can_begin_anywhere_and_its_digest_is_that_of_the_whole_run(
    tmp_path: Path, engine: str
) -> None:
    text = b"".join(b"%d,some line of a run\n" % i for i in range(200))
    (tmp_path / "runs").mkdir()
    (tmp_path / "runs" / "00007.csv").write_bytes(text)
    digest = hashlib.sha256(text).hexdigest()
    begin = text.index(b"\n", 1000) + 1
    script = [
        [100_000, "stop"],
        [200_000, f"fetch 7 {begin}"],
        [900_000, f"fetch 7 {len(text)}"],
        [1_000_000, "erase 7 0123456789abcdef"],
        [1_100_000, f"erase 7 {digest[:16]}"],
        [1_200_000, "runs"],
    ]
    lines = simulate(tmp_path, engine, script=script, throttle_us=1000, end_us=1_500_000)
    told = [note for note in notes(lines, "reply") if note["to"] in ("fetch", "erase", "runs")]
    assert [note.get("from") for note in told[:4]] == [begin, begin, len(text), len(text)]
    assert [note["sha256"] for note in told[:4] if "done" in note] == [digest] * 2
    assert _fetched(lines) == text[begin:].splitlines()
    assert told[4]["why"] == "run 7 has another digest: not erased"
    assert told[5]["ok"] is True
    assert told[6]["runs"] == []


@engines
def test_nothing_holds_up_the_loop_while_driving(tmp_path: Path, engine: str) -> None:
    (tmp_path / "runs").mkdir()
    (tmp_path / "runs" / "00007.csv").write_text("#device,{},0000\n", encoding="utf-8")
    script = [
        [500_000, "store on"],
        [1_500_000, "store off"],
        [1_600_000, "stop"],
        [1_700_000, "fetch 7"],
        [1_800_000, "erase 7"],
    ]
    lines = _run(tmp_path, engine, script, end_us=2_000_000)
    refused = [note["why"] for note in notes(lines, "reply") if not note["ok"]]
    assert refused == ["the throttle is up: not while driving"] * 3


@engines
def test_kept_from_power_up_where_board_json_says_so(tmp_path: Path, engine: str) -> None:
    given = board(store={"at_boot": True}, autostart=False)
    simulate(tmp_path, engine, given, end_us=6_000_000, throttle_us=1000, changes=DRIVE)
    assert [path.name for path in (tmp_path / "runs").iterdir()] == ["00001.csv"]

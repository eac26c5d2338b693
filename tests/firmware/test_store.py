"""Runs kept on the board: the same rows as live ones, and a loss of power costs the last rows at most."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from fakes.cells import some
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
@pytest.mark.parametrize("where", ["memory", "flash"])
def test_a_kept_run_has_the_rows_of_the_live_one(tmp_path: Path, engine: str, where: str) -> None:
    script = [[500_000, "store on"], [6_000_000, "stop"], [6_100_000, "fetch 1"], [8_900_000, "runs"]]
    given = board(store={"where": where, "sectors": 8})
    lines = _run(tmp_path, engine, script, board=given, end_us=9_000_000)
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
    # a page of flash was written before the row that has bit 3; in memory none is, while the run lasts
    flagged = [line for line in stored if int(line.split(b",")[3], 16) & 8]
    assert (len(flagged) > 3) == (where == "flash")
    assert kept[0] == next(line for line in lines if line.startswith(b"#device"))
    status = notes([*kept, b""], "status")
    assert [note["temperature_c"] for note in status] == [[25.03] * 4] * 4
    begin, end = [note for note in notes(lines, "reply") if note["to"] == "fetch"]
    assert begin["bytes"] == sum(len(line) + 1 for line in kept)
    assert end["sha256"] == hashlib.sha256(b"".join(line + b"\n" for line in kept)).hexdigest()
    told = [note for note in notes(lines, "reply") if note["to"] == "store"]
    assert (told[0]["begins"], told[0]["where"]) == ("when the throttle goes up", where)
    assert told[0]["seconds"] == told[0]["rows"] // 200
    assert (told[1]["run"], told[1]["rows"]) == (1, len(stored))
    assert notes([*kept, b""], "kept") == [{"rows": len(stored)}]
    assert notes(lines, "reply")[-1]["runs"] == [{"run": 1, "bytes": begin["bytes"]}]


@engines
def test_two_drives_are_two_runs_and_one_can_be_erased(tmp_path: Path, engine: str) -> None:
    changes = [*DRIVE, [6_000_000, {"throttle_us": 1500}], [6_500_000, {"throttle_us": 1000}]]
    script = [[300_000, "store on"], [9_000_000, "erase 1"], [9_100_000, "runs"], [9_200_000, "fetch 1"]]
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


PACKING = """
import random
from array import array
from undertray.packed import begin, encode, encode_second, workspace
from undertray.unpacked import decode
from undertray.wire import row

def between(a, b):
    return a + random.getrandbits(30) % (b - a + 1)

EDGES = (2**30 - 1, -(2**30), -1, 0, 2**31 - 1, 1 - 2**31, 32768, -32768, 65535, -65536, -32769)

def trial(seed, n, size, hostile):
    random.seed(seed)
    packing, unpacking = workspace(n, 5000), workspace(n, 5000)
    block, a, b = bytearray(size), bytearray(256), bytearray(256)
    head, counts, status = array("i", [65000, 0, 1500, 0, n]), array("i", [0] * n), bytearray(n)
    told, found, states = array("i", [0, 0, 0, 0, n]), array("i", [0] * n), bytearray(n)
    begin(packing, n, 13, size - 2)
    t_us = 2**30 - 500000
    given, text = [], 0
    while True:
        t_us += 5000
        head[0] = (head[0] + 1) & 0xFFFF
        head[1] = (t_us + between(-3, 3)) & 0x3FFFFFFF
        head[2] = 1500 + between(-1, 1)
        for i in range(n):
            counts[i] = 8192 + between(-10, 10)
        if hostile:
            head[0], head[2], head[3] = between(0, 65535), between(0, 1) * 1900, between(0, (1 << 8 + n) - 1)
            for i in range(n):
                counts[i], status[i] = EDGES[between(0, 10)], between(0, 4)
            if not between(0, 3):
                if not encode_second(packing, block, head, counts, status, 7):
                    break
                given.append((head[0], head[1], [None if status[i] else counts[i] for i in range(n)]))
                text += 7
                continue
        length = row(a, head, counts, status)
        if not encode(packing, block, head, counts, status):
            break
        given.append(bytes(a[:length]))
        text += length
    if packing[2]:
        block[packing[0]] = packing[1] << (8 - packing[2]) & 255
    begin(unpacking, n, 13, size - 2)
    for one in given:
        if decode(unpacking, block, told, found, states):
            assert bytes(b[: row(b, told, found, states)]) == one
        else:
            assert (told[0], told[1], [None if states[i] else found[i] for i in range(n)]) == one
    return len(given), packing[8] == text, any(block[size - 2 :])
"""


@engines
def test_whatever_a_row_can_say_survives_packing(tmp_path: Path, engine: str) -> None:
    code = PACKING + "print([trial(seed, 1 + seed % 16, 1024, True)[1:] for seed in range(32)])"
    assert run_code(tmp_path, code, engine) == [str([(True, False)] * 32)]


@engines
def test_a_row_of_four_noisy_taps_takes_less_than_four_bytes(tmp_path: Path, engine: str) -> None:
    code = PACKING + "print(1280 / trial(1, 4, 1280, False)[0], 1280 / trial(2, 4, 1280, False)[0])"
    taken = [float(word) for word in run_code(tmp_path, code, engine)[0].split()]
    # derived: differences of readings even over 21 counts have an entropy of 5.10 bits, those of 7 us 3.6,
    # of three widths 2.0, and a bit says that nothing else changed: 27.0 bits or 3.4 bytes at least
    assert all(3.4 < size < 4 for size in taken), taken


@engines
def test_full_memory_ends_the_keeping_not_the_run(tmp_path: Path, engine: str) -> None:
    code = """
import simclock
from stage import STAGE, load
from hostport import ScriptedPort
import undertray.app as app, undertray.store as store
store.Store.largest = 1280
simclock.CLOCK.simulate(14000000)
STAGE.set({"suction_pa": [0] * 4, "throttle_us": 1000,
           "changes": [[1000000, {"throttle_us": 1500}], [9000000, {"throttle_us": 1000}]]},
          load("board.json"))
app.run(ScriptedPort(simclock.CLOCK, [[500000, "store on"], [12000000, "info"]], []), 1)
"""
    lines = [line.encode() for line in run_code(tmp_path, code, engine)] + [b""]
    told = [note for note in notes(lines, "reply") if note["to"] in ("store", "info")]
    # the slots from 1 s to 9 s and two seconds more; a pulse comes every 20 ms, which are 4 slots
    assert abs(told[1]["rows"] + told[1]["missing_rows"] - 10 * 200) <= 5
    # no tap has noise here, so a row takes a byte or two, and 1280 bytes last longer than told
    assert told[1]["rows"] > told[0]["rows"]
    assert (told[1]["cut"], told[1]["why"]) == (True, "board memory full")
    # every answer says so until the next run
    assert (told[2]["to"], told[2]["missing_rows"]) == ("info", told[1]["missing_rows"])
    states = [(note.get("store"), note.get("missing_rows")) for note in notes(lines, "status")]
    assert "keeping" in [state for state, _ in states[:4]]
    full = [missing for state, missing in states if state == "full"]
    assert full == sorted(full)
    assert full[-1] > 0
    assert len(rows(lines)) > 2500


@engines
def test_a_full_flash_is_told_once_and_the_run_is_kept_for_another_try(tmp_path: Path, engine: str) -> None:
    code = """
import simclock
from stage import STAGE, load
from hostport import ScriptedPort
import undertray.app as app, undertray.sectors as sectors
simclock.CLOCK.simulate(8000000)
STAGE.set({"suction_pa": [0] * 4, "throttle_us": 1000,
           "changes": [[1000000, {"throttle_us": 1500}], [2000000, {"throttle_us": 1000}]]},
          load("board.json"))
real = open
def full(name, mode):
    if mode == "wb" and simclock.CLOCK.now_us() < 6000000:
        raise OSError(28, "ENOSPC")
    return real(name, mode)
sectors.open = full
script = [[500000, "store on"], [5000000, "store off"], [6500000, "store off"]]
app.run(ScriptedPort(simclock.CLOCK, script, []), 1)
"""
    lines = [line.encode() for line in run_code(tmp_path, code, engine)] + [b""]
    told = [note for note in notes(lines, "reply") if note["to"] == "store"]
    # on; the drive's end fails; off is answered and fails; off is answered and works
    assert [note["ok"] for note in told] == [True, False, True, False, True, True]
    assert "still in memory" in told[1]["why"]
    assert "still in memory" in told[3]["why"]
    assert told[-1]["rows"] == pytest.approx(600, abs=8)


@engines
@pytest.mark.parametrize("at", some([1], [3, 6, 11]))
def test_power_lost_while_writing_costs_the_last_rows(tmp_path: Path, engine: str, at: int) -> None:
    code = f"""
import simclock, sys
from stage import STAGE, load
from hostport import ScriptedPort
import undertray.app as app, undertray.sectors as sectors

class PowerLost(BaseException):
    pass

count = [0]
real = sectors.Sectors.program
def program(self, i, page, data):
    if page:
        count[0] += 1
        if count[0] == {at}:
            raise PowerLost()
    real(self, i, page, data)

def board(script):
    simclock.CLOCK.simulate(6000000)
    STAGE.set({{"suction_pa": [0] * 4, "throttle_us": 1000,
               "changes": [[2500000, {{"throttle_us": 1500}}], [5500000, {{"throttle_us": 1000}}]]}},
              load("board.json"))
    try:
        app.run(ScriptedPort(simclock.CLOCK, script, []), 1)
    except (PowerLost, SystemExit):
        pass
    sys.stdout.buffer.write(b"\\n-\\n")

sectors.Sectors.program = program
board([[500000, "store on"]])
sectors.Sectors.program = real
board([[100000, "stop"], [200000, "fetch 1"]])
"""
    given = board(store={"where": "flash", "sectors": 8})
    (tmp_path / "flash.json").write_text(json.dumps(given), encoding="utf-8")
    code = code.replace("app.run(", 'app.run(path="flash.json", port=').replace("[]), 1)", "[]), boot=1)")
    out = [line.encode() for line in run_code(tmp_path, code, engine)]
    split = out.index(b"-")
    live = [line for line in out[:split] if line[:1].isdigit()]
    if at == 1:  # not even the description was written: there is no run
        assert b"no run '1'" in next(line for line in out[split:] if b'"to":"fetch"' in line)
        return
    kept = _fetched(out[split:])
    assert not [line for line in kept if isinstance(parse_line(line), Bad)]
    if at == 3:  # power went in the middle of the description
        return
    stored = [line for line in kept if line[:1].isdigit()]
    assert set(stored) <= set(live)
    # what is open is closed after 0.9 s, and was not written yet
    lost_s = (int(live[-1].split(b",")[1]) - int(stored[-1].split(b",")[1])) / 1e6 if stored else 1.9
    assert lost_s < 2
    told = {"cut": True, "missing_rows": 0, "rows": len(stored), "why": "power went before its end"}
    assert notes([*kept, b""], "kept") == [told]


@engines
def test_a_flash_that_cannot_be_read_does_not_stop_the_start(tmp_path: Path, engine: str) -> None:
    (tmp_path / "shelf").write_text("not a folder", encoding="utf-8")
    lines = _run(
        tmp_path, engine, [[500_000, "store on"], [600_000, "selftest"], [700_000, "runs"]], end_us=1_000_000
    )
    assert len(rows(lines)) > 150
    replies = {note["to"]: note for note in notes(lines, "reply")}
    assert replies["store"]["ok"] is False
    assert "flash" in replies["store"]["why"]
    assert replies["selftest"]["good"] is False
    assert (replies["runs"]["ok"], replies["runs"]["why"]) == (False, replies["store"]["why"])


@engines
def test_nor_does_it_where_board_json_wants_runs_kept_from_the_start(tmp_path: Path, engine: str) -> None:
    (tmp_path / "shelf").write_text("not a folder", encoding="utf-8")
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


@pytest.mark.slow
@engines
def test_a_fetch_can_begin_anywhere_and_its_digest_is_that_of_the_whole_run(
    tmp_path: Path, engine: str
) -> None:
    script = [[500_000, "store on"], [6_000_000, "stop"], [6_100_000, "fetch 1"]]
    text = b"".join(line + b"\n" for line in _fetched(_run(tmp_path / "a", engine, script, end_us=9_000_000)))
    digest = hashlib.sha256(text).hexdigest()
    begin = text.index(b"\n", 20_000) + 1
    script = [
        [500_000, "store on"],
        [6_000_000, "stop"],
        [6_200_000, f"fetch 1 {begin}"],
        [9_000_000, f"fetch 1 {len(text)}"],
        [12_000_000, "erase 1 0123456789abcdef"],
        [13_000_000, f"erase 1 {digest[:16]}"],
        [15_000_000, "runs"],
    ]
    lines = _run(tmp_path / "b", engine, script, end_us=16_000_000)
    told = [note for note in notes(lines, "reply") if note["to"] in ("fetch", "erase", "runs")]
    assert [note.get("from") for note in told[:4]] == [begin, begin, len(text), len(text)]
    assert [note["sha256"] for note in told[:4] if "done" in note] == [digest] * 2
    assert _fetched(lines) == text[begin:].splitlines()
    assert told[4]["why"] == "run 1 has another digest: not erased"
    assert told[5]["ok"] is True
    assert told[6]["runs"] == []


@engines
def test_nothing_holds_up_the_loop_while_driving(tmp_path: Path, engine: str) -> None:
    script = [
        [500_000, "store on"],
        [1_500_000, "store off"],
        [1_600_000, "stop"],
        [1_700_000, "fetch 7"],
        [1_800_000, "erase 7"],
        [1_900_000, "runs"],
        [1_950_000, "store on"],
    ]
    lines = _run(tmp_path, engine, script, end_us=2_000_000)
    refused = [note["why"] for note in notes(lines, "reply") if not note["ok"]]
    assert refused == ["the throttle is up: not while driving"] * 5


@engines
def test_kept_from_power_up_where_board_json_says_so(tmp_path: Path, engine: str) -> None:
    given = board(store={"at_boot": True}, autostart=False)
    script = [[6_500_000, "runs"]]
    lines = simulate(
        tmp_path, engine, given, script=script, end_us=7_000_000, throttle_us=1000, changes=DRIVE
    )
    assert [entry["run"] for entry in notes(lines, "reply")[-1]["runs"]] == [1]


@engines
def test_a_run_always_has_a_number_that_is_none_of_the_shelfs_marks(tmp_path: Path, engine: str) -> None:
    # 65535 marks a sector that is no run's; a head that power cut short may tell any number below it
    code = """
from array import array
from undertray.shelf import Shelf
for runs in ([], [1, 2], [65534], [1, 65534]):
    shelf = Shelf(2, array("i", [0] * 40))
    for i, run in enumerate(runs):
        shelf._run[i] = run
    print(shelf.begin(b""))
"""
    assert run_code(tmp_path, code, engine) == ["1", "3", "1", "2"]


@engines
def test_a_throttle_that_is_long_down_is_down(tmp_path: Path, engine: str) -> None:
    # ticks tell no age beyond half of 2**30 us: ten minutes would look like the time to come
    code = """
import time
from simclock import CLOCK
from undertray.store import Store
class Throttle:
    wired = True
class Rig:
    width, columns, pack, throttle = 1, [], None, Throttle()
CLOCK.simulate()
store = Store(Rig(), 1200, None)
store.state = 1
store.watch(1500, time.ticks_us())
for us in (1000000, 2000000, 600000000):
    CLOCK.spend(us)
    store.step(0)
    print(store._calm(0))
"""
    assert run_code(tmp_path, code, engine) == ["False", "True", "True"]


@engines
def test_rows_that_a_new_drive_costs_are_told_as_such(tmp_path: Path, engine: str) -> None:
    # sectors are erased only with the throttle down: what had none by then is left out for the next drive
    code = """
from undertray.store import Store
class Throttle:
    wired = True
class Rig:
    width, columns, pack, throttle = 1, [], None, Throttle()
class Shelf:
    fault = None
    def room(self, pages): return False
    def ready(self): return 1
    def unready(self): return -1
class Blocks:
    def oldest(self): return bytearray(11) + bytes((44, 1))
    def taken(self): pass
for where in ("memory", "flash"):
    for width in (1500, 1000):
        store = Store(Rig(), 1200, {"where": where, "sectors": 2})
        store.state, store._begun, store.shelf, store.blocks = 4, True, Shelf(), Blocks()
        store._write(width)
        print(store.missing, store.cut()["why"])
"""
    again, full = "300 driven again before flash was ready for it", "300 board flash full"
    assert run_code(tmp_path, code, engine) == [again, full, again, full]

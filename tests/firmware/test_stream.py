"""The stream over time: deadlines, skipped slots, the wrap of the clock, resets, garbage, a deaf host."""

from __future__ import annotations

import random
from itertools import pairwise
from pathlib import Path

import pytest

from fakes.cells import some
from firmware.runs import board, engines, needs_micropython, notes, rows, run_code, simulate
from undertray.acquire.wire import Bad, Row, parse_line

TICKS = 1 << 30


def _times(lines: list[bytes]) -> list[int]:
    return [int(row[1]) for row in rows(lines)]


@engines
@pytest.mark.parametrize("rate_hz", some([7, 1000], [60, 200, 300]))
def test_no_drift_at_any_rate(tmp_path: Path, engine: str, rate_hz: int) -> None:
    seconds = 10 if rate_hz < 500 else 3
    lines = simulate(tmp_path, engine, board(rate_hz=rate_hz), end_us=seconds * 1_000_000 + 200_000)
    at = _times(lines)
    first = at[0]
    # derived: slot k is due k periods after the first, a period being whole microseconds, as a timer's is.
    # Late by at most one turn of the loop that was under way: a 200 us idle at low rates, a status note and
    # the reads of the pass before at high ones.
    late = [t - first - k * (1_000_000 // rate_hz) for k, t in enumerate(at)]
    assert len(at) >= seconds * rate_hz
    assert min(late) >= -250
    assert max(late) <= 1_000_000 / rate_hz
    assert abs(sum(late[-20:]) / 20 - sum(late[:20]) / 20) < 150
    assert [int(row[0]) for row in rows(lines)] == list(range(len(at)))


@engines
def test_skipped_slots_leave_a_gap_a_flag_and_a_count(tmp_path: Path, engine: str) -> None:
    faults = [{"at_us": 1_000_000, "stall_us": 37_000}, {"at_us": 2_000_000, "stall_us": 2_512_000}]
    lines = simulate(tmp_path, engine, end_us=6_500_000, faults=faults)
    table = rows(lines)
    steps = list(pairwise((int(row[0]), int(row[1]), int(row[3], 16)) for row in table))
    gaps = [(b[0] - a[0] - 1, b[1] - a[1]) for a, b in steps if b[0] - a[0] != 1]
    assert len(gaps) == 2
    for (missed, took), stall in zip(gaps, (37_000, 2_512_000), strict=True):
        # the slot that was under way is whole; the next one on the old grid of 5 ms follows
        assert missed in (stall // 5000 - 1, stall // 5000)
        assert abs(took - 5000 * (missed + 1)) < 5000
    for a, b in steps:
        assert bool(b[2] & 1) == (b[0] - a[0] != 1)
    assert notes(lines, "status")[-1]["skipped"] == sum(missed for missed, _ in gaps)
    first = int(table[0][1])
    late = [int(row[1]) - first - 5000 * int(row[0]) for row in table]
    assert max(late) < 5000
    assert abs(late[-1] - late[0]) < 250  # back on the grid of the start


@engines
def test_the_clock_wraps_in_the_middle(tmp_path: Path, engine: str) -> None:
    start = TICKS - 2_000_000
    lines = simulate(
        tmp_path, engine, end_us=4_000_000, ticks_us=start, changes=[[3_000_000, {"throttle_us": None}]]
    )
    at = _times(lines)
    assert max(at) > TICKS - 6000
    assert min(at) < 6000
    steps = [(b - a) % TICKS for a, b in pairwise(at)]
    assert max(abs(step - 5000) for step in steps) < 300
    assert [int(row[0]) for row in rows(lines)] == list(range(len(at)))
    assert {row[3] for row in rows(lines)[1:]} == {b"0"}
    assert [len(notes(lines, kind)) for kind in ("status", "device", "fault")] == [3, 1, 0]
    # the throttle is lost after the wrap, and seen to be
    assert rows(lines)[-1][2] == b""


@engines
def test_seq_wraps_at_16_bits(tmp_path: Path, engine: str) -> None:
    code = """
import simclock
simclock.TICKS_US = 100
from stage import STAGE, load
from hostport import ScriptedPort
from undertray.app import App
from undertray.boardfile import read_board
import time
simclock.CLOCK.simulate(400000)
STAGE.set({"suction_pa": [0] * 4}, load("board.json"))
app = App(*read_board("board.json"), ScriptedPort(simclock.CLOCK, [], []), 1)
app.sampler.work[19] = 65530  # the next slot's number
app.begin()
app.keep_time()
"""
    lines = [line.encode() for line in run_code(tmp_path, code, engine)]
    seqs = [int(row[0]) for row in rows(lines)]
    assert seqs[:8] == [65530, 65531, 65532, 65533, 65534, 65535, 0, 1]
    assert all(int(row[3], 16) & 1 == 0 for row in rows(lines))


@engines
def test_resets_in_the_middle_of_a_row(tmp_path: Path, engine: str) -> None:
    # Power-ups cut off at random moments, one behind the other on the same wire, as a host sees them.
    chance = random.Random(3)
    stream = b""
    whole = 0
    ends = 0
    for i in range(12):
        part = b"\n".join(
            simulate(tmp_path / str(i), engine, end_us=chance.randrange(80_000, 500_000), boot=i)
        )
        cut = part[: chance.randrange(1200, len(part))]
        whole += sum(isinstance(parse_line(line), Row) for line in cut.split(b"\n")[:-1])
        ends += not cut.endswith(b"\n")
        stream += cut
    parsed = [parse_line(line) for line in stream.split(b"\n")[:-1]]
    bad = [item for item in parsed if isinstance(item, Bad)]
    # each reset spoils the one line it cut (joined with the first line of the next power-up), no other
    assert len(bad) <= ends
    assert sum(isinstance(item, Row) for item in parsed) == whole


GARBAGE = {
    "lines": 10_000,
    "seed": 11,
    "from_us": 100_000,
    "every_us": 300,
    "lengths": [1, 3, 8, 30, 119, 120, 121, 300],
    "words": [
        "rate x",
        "sweep",
        "fetch",
        "erase",
        "store",
        "scan",
        "rate 1e3",
        "rate -5",
        "fetch ../x",
        "info",
        "beat",
    ],
}
OUTRIGHT = ("info", "scan", "beat")  # commands that take no words and pay no heed to any


@engines
@pytest.mark.parametrize("count", some([600], [GARBAGE["lines"]]))
def test_thousands_of_lines_of_garbage(tmp_path: Path, engine: str, count: int) -> None:
    # the twin, slower, is given less: it is there for the same code on another interpreter
    garbage = {**GARBAGE, "lines": count if engine == "micropython" else 600}
    script = [[7_500_000, "selftest"]]
    lines = simulate(tmp_path, engine, end_us=8_000_000, throttle_us=1000, script=script, garbage=garbage)
    parsed = [parse_line(line) for line in lines[:-1]]
    assert not [item for item in parsed if isinstance(item, Bad)]
    seqs = [int(row[0]) for row in rows(lines)]
    # nothing is skipped nor sent twice; where replies filled the ring a row may be missing, and is counted
    assert seqs == sorted(set(seqs))
    assert seqs[-1] == pytest.approx(8_000_000 / 5000, abs=20)
    status = notes(lines, "status")[-1]
    assert status["skipped"] == 0
    assert len(seqs) + status["dropped"] >= seqs[-1] + 1
    replies = notes(lines, "reply")
    assert (replies[-1]["to"], replies[-1]["good"]) == ("selftest", True)
    assert not any(reply["ok"] for reply in replies[:-1] if reply["to"] not in OUTRIGHT)
    assert len(replies) + status["dropped"] > garbage["lines"]


@engines
def test_a_deaf_host_costs_rows_and_never_a_slot(tmp_path: Path, engine: str) -> None:
    lines = simulate(tmp_path, engine, end_us=8_000_000, deaf_us=[[2_000_000, 5_000_000]])
    assert not [line for line in lines[:-1] if isinstance(parse_line(line), Bad)]
    seqs = [int(row[0]) for row in rows(lines)]
    lost = sum(b - a - 1 for a, b in pairwise(seqs))
    status = notes(lines, "status")[-1]
    assert status["skipped"] == 0
    # the ring holds 8 kB, about a second of rows; the rest of three seconds is lost, and counted with the
    # status and device notes that did not fit either
    assert 300 < lost < 500
    assert lost <= status["dropped"] <= lost + 4
    # the row after a gap that the host made says nothing of a skipped slot: none was
    assert {row[3] for row in rows(lines)[1:]} == {b"0"}


@engines
def test_one_fault_nobody_thought_of_is_told_and_survived_a_second_at_once_is_not(
    tmp_path: Path, engine: str
) -> None:
    code = """
import simclock
from stage import STAGE, load
from hostport import ScriptedPort
import undertray.app as app
simclock.CLOCK.simulate(3000000)
STAGE.set({"suction_pa": [0] * 4}, load("board.json"))
class Port(ScriptedPort):
    at = [500000, 2000000, 2400000]
    def write(self, buf, start, n):
        if self.clock.now_us() > self.at[0]:
            self.at.pop(0)
            raise ValueError("gremlin")
        return ScriptedPort.write(self, buf, start, n)
try:
    app.run(Port(simclock.CLOCK, [], []), 1)
except ValueError:
    print()
    print("ended", simclock.CLOCK.now_us() // 100000)
"""
    lines = [line.encode() for line in run_code(tmp_path, code, engine)]
    assert lines[-1] == b"ended 24"
    told = [note["why"] for note in notes(lines, "reply")]
    assert told == ["ValueError: gremlin"] * 2
    seqs = [int(row[0]) for row in rows(lines[:-1])]
    assert seqs == list(range(len(seqs)))
    assert len(seqs) > 440


# Ticks tell no age beyond half of 2**30 us: what lies ten minutes back looks as if it were still to come.
_TEN_MINUTES = """
import simclock
from stage import STAGE, load
from hostport import ScriptedPort
import undertray.app as app
simclock.CLOCK.simulate(603000000)
STAGE.set({"suction_pa": [0] * 4}, load("board.json"))
class Port(ScriptedPort):
    at = list(AT)
    jumps = 6
    def write(self, buf, start, n):
        now = self.clock.now_us()
        if self.jumps and now > 700000:
            self.jumps -= 1
            self.clock.spend(100000000)
        if self.at and now > self.at[0]:
            print("fault", now // 1000000)
            self.at.pop(0)
            raise WHAT
        return n
try:
    app.run(Port(simclock.CLOCK, SCRIPT, []), 1)
except WHAT:
    print("ended", simclock.CLOCK.now_us() // 1000000)
"""


@engines
def test_two_faults_ten_minutes_apart_do_not_end_the_program(tmp_path: Path, engine: str) -> None:
    code = f"AT, WHAT, SCRIPT = [500000, 602000000], ValueError, []\n{_TEN_MINUTES}"
    assert run_code(tmp_path, code, engine) == ["fault 0", "fault 602"]


@engines
def test_a_ctrl_c_ten_minutes_after_garbage_leads_to_the_prompt(tmp_path: Path, engine: str) -> None:
    code = f"AT, WHAT, SCRIPT = [602000000], KeyboardInterrupt, [[200000, 'nonsense']]\n{_TEN_MINUTES}"
    assert run_code(tmp_path, code, engine) == ["fault 602", "ended 602"]


@engines
def test_an_answer_that_is_longer_than_a_note_is_a_refusal(tmp_path: Path, engine: str) -> None:
    code = """
from undertray.console import Console
class Ring:
    def put(self, line, n):
        print(bytes(line[:n - 1]).decode())
console = Console(Ring(), {"scan": lambda words: {"buses": list(range(900))}})
console.execute(["scan"])
"""
    (told,) = notes([*(line.encode() for line in run_code(tmp_path, code, engine)), b""], "reply")
    assert (told["to"], told["ok"]) == ("scan", False)
    assert "longest is 2048" in told["why"]


@needs_micropython
def test_a_bus_that_sleeps_for_long_is_not_written_to(tmp_path: Path) -> None:
    # a sleeping USB bus says that it is ready, and each write to it waits half a second
    code = """
from simclock import CLOCK
import undertray.link as link
CLOCK.simulate()
frame = [7]
link.on_chip = lambda: True
link.usb_state = lambda: frame[0]
port = link.Port()
told = [port.ready() & link.OUT]
for us in (2000, 300000000, 300000000, 300000000):
    CLOCK.spend(us)
    told.append(port.ready() & link.OUT)
frame[0] += 1
told.append(port.ready() & link.OUT)
print(told)
"""
    assert run_code(tmp_path, code) == ["[4, 0, 0, 0, 0, 4]"]


@engines
def test_a_stray_ctrl_c_in_garbage_goes_on_and_a_clean_one_leads_to_the_prompt(
    tmp_path: Path, engine: str
) -> None:
    code = """
import simclock
from stage import STAGE, load
from hostport import ScriptedPort
import undertray.app as app
simclock.CLOCK.simulate(900000)
STAGE.set({"suction_pa": [0] * 4}, load("board.json"))
class Port(ScriptedPort):
    at = [300000, 600000]
    def write(self, buf, start, n):
        if self.at and self.clock.now_us() > self.at[0]:
            self.at.pop(0)
            raise KeyboardInterrupt()
        return n
port = Port(simclock.CLOCK, [[200000, "\\x7f\\x01nonsense"], [500000, "info"]], [])
try:
    app.run(port, 1)
except KeyboardInterrupt:
    print(simclock.CLOCK.now_us() // 100000)
"""
    assert run_code(tmp_path, code, engine) == ["6"]

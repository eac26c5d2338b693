"""The board drives the fan controllers: only when all says so, and off in every doubt."""

from __future__ import annotations

import binascii
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from firmware.runs import board, engines, notes, rows, run_code, simulate

PIN = 16
IDLE = 1000


def _output(**changes: Any) -> dict[str, Any]:
    given = board()
    given["throttle"].update(direction="output", throttle_max_us=1600, **changes)
    return given


def _beats(start_us: int, end_us: int) -> list[list[Any]]:
    return [[t, "!beat {n}"] for t in range(start_us, end_us, 400_000)]


def _run(
    folder: Path, engine: str, script: list[Any], given: Any = None, status: int = 0, **scenario: Any
) -> tuple[list[bytes], list[tuple[int, int]]]:
    """Lines, and the widths sent to the pin (0: no pulses) with their times."""
    trace = folder / "trace.txt"
    script = sorted(script, key=lambda item: item[0])
    scenario = {"end_us": 5_000_000, **scenario}
    lines = simulate(
        folder, engine, given or _output(), status=status, script=script, trace=str(trace), **scenario
    )
    events = [tuple(int(word) for word in line.split()) for line in trace.read_text().splitlines()]
    return lines, [(t, width) for t, pin, width in events if pin == PIN]


def _replies(lines: list[bytes], to: str) -> list[dict[str, Any]]:
    return [note for note in notes(lines, "reply") if note["to"] == to]


@engines
def test_a_sweep_goes_through_its_steps_and_back_to_idle(tmp_path: Path, engine: str) -> None:
    script = [
        [100_000, "caution"],
        [200_000, "!arm {n}"],
        [500_000, "!sweep 1100 1500 5 300 {n}"],
        *_beats(600_000, 2_400_000),
    ]
    lines, widths = _run(tmp_path, engine, script)
    assert [width for _, width in widths] == [IDLE, 1100, 1200, 1300, 1400, 1500, IDLE, 0, 0]
    starts = [t for t, width in widths if width > IDLE]
    assert all(abs(b - a - 300_000) < 5_000 for a, b in pairwise(starts))
    for row in rows(lines):
        driven = bool(int(row[3], 16) & 4)
        assert driven == (row[2] != b"")
    assert {int(row[2]) for row in rows(lines) if row[2]} == {IDLE, 1100, 1200, 1300, 1400, 1500}
    assert _replies(lines, "sweep")[-1] == {"to": "sweep", "ok": True, "why": "done"}


@engines
def test_the_caution_comes_before_the_arming(tmp_path: Path, engine: str) -> None:
    lines, widths = _run(tmp_path, engine, [[100_000, "caution"], [200_000, "!arm {n}"]], end_us=1_000_000)
    (first,), (second,) = _replies(lines, "caution"), _replies(lines, "arm")
    for word in ("Fans will spin", "eye and ear protection", "lithium", "clamped", "Local rules"):
        assert word in first["caution"]
    assert second["armed_s"] == 10
    # the zeros are the end of the program, which leaves no pulses behind
    assert [width for _, width in widths] == [IDLE, 0, 0]


@engines
def test_refused_where_the_pin_is_an_input_or_missing(tmp_path: Path, engine: str) -> None:
    script = [[100_000, "caution"], [200_000, "!arm {n}"], [300_000, "!sweep 1100 1500 5 300 {n}"]]
    for name, given in (("input", board()), ("none", board(throttle=None))):
        lines, widths = _run(tmp_path / name, engine, script, given, end_us=1_000_000)
        assert widths == []
        assert not any(reply["ok"] for reply in _replies(lines, "arm") + _replies(lines, "sweep"))
        assert all(int(row[3], 16) & 4 == 0 for row in rows(lines))


@engines
@pytest.mark.parametrize(
    "words",
    [
        "1100 1601 5 300",
        "999 1500 5 300",
        "1100 1500 1 300",
        "1100 1500 5 10",
        "1100 1500 5",
        "a b c d",
        "-1 1 2 50",
    ],
)
def test_a_sweep_outside_its_limits_is_refused_and_sends_nothing(
    tmp_path: Path, engine: str, words: str
) -> None:
    lines, widths = _run(
        tmp_path,
        engine,
        [[100_000, "caution"], [200_000, "!arm {n}"], [300_000, "!sweep " + words + " {n}"]],
        end_us=600_000,
    )
    # the zeros are the end of the program, which leaves no pulses behind
    assert [width for _, width in widths] == [IDLE, 0, 0]
    assert _replies(lines, "sweep")[0]["ok"] is False


@engines
def test_nothing_without_arm_and_nothing_ten_seconds_after_it(tmp_path: Path, engine: str) -> None:
    script = [
        [200_000, "!sweep 1100 1500 5 300 {n}"],
        [250_000, "caution"],
        [300_000, "!arm {n}"],
        [10_400_000, "!sweep 1100 1500 5 300 {n}"],
    ]
    lines, widths = _run(tmp_path, engine, script, end_us=11_500_000)
    # idle pulses while armed, then none; the last sweep came 0.1 s too late
    assert [width for _, width in widths] == [IDLE, IDLE, 0, 0]
    assert 10_300_000 <= widths[1][0] <= 10_320_000
    assert [reply["ok"] for reply in _replies(lines, "sweep")] == [False, False, False]


ARM = [[100_000, "caution"], [200_000, "!arm {n}"]]


def _crc(text: str) -> str:
    return f"{text},{binascii.crc_hqx(text.encode(), 0xFFFF):04x}"


@engines
def test_what_moves_fans_needs_its_check_and_a_fresh_number(tmp_path: Path, engine: str) -> None:
    bad = [
        "arm",
        "arm {n}",
        "!arm",
        "!arm {n}0",
        "!arm {n} please",
        "arm please",
        _crc("arm 1"),
        "!sweep 1100 1500 5 300 {n}",
        "!beat {n}",
    ]
    for i, line in enumerate(bad):
        script = [[100_000, "caution"], [200_000, line]]
        lines, widths = _run(tmp_path / str(i), engine, script, end_us=300_000)
        (last,) = _replies(lines, line.strip("!").split(",")[0].split(" ")[0])
        assert (widths, last["ok"]) == ([], False), line
    # nothing asked for, so no number was given out
    lines, widths = _run(tmp_path / "unasked", engine, [[200_000, "!arm {n}"]], end_us=300_000)
    assert widths == []


@pytest.mark.slow
@engines
def test_a_number_is_taken_once_and_not_after_two_minutes(tmp_path: Path, engine: str) -> None:
    number = 7 * 75 + 74 + 1  # the first that follows power-up 7, by the generator's own formula
    arm = _crc(f"arm {number}")
    script = [[100_000, "caution"], [200_000, arm], [300_000, "stop"], [1_000_000, arm]]
    lines, widths = _run(tmp_path / "twice", engine, script, end_us=1_200_000)
    assert [reply["ok"] for reply in _replies(lines, "arm")] == [True, False]
    assert [width for _, width in widths] == [IDLE, IDLE, 0, 0]
    # 119 s and 121 s after it was given out; one row a second, for time is all that is wanted
    for seconds, taken in ((119, True), (121, False)):
        script = [[100_000, "caution"], [100_000 + seconds * 1_000_000, arm]]
        given = {**_output(), "rate_hz": 1}
        end_us = 300_000 + seconds * 1_000_000
        lines, widths = _run(tmp_path / str(seconds), engine, script, given, end_us=end_us)
        assert [reply["ok"] for reply in _replies(lines, "arm")] == [taken]


@engines
def test_every_flipped_bit_of_a_sweep_is_refused(tmp_path: Path, engine: str) -> None:
    code = """
import simclock
from stage import STAGE, load
from hostport import ScriptedPort
from undertray.wire import check
import undertray.app as app
simclock.CLOCK.simulate(10**9)
board = load("board.json")
board["throttle"].update({"direction": "output", "throttle_max_us": 1600})
with open("given.json", "w") as file:
    from undertray.wire import dump
    file.write(dump(board))
STAGE.set({"suction_pa": [0] * 4}, board)
boards = app.read_board("given.json")
app = app.App(boards[0], boards[1], ScriptedPort(simclock.CLOCK, [], []), 7)
bench, console = app.bench, app.console
said = []
console.reply = said.append
def hear(line):
    ear = console.ears[0]
    ear.line[: len(line)] = line
    ear.n = len(line)
    console._finish(ear)
    return said[-1]
def sealed(text):
    return text + (",%04x" % check(text, len(text))).encode()
taken = lines = 0
for bit in range(8 * len("sweep 1100 1500 5 300 12345,abcd")):
    number = hear(b"caution")["number"]
    number = hear(sealed(b"arm " + str(number).encode()))["number"]
    line = bytearray(sealed(b"sweep 1100 1500 5 300 " + str(number).encode()))
    if bit < 8 * len(line):
        line[bit // 8] ^= 1 << bit % 8
        lines += 1
        taken += hear(line)["ok"]
    bench.off()
number = hear(b"caution")["number"]
number = hear(sealed(b"arm " + str(number).encode()))["number"]
whole = hear(sealed(b"sweep 1100 1500 5 300 " + str(number).encode()))
print(lines > 200, taken, whole["ok"], bench.width_us)
bench.off()
"""
    assert run_code(tmp_path, code, engine) == ["True 0 True 1100"]


@engines
def test_stop_brings_idle_at_once_and_then_no_pulses(tmp_path: Path, engine: str) -> None:
    script = [
        [100_000, "caution"],
        [200_000, "!arm {n}"],
        [300_000, "!sweep 1200 1500 5 1000 {n}"],
        *_beats(400_000, 2_000_000),
        [1_000_000, "stop"],
    ]
    _, widths = _run(tmp_path, engine, script, end_us=2_000_000)
    assert [width for _, width in widths] == [IDLE, 1200, IDLE, 0, 0]
    assert 1_000_000 <= widths[2][0] <= 1_000_000 + 5_000
    assert 1_500_000 <= widths[3][0] <= 1_510_000


@engines
def test_a_silent_host_ends_it_within_a_second(tmp_path: Path, engine: str) -> None:
    script = [
        [100_000, "caution"],
        [200_000, "!arm {n}"],
        [300_000, "!sweep 1200 1500 5 3000 {n}"],
        [700_000, "!beat {n}"],
        [1_200_000, "nonsense"],
    ]
    lines, widths = _run(tmp_path, engine, script, end_us=4_000_000)
    assert [width for _, width in widths] == [IDLE, 1200, IDLE, 0, 0]
    # the last good word came at 0.7 s; nonsense is none
    assert 1_700_000 <= widths[2][0] <= 1_720_000
    assert _replies(lines, "sweep")[-1]["why"] == "no word from the host for 1 s"


@engines
def test_a_loop_that_stands_still_is_reset_by_the_watchdog(tmp_path: Path, engine: str) -> None:
    script = [
        [100_000, "caution"],
        [200_000, "!arm {n}"],
        [300_000, "!sweep 1200 1500 5 3000 {n}"],
        *_beats(400_000, 4_000_000),
    ]
    faults = [{"at_us": 1_000_000, "stall_us": 5_000_000}]
    _, widths = _run(tmp_path, engine, script, status=3, faults=faults, end_us=9_000_000)
    assert [width for _, width in widths][:3] == [IDLE, 1200, 0]
    assert not any(width for _, width in widths[2:])


@engines
def test_any_exception_ends_the_pulses(tmp_path: Path, engine: str) -> None:
    code = """
import simclock
from stage import STAGE, load
from hostport import ScriptedPort
import undertray.app as app
simclock.CLOCK.simulate()
board = load("board.json")
board["throttle"]["direction"] = "output"
with open("given.json", "w") as file:
    from undertray.wire import dump
    file.write(dump(board))
STAGE.set({"suction_pa": [0] * 4}, board)
class Port(ScriptedPort):
    def write(self, buf, start, n):
        if self.clock.now_us() > 800000:
            raise ValueError("a fault nobody thought of")
        self.hear(bytes(buf[start : start + n]))
        return n
try:
    script = [[100000, "caution"], [200000, "!arm {n}"], [300000, "!sweep 1200 1500 5 1000 {n}"]]
    port = Port(simclock.CLOCK, script, [])
    app.run(port, 1, "given.json")
except ValueError as error:
    print(error)
print([width for _, pin, width in STAGE.trace if pin == 16], STAGE.driven)
"""
    assert run_code(tmp_path, code, engine) == ["a fault nobody thought of", "[1000, 1200, 0, 0] {16: 0}"]


@engines
def test_arming_and_keeping_a_run_exclude_each_other(tmp_path: Path, engine: str) -> None:
    lines, _ = _run(
        tmp_path / "a",
        engine,
        [[100_000, "caution"], [200_000, "!arm {n}"], [300_000, "store on"]],
        end_us=600_000,
    )
    assert _replies(lines, "store")[0]["ok"] is False
    lines, widths = _run(
        tmp_path / "b",
        engine,
        [[200_000, "store on"], [250_000, "caution"], [300_000, "!arm {n}"]],
        end_us=600_000,
    )
    assert _replies(lines, "arm")[0]["ok"] is False
    assert widths == []


@engines
def test_nothing_that_waits_is_done_while_the_fans_are_driven(tmp_path: Path, engine: str) -> None:
    (tmp_path / "runs").mkdir(parents=True)
    (tmp_path / "runs" / "00001.csv").write_text("#device,{},0000\n", encoding="utf-8")
    script = [
        [100_000, "stop"],
        [100_000, "caution"],
        [200_000, "!arm {n}"],
        [300_000, "fetch 1"],
        [400_000, "erase 1"],
        [500_000, "scan"],
        [600_000, "selftest"],
    ]
    lines, _ = _run(tmp_path, engine, script, end_us=800_000)
    for to in ("fetch", "erase", "scan", "selftest"):
        assert [reply["why"] for reply in _replies(lines, to)] == ["the bench is armed: 'stop' first"]


@engines
def test_a_long_selftest_after_a_sweep_does_not_reset_the_board(tmp_path: Path, engine: str) -> None:
    # eleven parts that hang, each tried twice for 80 ms, and a watchdog that stays once it was armed: 1 s
    part = {"part": "DLH", "range": "L10D", "bits": 18, "average": 16, "bus": 0, "address": "0x29"}
    columns = [{**part, "mux": [hex(0x70 + i // 8), i % 8]} for i in range(11)]
    muxes = [{"bus": 0, "address": hex(0x70 + i)} for i in range(2)]
    script = [[2_000_000, "caution"], [2_200_000, "!arm {n}"], [2_400_000, "stop"], [3_500_000, "selftest"]]
    given = {**_output(), "columns": columns, "muxes": muxes, "rate_hz": 20}
    faults = [{"at_us": 3_000_000, "column": i, "fault": "busy"} for i in range(11)]
    lines, _ = _run(tmp_path, engine, script, given, faults=faults, end_us=7_000_000)
    assert _replies(lines, "arm")[0]["ok"] is True
    (told,) = _replies(lines, "selftest")
    assert [column["fault"] for column in told["columns"]] == ["stays busy"] * 11

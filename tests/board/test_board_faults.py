"""What goes wrong around the board: the alarm, the prompt, the bus and the loop, in emulated time."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import pytest

from board.emulated import EmulatedBoard, needs_board
from fakes.cells import some
from firmware.runs import BOARD, board, notes, rows
from undertray.acquire.wire import Bad, parse_line

pytestmark = needs_board

LED, BUZZER, HEART = 25, 18, 22
SKIPPED, STALL = 1, 8  # flags of a row: slots are missing before it; flash may have made it late
# HSC 040MD, transfer A: 13108 counts for 8000 Pa about 8192. 1220 Pa hold, 305 Pa are below the alarm's 720.
HOLDS, FALLS = [10192] * 4, [8692] * 4


def quick(**changes: Any) -> dict[str, Any]:
    """An alarm that lets go at once, so that it can ring again."""
    return board(alarm={**BOARD["alarm"], "hold_ms": 0, "spin_up_ms": 0}, **changes)


def rings_after_s(emulated: EmulatedBoard) -> float:
    """Let the suction fall now; gives how long until the LED was on. Then it comes back."""
    before, fell_s = len(emulated.events), emulated.now_s
    emulated.counts(FALLS)
    emulated.run(0.03)
    on = [event for event in emulated.events[before:] if event.get("pin") == LED and event["level"] == 1]
    assert len(on) == 1, emulated.events[before:]
    emulated.counts(HOLDS)
    emulated.run(0.03)
    assert [event["level"] for event in emulated.events[before:] if event.get("pin") == LED] == [1, 0]
    return float(on[0]["t"]) - fell_s


COMMANDS = ("info", "store on", "store off", "runs", "scan", "selftest", "rate 200", "no such word")


@pytest.mark.parametrize("commands", some([COMMANDS[:2]], [COMMANDS]), ids=len)
def test_the_alarm_comes_within_two_slots_whatever_the_board_is_at(
    tmp_path: Path, commands: tuple[str, ...]
) -> None:
    late_s: dict[str, list[float]] = {}
    with EmulatedBoard(tmp_path, quick(), watch=[LED]) as emulated:
        emulated.counts(HOLDS)
        emulated.throttle(1500)
        emulated.boot()
        emulated.run(0.05)
        late_s["rows go out"] = [rings_after_s(emulated)]
        for command in commands:
            emulated.send(command + "\n")
            emulated.run(0.003)
            late_s[command] = [rings_after_s(emulated)]
        if commands == COMMANDS:
            emulated.unread(0.8)
            emulated.run(0.4)
            late_s["host does not read"] = [rings_after_s(emulated) for _ in range(2)]
            emulated.run(0.4)
        emulated.pull()
        emulated.run(0.1)
        late_s["cable out"] = [rings_after_s(emulated) for _ in range(3)]
    slot_s = 1 / 200
    assert {state: max(times) for state, times in late_s.items() if max(times) > 2 * slot_s} == {}


@pytest.mark.slow
def test_the_alarm_comes_within_two_slots_in_overload(tmp_path: Path) -> None:
    with EmulatedBoard(tmp_path, quick(rate_hz=2000), watch=[LED]) as emulated:
        emulated.counts(HOLDS)
        emulated.throttle(1500)
        emulated.run(2)
        times_s = [rings_after_s(emulated) for _ in range(3)]
        told = emulated.ask("rate 200", 3.0)  # and the program is not starved
    assert told["ok"] is True
    # a slot of four such parts takes 0.8 ms, whatever was asked; some are left out so that the program stays
    # within call, for up to two periods of 0.5 ms
    assert max(times_s) <= 2 * 0.0008 + 2 * 0.0005


@pytest.mark.slow
def test_ctrl_c_leads_to_the_prompt_and_no_output_stays_on(tmp_path: Path) -> None:
    with EmulatedBoard(
        tmp_path, board(rate_hz=1000, heartbeat_pin=HEART), watch=[LED, BUZZER, HEART]
    ) as emulated:
        emulated.counts(HOLDS)
        emulated.throttle(1500)
        emulated.boot()
        emulated.counts(FALLS)
        emulated.send("strat\n")  # one mistyped word
        emulated.run(1.2)
        level = {event["pin"]: event["level"] for event in emulated.events if "pin" in event}
        assert (level[LED], level[BUZZER]) == (1, 1)
        # as programs that talk to boards do it
        emulated.send("\r\x03\x03")
        emulated.run(0.1)
        emulated.send("\r\x01")
        emulated.run(0.3)
        emulated.send("print('#raw', 6 * 7)\x04")
        emulated.run(0.3)
        level = {event["pin"]: event["level"] for event in emulated.events if "pin" in event}
    assert any(b"raw REPL; CTRL-B to exit" in line.text for line in emulated.lines)
    assert any(b"#raw 42" in line.text for line in emulated.lines)
    assert level == {LED: 0, BUZZER: 0, HEART: 0}
    # slots take 0.7 ms of each: a Ctrl-C that comes in one is not lost, and makes no trace of its own
    assert not [line for line in emulated.lines if b"IRQ callback" in line.text]


@pytest.mark.slow
def test_scl_held_low_is_told_as_such(tmp_path: Path) -> None:
    with EmulatedBoard(tmp_path, board()) as emulated:
        emulated.counts(HOLDS)
        emulated.boot()
        emulated.hold(scl=True)
        emulated.run(0.2)
        held = [line.text for line in emulated.lines]
        emulated.release()
        emulated.run(1.5)
        after = rows([*[line.text for line in emulated.lines[-20:]], b""])
    told = notes([*held, b""], "fault")
    assert {note["detail"] for note in told if note["why"] == "nack"} == {"bus hung, SCL held low"}
    assert all(field for row in after for field in row[4:8])


HANGS = b"""
from undertray import app
begin, serve = app.App.begin, app.App.serve
def quick(self):
    begin(self)
    self.sampler.work[29] = 160  # 0.8 s in place of 8
def hang(self, idle, now):
    serve(self, idle, now)
    while "hang" in self.console.commands and self.asked:
        pass
def ask(self, words):
    self.asked = True
def begun(self):
    quick(self)
    self.asked = False
    self.console.commands["hang"] = lambda words: ask(self, words)
app.App.begin, app.App.serve = begun, hang
app.run()
"""


@pytest.mark.slow
def test_a_program_that_hangs_is_started_anew_and_no_other(tmp_path: Path) -> None:
    files = {"main.py": HANGS}
    given = board(autostart=False, heartbeat_pin=HEART, store={"sectors": 2})
    with EmulatedBoard(tmp_path, given, files=files, watch=[HEART]) as emulated:
        emulated.throttle(1000)
        emulated.run(1.2)
        assert emulated.ask("store on")["ok"] is True
        emulated.run(0.5)
        emulated.throttle(1500)
        emulated.run(0.3)
        emulated.throttle(1000)
        emulated.run(3, heard='"rows"')
        emulated.unread(1.0)  # the fetch takes longer than it waits
        emulated.send("fetch 1\n")
        emulated.run(3, heard='"done":true')
        emulated.run(1.1)
        beats = [(event["t"], event["level"]) for event in emulated.events if event.get("pin") == HEART]
        emulated.send("\x03")
        emulated.run(1.0)  # at the prompt nothing bites
        assert not [event for event in emulated.events if "reset" in event]
        assert any(line.text.startswith(b'Type "help') for line in emulated.lines)
    on = [t for t, level in beats if level == 1]
    off = [t for t, level in beats if level == 0]
    assert len(on) >= 2
    assert all(0.04 < b - a < 0.08 for a, b in zip(on[-1:], off[-1:], strict=True) if b > a)
    with EmulatedBoard(tmp_path / "b", board(), files=files) as emulated:
        emulated.boot()
        emulated.send("hang\n")
        emulated.run(1.0)
        assert [event["reset"] for event in emulated.events if "reset" in event] == ["watchdog"]


@pytest.mark.slow
def test_other_families_go_on_in_the_interrupt_through_faults(tmp_path: Path) -> None:
    columns = [
        {"part": "HSC", "range": "040MD", "bus": 0, "address": "0x28"},
        {"part": "SDP3x", "range": "1500Pa", "bus": 0, "address": "0x21"},
        {"part": "ABP2", "range": "010ND", "bus": 0, "address": "0x38"},
    ]
    with EmulatedBoard(tmp_path, board(columns=columns)) as emulated:
        emulated.counts([9000, 8292, 8000])
        emulated.boot()
        emulated.run(0.2)
        healthy = rows([*[line.text for line in emulated.lines], b""])[10:]
        emulated.silent(0x21, 0x38)
        emulated.run(0.3)
        alone = rows([*[line.text for line in emulated.lines[-20:]], b""])
        emulated.silent()
        emulated.hold(9)
        emulated.run(1.3)
        lines = [line.text for line in emulated.lines[-40:]]
        told = emulated.ask("selftest")
    # the SDP3x counts 100 from zero, the ABP2 1024 counts for each of ours
    expected = [b"9000", b"100", b"%d" % (8000 << 10)]
    assert all(row[4:7] == expected for row in healthy)
    assert all(row[4:7] == [b"9000", b"", b""] for row in alone)
    assert all(row[4:7] == expected for row in rows([*lines, b""]))
    assert (told["good"], told["failed_slots"]) == (True, 0)


@pytest.mark.slow
def test_the_alarm_comes_within_two_slots_while_a_run_is_written_or_fetched(tmp_path: Path) -> None:
    # without a throttle the alarm is always awake; with one, raising it ends a fetch
    late_s: dict[str, float] = {}
    with EmulatedBoard(tmp_path, quick(throttle=None, store={"sectors": 2}), watch=[LED]) as emulated:
        emulated.counts(HOLDS)
        emulated.boot()
        assert emulated.ask("store on")["ok"] is True
        emulated.run(1.0)
        before = len(emulated.events)
        emulated.send("store off\n")
        while not any("flash" in event for event in emulated.events[before:]):
            emulated.run(0.001)
        began_s = emulated.now_s
        late_s["a run is written"] = rings_after_s(emulated)
        wrote = [event["t"] for event in emulated.events[before:] if "flash" in event]
        assert wrote[-1] > began_s
        emulated.ask("stop")
        emulated.ask("fetch 1")
        late_s["a run is fetched"] = rings_after_s(emulated)
        assert not [line for line in emulated.lines if b'"done":true' in line.text]
        emulated.run(5, heard='"done":true')
    assert {state: t for state, t in late_s.items() if t > 2 / 200} == {}


@pytest.mark.slow
@pytest.mark.parametrize("minutes", [3, 30])
def test_minutes_of_drives_and_commands_leave_memory_and_slots_as_they_were(
    tmp_path: Path, minutes: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """The store on and off ten times, a drive each, a command every second: ``minutes`` in all."""
    commands = ("info", "runs", "start", "no such word", "rate 200", "caution", "fetch 7", "scan")
    cycle_s = 6 * minutes
    free: list[int] = []
    seq: list[int] = []
    skips: list[tuple[bytes, bytes]] = []
    with EmulatedBoard(tmp_path, quick(store={"where": "flash", "sectors": 4})) as emulated:
        emulated.counts(HOLDS, 10)
        emulated.throttle(1000)
        emulated.boot()
        for _ in range(10):
            assert emulated.ask("store on", 20)["ok"] is True
            for second in range(cycle_s):
                up = 4 <= second < cycle_s - 5
                emulated.throttle(1500 if up else 1000)
                command = commands[second % len(commands)]
                # a scan takes slots with the throttle down, and is refused with the throttle up
                emulated.send(("info" if command == "scan" and not up else command) + "\n")
                emulated.run(1.0)
            assert emulated.ask("store off", 20)["ok"] is True
            emulated.run(1.0)
            kept = emulated.ask("runs", 20)["runs"]
            assert len(kept) == 1
            assert emulated.ask(f"erase {kept[0]['run']}", 20)["ok"] is True
            came = [line.text for line in emulated.lines]
            emulated.lines.clear()
            assert not [line for line in came if isinstance(parse_line(line), Bad)]
            free += [note["free_bytes"] for note in notes([*came, b""], "status")]
            fields = rows([*came, b""])
            seq += [int(row[0]) for row in fields]
            skips += [(row[0], row[3]) for row in fields if int(row[3], 16) & SKIPPED]
        told = emulated.ask("selftest")
    assert told["failed_slots"] == 0
    # a slot is missing only where flash took its time, and there the row says so
    assert not [skip for skip in skips if not int(skip[1], 16) & STALL], skips
    gaps = sum((b - a) % 65536 != 1 for a, b in itertools.pairwise(seq))
    assert gaps == len(skips)
    with capsys.disabled():
        print(
            f"\n{minutes} min: {len(seq)} rows, {gaps} gaps at flash work, free {min(free)} to {max(free)} B"
        )
    # between two collections it goes up and down; the least of the last fifth is not below that of the first
    fifth = len(free) // 5
    assert min(free[-fifth:]) >= min(free[:fifth]) - 1024

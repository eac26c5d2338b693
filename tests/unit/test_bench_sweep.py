"""The host's side of a bench sweep against a scripted board: what it says, and when it says stop."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from undertray.acquire.benchsweep import BenchSweep, SweepPlan
from undertray.acquire.console import BoardConsole
from undertray.acquire.wire import Row, WireNote, check, encode_note
from undertray.errors import LinkError

PLAN = SweepPlan(1100, 1500, 5, 1000)
CAUTION = {
    "to": "caution",
    "ok": True,
    "caution": "mind",
    "number": 7,
    "idle_us": 1000,
    "throttle_max_us": 1600,
}


class Link:
    name = "bench"

    def __init__(self, caution: dict[str, Any]) -> None:
        self.pending = encode_note("reply", {"to": "stop", "ok": True}) + encode_note("reply", caution)
        self.written: list[bytes] = []

    def read(self, timeout_s: float) -> bytes:
        piece, self.pending = self.pending, b""
        return piece

    def write(self, data: bytes) -> None:
        self.written.append(data)

    def close(self) -> None:
        self.written.append(b"(closed)")


class Bench:
    """A sweep, its link, and a clock that goes in ticks of 50 ms."""

    def __init__(self, **caution: Any) -> None:
        self.now_s = 100.0
        self.key = False
        self.link = Link({**CAUTION, **caution})
        console = BoardConsole(self.link, lambda: self.now_s)
        self.sweep = BenchSweep(console, PLAN, lambda: self.key, clock_s=lambda: self.now_s)

    def begin(self) -> None:
        self.sweep.caution()
        self.sweep.open_link()
        self.link.written.clear()

    def run(self, seconds: float, rows: Callable[[], Row] | None = None) -> bool:
        """Ticks, each with a row where there are rows; True once the recording is to end."""
        over = False
        for _ in range(round(seconds / 0.05)):
            self.now_s += 0.05
            if rows is not None:
                self.sweep.take(0, [rows()])
            over = self.sweep.tick()
        return over

    def reply(self, to: str, ok: bool = True, **data: Any) -> None:
        self.sweep.take(0, [WireNote("reply", {"to": to, "ok": ok, **data})])

    def sweeping(self) -> None:
        self.begin()
        self.run(1.0, row)
        self.reply("arm", number=8)
        self.reply("sweep", number=9)


def row(throttle_us: int | None = None, flags: int = 0, counts: tuple[int | None, ...] = (1, 2)) -> Row:
    return Row(0, 0, throttle_us, flags, counts)


def test_each_command_carries_its_number_and_check() -> None:
    bench = Bench()
    bench.sweeping()
    bench.run(1.0, row)
    said = bench.link.written
    assert [line.rpartition(b",")[0] for line in said[:2]] == [b"arm 7", b"sweep 1100 1500 5 1000 8"]
    # a beat every 250 ms from the start of the sweep on; the board waits 1 s
    assert [line.rpartition(b",")[0] for line in said[2:]] == [b"beat 9"] * 4
    for line in said:
        body, _, crc = line.rstrip(b"\n").rpartition(b",")
        assert crc == check(body)
    bench.reply("sweep", why="done")
    assert bench.run(1.6, row)
    assert (bench.sweep.swept, bench.sweep.failure) == (True, None)
    assert len(bench.link.written) == len(said)  # no beat after the end


@pytest.mark.parametrize(
    ("one", "words"),
    [
        (row(throttle_us=1600), "driven already (1600 µs)"),
        (row(throttle_us=1000), "driven already (1000 µs)"),
        (row(flags=2), "the alarm is on"),
        (row(counts=(5, None)), "no reading from p2"),
    ],
)
def test_not_armed_unless_all_is_at_rest(one: Row, words: str) -> None:
    bench = Bench()
    bench.begin()
    bench.run(1.0, lambda: one)
    assert bench.link.written == [b"stop\n"]
    assert words in str(bench.sweep.failure)
    assert bench.run(2.0)


def test_a_second_throttle_without_a_pulse_is_no_silent_sensor() -> None:
    bench = Bench()
    bench.begin()
    bench.sweep.take(0, [WireNote("device", {"channels": ["throttle2_us"]})])
    bench.run(1.0, lambda: row(counts=(1, 2, None)))
    assert bench.link.written[0].startswith(b"arm ")


def test_a_board_that_falls_silent_is_told_to_stop() -> None:
    bench = Bench()
    bench.begin()
    bench.run(5.1)
    assert "sends no rows" in str(bench.sweep.failure)
    for replies, words in ((0, "does not answer to 'arm'"), (1, "does not answer to 'sweep'")):
        bench = Bench()
        bench.begin()
        bench.run(1.0, row)
        if replies:
            bench.reply("arm", number=8)
        bench.run(2.1, row)
        assert words in str(bench.sweep.failure)
        assert bench.link.written[-1] == b"stop\n"
    bench = Bench()
    bench.sweeping()
    bench.run(1.1)
    assert "no rows came for 1 s" in str(bench.sweep.failure)
    assert bench.link.written[-1] == b"stop\n"
    # five steps of 1 s and 2 s more
    bench = Bench()
    bench.sweeping()
    bench.run(6.9, row)
    assert bench.sweep.failure is None
    bench.run(0.2, row)
    assert "did not say that the sweep is over" in str(bench.sweep.failure)


def test_a_key_stops_in_every_state() -> None:
    for begin in (Bench.begin, Bench.sweeping):
        bench = Bench()
        begin(bench)
        bench.key = True
        assert not bench.run(0.05, row)
        assert bench.link.written[-1] == b"stop\n"
        assert "was stopped" in str(bench.sweep.failure)
        assert not bench.sweep.swept


def test_the_boards_own_end_is_told_and_refused_beats_are_not() -> None:
    bench = Bench()
    bench.sweeping()
    bench.reply("beat", ok=False, why="no good check at its end")
    assert bench.sweep.failure is None
    bench.reply("sweep", ok=False, why="no word from the host for 1 s")
    assert "no word from the host" in str(bench.sweep.failure)


def test_the_link_says_stop_before_it_is_closed() -> None:
    bench = Bench()
    bench.sweep.caution()
    bench.sweep.open_link().close()
    assert bench.link.written[-2:] == [b"stop\n", b"(closed)"]


@pytest.mark.parametrize(
    ("caution", "words"),
    [
        ({"throttle_max_us": 1400}, "got '1500 µs', expected 1000 to 1400 µs"),
        ({"idle_us": 1200}, "got '1100 µs', expected 1200 to 1600 µs"),
        ({"caution": None}, "is not understood"),
        ({"number": "7"}, "is not understood"),
        ({"throttle_max_us": True}, "is not understood"),
        ({"ok": False, "why": "the receiver is on it"}, "refuses 'caution', got 'the receiver is on it'"),
    ],
)
def test_a_board_that_may_not_or_makes_no_sense(caution: dict[str, Any], words: str) -> None:
    bench = Bench(**caution)
    with pytest.raises(LinkError) as told:
        bench.sweep.caution()
    assert words in str(told.value)
    assert not any(line.startswith((b"arm", b"sweep")) for line in bench.link.written)


def test_widths_are_those_of_the_board() -> None:
    assert PLAN.widths_us == [1100, 1200, 1300, 1400, 1500]
    assert SweepPlan(1000, 1500, 4, 50).widths_us == [1000, 1166, 1333, 1500]

"""The recorder on a scripted link and a clock that only the script moves."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from fakes.board import ScriptedBoard, device_line
from fakes.link import Clock, ScriptedLink, vanished
from undertray.acquire.clock import board_time
from undertray.acquire.link import LinkEnded
from undertray.acquire.recorder import Recorder, Recording
from undertray.acquire.runlog import Run, read_run
from undertray.acquire.wire import encode_note
from undertray.errors import LinkError, RunLogError, UndertrayError

Script = list[tuple[float, bytes | Exception]]


class Bench:
    """One recording: scripts are the links opened one after the other."""

    def __init__(self, tmp_path: Path, *scripts: Script | Exception, **options: Any) -> None:
        self.clock = Clock()
        self.path = tmp_path / "run.csv"
        self.scripts = list(scripts)
        self.links: list[ScriptedLink] = []
        self.said: list[str] = []
        self.recorder = Recorder(
            self.open,
            self.path,
            {"skirt": "soft"},
            clock_us=self.clock,
            sleep=self.clock.sleep,
            say=self.said.append,
            **options,
        )

    def open(self) -> ScriptedLink:
        script = self.scripts.pop(0) if self.scripts else LinkError("there is no such port")
        if isinstance(script, Exception):
            raise script
        self.links.append(ScriptedLink(self.clock, script))
        return self.links[-1]

    def run(self, until_s: float = 1e9) -> Recording:
        return self.recorder.run(lambda: self.clock.us >= until_s * 1e6)

    def log(self) -> Run:
        return read_run(self.path)


def rows(board: ScriptedBoard, count: int, start_s: float) -> Script:
    return [(start_s + i * board.period_us / 1e6, board.line()) for i in range(count)]


def test_a_run_of_two_seconds(tmp_path: Path) -> None:
    board = ScriptedBoard()
    bench = Bench(tmp_path, [(0.1, board.device_line()), *rows(board, 1000, 0.2)], seconds=2)
    done = bench.run()
    run = bench.log()
    assert (done.rows, done.bad, done.lost, done.why) == (401, 0, 0, "time is up")
    assert len(run.seq) == 401
    assert run.host_us[0] == 200_000
    assert run.facts["skirt"] == "soft"
    assert run.facts["started_utc"].endswith("Z")
    assert run.end is not None
    assert run.end["rows"] == 401
    assert run.end["seconds"] == pytest.approx(2.0, abs=0.01)
    assert bench.links[0].closed


def test_a_mark_is_a_line_of_its_own_and_is_found_on_the_time_line_of_the_rows(tmp_path: Path) -> None:
    from undertray.acquire.inspection import inspect_run

    board = ScriptedBoard()
    script = [(0.1, board.device_line()), *rows(board, 400, 0.2)]

    due, marked_us = [700_000, 1_200_000], []

    def watch(now_us: int, good: list[Any]) -> None:
        if due and now_us >= due[0]:
            due.pop(0)
            marked_us.append(bench.recorder.now_us)
            bench.recorder.mark()

    bench = Bench(tmp_path, script, watch=watch)
    bench.clock.us = 1
    bench.recorder.mark()  # before there is a log there is nothing to mark
    bench.run(until_s=2)
    text = bench.path.read_bytes()
    for number, at_us in enumerate(marked_us, 1):
        assert b'\n#mark %d {"number": %d}\n' % (at_us, number) in text
    found = inspect_run(bench.log())
    assert (found.bad_lines, found.rows, bench.recorder.marks) == (0, 361, 2)
    # rows come from 0.2 s of the host's clock on, and the delay is the same for all
    assert found.marks_s == pytest.approx([at_us / 1e6 - 0.2 for at_us in marked_us], abs=1e-3)
    assert found.marks_s == pytest.approx((0.5, 1.0), abs=0.06)  # a read takes 50 ms


@pytest.mark.parametrize(
    "line", [b"#mark", b"#mark x {}", b"#mark -1 {}", b"#mark 5 []", b"#mark 5 {", b"#mark 5"]
)
def test_a_mark_that_is_none_is_a_bad_line(tmp_path: Path, line: bytes) -> None:
    board = ScriptedBoard()
    bench = Bench(tmp_path, [(0.1, board.device_line()), *rows(board, 100, 0.2)])
    bench.run(until_s=1)
    text = bench.path.read_bytes()
    bench.path.write_bytes(text.replace(b"#end", line + b"\n#end"))
    run = bench.log()
    assert run.bad_lines == 1
    assert [note.kind for note in run.notes].count("mark") == 0


def test_the_board_is_asked_and_never_stopped(tmp_path: Path) -> None:
    board = ScriptedBoard()
    bench = Bench(tmp_path, [(0.1, board.device_line()), *rows(board, 100, 0.2)])
    bench.run(until_s=0.6)
    assert bench.links[0].written == [(0, b"info\nstart\n")]


def test_a_board_that_was_off_is_asked_again(tmp_path: Path) -> None:
    board = ScriptedBoard()
    bench = Bench(tmp_path, [(4.5, board.device_line()), *rows(board, 100, 4.6)])
    bench.run(until_s=5)
    assert [round(at / 1e6) for at, _ in bench.links[0].written] == [0, 2, 4]
    assert len(bench.log().seq) > 50


def test_everything_that_came_is_in_the_log(tmp_path: Path) -> None:
    board = ScriptedBoard(3)
    noise = b"17,98\x00,15%\xff\x1b[2J\n"
    first, second, late = board.line(), board.line(), board.line()
    status = encode_note("status", {"t_us": 1, "skipped": 0})
    stream = [
        first[7:],
        first + noise + b"\r\n",
        second[:9],
        second[9:] + status,
        late[:-6] + b"0" + late[-6:],
    ]
    bench = Bench(tmp_path, [(0.1 * i, piece) for i, piece in enumerate(stream)])
    bench.run(until_s=0.9)
    text = bench.path.read_bytes()
    assert b"#bad 100000 17,98%00,15%25%FF%1B[2J\n" in text
    assert b"#bad 100000 \n" in text
    assert b"\n100000," + first in text
    assert b"\n300000," + second in text  # the time of the read that completed it
    assert b"#wire 300000 " + status in text
    run = bench.log()
    assert (len(run.seq), run.bad_lines, len(run.notes)) == (2, 3, 1)
    assert run.end is not None
    assert (run.end["bad"], run.end["dropped_bytes"]) == (3, len(first) - 7 - 1)


@pytest.mark.parametrize("told", [True, False])
def test_the_header_stands_before_the_first_row(tmp_path: Path, told: bool) -> None:
    board = ScriptedBoard(2)
    script: Script = rows(board, 50, 0.1)
    bench = Bench(tmp_path, [(0.05 if told else 0.2, board.device_line()), *script])
    bench.run(until_s=0.4)
    lines = bench.path.read_bytes().splitlines()
    plain = [line for line in lines if not line.startswith(b"#")]
    assert plain[0] == b"host_us,seq,t_us,throttle_us,flags,p1,p2,crc"
    assert plain[1].startswith(b"100000,0,")
    assert bench.log().columns == ("p1", "p2")


def test_a_log_is_never_overwritten(tmp_path: Path) -> None:
    (tmp_path / "run.csv").write_text("precious")
    bench = Bench(tmp_path, [])
    with pytest.raises(RunLogError, match="never overwritten"):
        bench.run()
    assert bench.links == []  # not even the board was touched
    assert (tmp_path / "run.csv").read_text() == "precious"


def test_of_several_names_the_first_that_nobody_has(tmp_path: Path) -> None:
    board = ScriptedBoard()
    bench = Bench(tmp_path, [(0.1, board.device_line()), *rows(board, 100, 0.2)])
    paths = [tmp_path / f"{name}.csv" for name in "abc"]
    for path in paths[:2]:
        path.write_text("precious")
    bench.recorder._paths = paths
    assert bench.run(until_s=0.5).path == paths[2]
    assert len(read_run(paths[2]).seq) > 50
    assert [path.read_text() for path in paths[:2]] == ["precious"] * 2
    bench = Bench(tmp_path, [])
    bench.recorder._paths = paths
    with pytest.raises(RunLogError, match=r"c\.csv: this file exists"):
        bench.run()


def test_no_folder(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [])
    bench.recorder._paths = [tmp_path / "none" / "run.csv"]
    with pytest.raises(
        RunLogError,
        match=r"cannot make the log \(No such file or directory\); make the folder, or choose another",
    ):
        bench.run()
    assert bench.links[0].closed


def strangers() -> list[tuple[Script, str]]:
    return [
        ([], "the port is silent"),
        ([(0.1, b"\0\0\0")], "the port is silent"),
        ([(0.1, b">>> \r\n>>> info\r\nNameError: name 'info'\r\n")], "MicroPython's own console answers"),
        ([(0.1, b"$GPGGA,1234\r\n"), (0.3, b"$GPGGA,1235\r\n")], "not from an undertray board"),
        ([(0.1, bytes(range(128, 256)) * 3)], "wrong speed"),
        ([(0.1, b"\x1b]0;evil\x07\x1b[31m\n" * 5)], "undertray board"),
        ([(0.1, b"a,b\n"), (0.2, LinkEnded("end"))], "not from an undertray board"),
        ([(0.1, vanished())], "vanished"),
    ]


@pytest.mark.parametrize(("script", "match"), strangers())
def test_what_is_no_board_gets_one_clear_line_and_no_file(tmp_path: Path, script: Script, match: str) -> None:
    bench = Bench(tmp_path, script)
    with pytest.raises(LinkError, match=match) as caught:
        bench.run()
    assert bench.clock.us <= 5.2e6
    assert str(caught.value).isprintable()
    assert not bench.path.exists()
    assert bench.links[0].closed


def test_a_board_that_answers_but_sends_no_rows(tmp_path: Path) -> None:
    refusal = encode_note("reply", {"to": "start", "ok": False, "why": "no sensor on the bus"})
    alive: Script = [(at, encode_note("status", {"skipped": 0})) for at in range(1, 20)]
    bench = Bench(tmp_path, [(0.1, device_line() + refusal), *alive])
    with pytest.raises(LinkError, match=r"sends no rows.*no sensor on the bus"):
        bench.run()


UNFIT = {
    "ok": False,
    "why": "board.json: columns[2]: unknown part 'HSX', known: HSC, SDP8xx\x1b[2J" + 999 * ".",
}


@pytest.mark.parametrize("to", ["info", "board"])
def test_a_board_that_refuses_its_description_is_quoted_at_once(tmp_path: Path, to: str) -> None:
    """It answers, so it is no stranger, but no row will ever come: the name of the log stays free."""
    bench = Bench(tmp_path, [(0.1, encode_note("reply", {"to": to, **UNFIT}))])
    with pytest.raises(LinkError, match=r"cannot work: .*unknown part 'HSX', known: HSC.*; put") as caught:
        bench.run()
    assert bench.clock.us <= 0.3e6
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 600
    assert not bench.path.exists()


def test_a_complaint_of_a_board_that_works_ends_nothing(tmp_path: Path) -> None:
    board = ScriptedBoard()
    complaint = encode_note("reply", {"to": "board", **UNFIT})
    bench = Bench(tmp_path, [(0.1, board.line() + complaint + board.device_line()), *rows(board, 50, 0.2)])
    assert bench.run(until_s=2).rows > 1


def test_a_port_that_vanishes_ends_the_log_properly(tmp_path: Path) -> None:
    board = ScriptedBoard()
    bench = Bench(
        tmp_path,
        [(0.1, board.device_line()), *rows(board, 100, 0.2), (0.8, board.line()[:9]), (1.0, vanished())],
    )
    with pytest.raises(LinkError, match="vanished"):
        bench.run()
    run = bench.log()
    assert len(run.seq) == 100
    assert run.end is not None
    assert (run.end["why"], run.end["rows"], run.end["dropped_bytes"]) == ("port vanished", 100, 9)
    assert bench.said[1:] == ["the port vanished; waiting 5 s for it to come back"]
    assert bench.clock.us == pytest.approx(6e6, abs=0.3e6)


def test_the_same_board_coming_back_goes_on_in_the_same_log(tmp_path: Path) -> None:
    board = ScriptedBoard()
    before: Script = [(0.1, board.device_line()), *rows(board, 100, 0.2), (0.9, vanished())]
    board.slot += 200
    early = rows(board, 20, 1.7)  # come before the board has said who it is
    after: Script = [*early, (1.8, board.device_line()), *rows(board, 50, 1.81)]
    bench = Bench(tmp_path, before, LinkError("no"), LinkError("no"), after)
    done = bench.run(until_s=2.2)
    run = bench.log()
    assert len(run.seq) == 170
    assert run.bad_lines == 0
    assert run.host_us[100] == 1_700_000  # held back, and stamped with its own time
    assert done.segments == 2
    assert bench.links[1].written[0][1] == b"info\nstart\n"
    assert all(link.closed for link in bench.links)


@pytest.mark.parametrize("early", [0, 20])
def test_an_unplugged_board_is_one_new_segment_whatever_comes_first(tmp_path: Path, early: int) -> None:
    """Without power it boots anew, and may stream before it says so: still one break, as in the log."""
    first, second = ScriptedBoard(boot=1), ScriptedBoard(boot=2)
    before: Script = [(0.1, first.device_line()), *rows(first, 600, 0.2), (3.3, vanished())]
    after: Script = [*rows(second, early, 4), (4.2, second.device_line()), *rows(second, 150, 4.21)]
    bench = Bench(tmp_path, before, after)
    done = bench.run(until_s=6)
    assert board_time(bench.log()).resets == 1
    assert done.segments == 2


def test_another_board_coming_back_ends_the_log(tmp_path: Path) -> None:
    board, other = ScriptedBoard(), ScriptedBoard(uid="0badf00d")
    before: Script = [(0.1, board.device_line()), *rows(board, 100, 0.2), (0.9, vanished())]
    bench = Bench(tmp_path, before, [(1.0, other.line() + other.device_line())])
    with pytest.raises(LinkError, match=r"another board came back.*0badf00d.*e6614103e7"):
        bench.run()
    run = bench.log()
    assert len(run.seq) == 100
    assert run.end is not None


def test_a_board_that_goes_on_is_known_by_its_clock(tmp_path: Path) -> None:
    board = ScriptedBoard()
    before: Script = [(0.1, board.device_line()), *rows(board, 100, 0.2), (0.9, vanished())]
    board.slot += 100
    bench = Bench(tmp_path, before, [(1.2, board.line()[9:]), *rows(board, 300, 1.21)])
    done = bench.run(until_s=2)
    assert (done.rows, done.bad, done.segments) == (100 + 159, 0, 2)
    assert done.lost == 101  # while the link was away, and the half line


def test_another_board_is_found_out_by_its_note_even_where_its_clock_agrees(tmp_path: Path) -> None:
    board, other = ScriptedBoard(), ScriptedBoard(uid="0badf00d")
    before: Script = [(0.1, board.device_line()), *rows(board, 100, 0.2), (0.9, vanished())]
    other.slot = 200
    bench = Bench(
        tmp_path, before, [*rows(other, 20, 1.2), (1.5, other.device_line()), *rows(other, 99, 1.6)]
    )
    with pytest.raises(LinkError, match="another board came back"):
        bench.run()
    assert len(bench.log().seq) == 120


@pytest.mark.parametrize(
    "changes",
    [{"seq": 30_000}, {"start_us": 500_000}, {"seq": 0, "start_us": 81_235}],
    ids=["other slots", "other clock", "begun anew"],
)
def test_who_does_not_go_on_nor_says_who_it_is_has_its_lines_kept_apart(
    tmp_path: Path, changes: dict[str, int]
) -> None:
    board = ScriptedBoard()
    before: Script = [(0.1, board.device_line()), *rows(board, 100, 0.2), (0.9, vanished())]
    other = ScriptedBoard(**{"seq": 140, "start_us": 81_235 + 140 * 5000, **changes})  # type: ignore[arg-type]
    bench = Bench(tmp_path, before, rows(other, 4000, 1))
    with pytest.raises(LinkError, match="does not say which board it is"):
        bench.run()
    assert bench.clock.us == pytest.approx(13e6, abs=0.2e6)  # the note comes by itself every 10 s
    run = bench.log()
    assert len(run.seq) == 100
    assert run.bad_lines == pytest.approx(12 * 200, abs=5)
    assert run.end is not None
    assert run.end["bad"] == run.bad_lines


def test_what_is_held_back_is_bounded_and_a_stop_loses_none_of_it(tmp_path: Path) -> None:
    board = ScriptedBoard()
    before: Script = [(0.1, board.device_line()), *rows(board, 100, 0.2), (0.9, vanished())]
    line = ScriptedBoard(4, seq=30_000).line()
    flood = [(1 + i / 1000, 100 * line) for i in range(1000)]
    bench = Bench(tmp_path, before, flood)
    with pytest.raises(LinkError, match="does not say which board it is"):
        bench.run()
    assert bench.log().bad_lines * (len(line) - 1) < (1 << 20) + 100 * len(line)  # to one read
    (tmp_path / "run.csv").unlink()
    bench = Bench(tmp_path, before, flood)
    assert bench.run(until_s=1.01).why == "stopped"
    assert bench.log().bad_lines >= 1000


def test_time_that_is_up_while_the_link_is_lost_is_no_success(tmp_path: Path) -> None:
    board = ScriptedBoard()
    before: Script = [(0.1, board.device_line()), *rows(board, 100, 0.2), (0.9, vanished())]
    bench = Bench(tmp_path, before, [], seconds=2)
    with pytest.raises(LinkError, match="vanished"):
        bench.run()
    assert bench.clock.us == pytest.approx(2.2e6, abs=0.1e6)


def test_a_board_that_falls_silent_counts_as_lost(tmp_path: Path) -> None:
    board = ScriptedBoard()
    bench = Bench(tmp_path, [(0.1, board.device_line()), *rows(board, 100, 0.2)], [])
    with pytest.raises(LinkError, match="went silent for 5 s"):
        bench.run()
    run = bench.log()
    assert run.end is not None
    assert run.end["why"] == "silent"
    assert bench.clock.us == pytest.approx(10.7e6, abs=0.5e6)


def test_a_stop_while_the_link_is_lost_is_a_stop(tmp_path: Path) -> None:
    board = ScriptedBoard()
    bench = Bench(tmp_path, [(0.1, board.device_line()), *rows(board, 100, 0.2), (0.9, vanished())])
    assert bench.run(until_s=2).why == "stopped"


def test_a_reset_is_a_new_segment_and_the_board_is_asked_again(tmp_path: Path) -> None:
    first, second = ScriptedBoard(boot=1), ScriptedBoard(boot=2)
    script = [
        (0.1, first.device_line()),
        *rows(first, 100, 0.2),
        (1.5, second.device_line()),
        *rows(second, 100, 3.5),
    ]
    bench = Bench(tmp_path, script)
    done = bench.run(until_s=4.2)
    assert done.segments == 2
    assert done.lost == 0
    assert [at for at, data in bench.links[0].written if data == b"info\nstart\n"][:2] == [0, 1_500_000]
    assert len(bench.log().seq) == 200


def test_a_recorded_file_ends_without_complaint(tmp_path: Path) -> None:
    board = ScriptedBoard()
    bench = Bench(tmp_path, [(0, board.device_line() + b"".join(board.lines(10))), (0.1, LinkEnded("end"))])
    assert bench.run().why == "end of file"
    assert len(bench.log().seq) == 10


def test_lost_slots_are_counted(tmp_path: Path) -> None:
    board = ScriptedBoard(seq=65_530)
    script = [(0.1, board.device_line()), *rows(board, 20, 0.2)]
    board.slot += 7
    bench = Bench(tmp_path, [*script, *rows(board, 20, 0.4)])
    assert bench.run(until_s=0.6).lost == 7


def test_a_stop_before_anything_came_leaves_no_file(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [(0.1, b"noise\n")])
    with pytest.raises(LinkError, match="before the board had sent anything"):
        bench.run(until_s=1)
    assert not bench.path.exists()


@pytest.mark.parametrize("error", [KeyboardInterrupt(), RuntimeError("a bug"), MemoryError()])
def test_whatever_is_raised_the_log_is_closed(tmp_path: Path, error: BaseException) -> None:
    board = ScriptedBoard()

    def watch(now_us: int, good: list[object]) -> None:
        if now_us > 400_000:
            raise error

    bench = Bench(tmp_path, [(0.1, board.device_line()), *rows(board, 100, 0.2)], watch=watch)
    with pytest.raises(type(error)):
        bench.run()
    run = bench.log()
    assert run.end is not None
    assert run.end["why"] == ("stopped" if isinstance(error, KeyboardInterrupt) else "failed")
    assert len(run.seq) == run.end["rows"] > 35


def test_watch_gets_what_came(tmp_path: Path) -> None:
    board = ScriptedBoard()
    seen: list[int] = []
    watch: Callable[[int, list[object]], None] = lambda now_us, good: seen.append(len(good))  # noqa: E731
    bench = Bench(tmp_path, [(0.1, board.device_line()), *rows(board, 100, 0.2)], watch=watch)
    bench.run(until_s=1)
    assert sum(seen) == 101


def test_columns_that_change_are_bad_lines_not_a_crash(tmp_path: Path) -> None:
    board, wider = ScriptedBoard(2), ScriptedBoard(3, seq=10)
    script = [
        (0.1, board.device_line()),
        *rows(board, 10, 0.2),
        (0.3, wider.device_line()),
        *rows(wider, 5, 0.4),
    ]
    bench = Bench(tmp_path, script)
    done = bench.run(until_s=0.6)
    assert (done.rows, done.bad) == (10, 5)
    assert len(bench.log().seq) == 10


def test_facts_beyond_reason_are_refused(tmp_path: Path) -> None:
    bench = Bench(tmp_path, [])
    bench.recorder._facts = {"notes": "x" * 70_000}
    with pytest.raises(UndertrayError, match="too many facts"):
        bench.run()
    assert not bench.path.exists()

"""``undertray fetch``: what the firmware kept becomes a log that reads and reduces as a live one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from fakes.board import ScriptedBoard, device_line
from firmware.runs import notes, simulate
from undertray import Car, read_run, reduce_run
from undertray.acquire import link as link_module
from undertray.acquire.clock import board_time
from undertray.acquire.fetch import Fetcher
from undertray.acquire.wire import encode_note
from undertray.cli import app
from undertray.errors import LinkError, RunLogError

LOGS = Path(__file__).parents[2] / "demo_logs"


def reply(to: str, **data: Any) -> bytes:
    return encode_note("reply", {"to": to, "ok": True, **data})


class Console:
    """A board's console: answers a command by the bytes of a function, in pieces of 64 as USB has them."""

    name = "console"

    def __init__(self, answers: dict[str, Callable[[str], bytes]], before: bytes = b"") -> None:
        self.answers = answers
        self.pending = before
        self.written: list[str] = []
        self.now_s = 0.0
        self.closed = False

    def read(self, timeout_s: float) -> bytes:
        piece, self.pending = self.pending[:64], self.pending[64:]
        self.now_s += 0 if piece else timeout_s
        return piece

    def write(self, data: bytes) -> None:
        command = data.decode().strip()
        self.written.append(command)
        answer = self.answers.get(command.partition(" ")[0])
        self.pending += answer(command) if answer else b""

    def close(self) -> None:
        self.closed = True


def board_with(runs: dict[int, bytes], before: bytes = b"") -> Console:
    """A board that keeps these runs."""

    def fetch(command: str) -> bytes:
        number = int(command.split()[1])
        if number not in runs:
            return encode_note("reply", {"to": "fetch", "ok": False, "why": f"no run '{number}'"})
        text = runs[number]
        head = reply("fetch", run=number, bytes=len(text))
        return head + text + reply("fetch", run=number, lines=text.count(b"\n"), done=True)

    def erase(command: str) -> bytes:
        runs.pop(int(command.split()[1]))
        return reply("erase")

    return Console(
        {
            "stop": lambda _: reply("stop"),
            "runs": lambda _: reply("runs", runs=[{"run": n, "bytes": len(t)} for n, t in runs.items()]),
            "fetch": fetch,
            "erase": erase,
        },
        before,
    )


def kept(rows: int = 300, **board: Any) -> bytes:
    """A run as a board keeps it."""
    scripted = ScriptedBoard(**board)
    return scripted.device_line() + b"".join(scripted.lines(rows))


def fetcher(console: Console) -> Fetcher:
    return Fetcher(console, clock_s=lambda: console.now_s)


def test_the_log_has_the_boards_own_lines(tmp_path: Path) -> None:
    text = kept(300, start_us=(1 << 30) - 500_000, seq=65_400)
    console = board_with({7: text})
    with fetcher(console).session():
        done = fetcher(console).fetch(7, tmp_path / "new" / "folder", {"skirt": "b"})
    assert (done.rows, done.bad, done.new) == (300, 0, True)
    assert done.path.name == "e6614103e7-deadbeef-00007.csv"
    lines = done.path.read_bytes().splitlines()
    rows = [line.partition(b",")[2] for line in lines if line[:1].isdigit()]
    assert rows == text.splitlines()[1:]
    run = read_run(done.path)
    assert (run.bad_lines, run.cut_off, run.facts["stored_run"], run.facts["skirt"]) == (0, False, 7, "b")
    assert "started_utc" not in run.facts
    # board time over the wrap of the ticks, in the place of the host's
    assert run.host_us.tolist() == [5000 * i for i in range(300)]
    time = board_time(run)
    assert time.lost_rows == 0
    assert time.resets == 0
    assert time.skew_ppm is None  # there is no other clock to compare with
    assert time.t_s[-1] == pytest.approx(299 * 0.005)
    assert [p.name for p in (tmp_path / "new" / "folder").iterdir()] == [done.path.name]


def test_what_the_firmware_kept_reduces_as_what_it_sent(tmp_path: Path) -> None:
    """The firmware's own bytes, live and kept, of the same drive."""
    lines = simulate(
        tmp_path / "board",
        "twin",
        end_us=9_000_000,
        throttle_us=1000,
        changes=[
            [1_000_000, {"throttle_us": 1600}],
            [3_000_000, {"suction_pa": [150, 500, 250, 2000]}],
            [4_500_000, {"throttle_us": 1000, "suction_pa": [0, 0, 0, 0]}],
        ],
        script=[[400_000, "store on"], [7_000_000, "stop"], [7_200_000, "runs"], [7_400_000, "fetch 1"]],
    )[:-1]
    ends = {(n["to"], n.get("done", False)): i for i, n in _replies(lines)}
    live, listing = lines[: ends["stop", False]], lines[ends["runs", False]]
    between = lines[ends["fetch", False] : ends["fetch", True] + 1]
    console = Console(
        {
            "stop": lambda _: lines[ends["stop", False]] + b"\n",
            "runs": lambda _: listing + b"\n",
            "fetch": lambda _: b"\n".join(between) + b"\n",
        },
        b"\n".join(live[-50:]) + b"\n",
    )
    talk = fetcher(console)
    with talk.session():
        runs = talk.runs()
        done = talk.fetch(1, tmp_path, {})
    assert [run.number for run in runs] == [1]
    assert runs[0].size == sum(len(line) + 1 for line in between[1:-1])
    assert console.written == ["stop", "runs", "fetch 1", "start"]  # it streamed, so it streams again
    fetched = read_run(done.path)
    sent = {line.split(b",")[0]: line for line in live if line[:1].isdigit()}
    # the same rows as a plain capture of the live stream
    device = next(line for line in live if line.startswith(b"#device"))
    same = [sent[str(seq).encode()] for seq in fetched.seq.tolist()]
    capture = tmp_path / "capture.txt"
    capture.write_bytes(b"\n".join([device, *same]) + b"\n")
    live_run = read_run(capture)
    for name in ("seq", "t_us", "flags", "counts", "throttle_us"):
        assert np.array_equal(getattr(fetched, name), getattr(live_run, name), equal_nan=name[0] in "ct"), (
            name
        )
    car = Car.from_toml(LOGS / "car.toml")
    a, b = (reduce_run(run, car).as_dict() for run in (fetched, live_run))
    a.pop("run")
    b.pop("run")
    assert a == b
    assert a["rows"] > 1000


def _replies(lines: list[bytes]) -> list[tuple[int, dict[str, Any]]]:
    return [(i, notes([line, b""], "reply")[0]) for i, line in enumerate(lines) if line.startswith(b"#reply")]


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        # the board's last word then hangs on to the half line
        (lambda text: text[:-30], "sends more than the run has"),
        (lambda text: b"".join(text.splitlines(True)[:-1]), "did not come whole"),
        (lambda text: text + text.splitlines(True)[-1], "sends more than the run has"),
        (lambda text: text[: len(text) // 2], "did not come whole"),
    ],
    ids=["half a line less", "a line less", "a line more", "half"],
)
def test_a_run_that_does_not_come_whole_leaves_nothing(
    tmp_path: Path, spoil: Callable[[bytes], bytes], words: str
) -> None:
    text = kept(50)
    console = board_with({1: text})
    whole = console.answers["fetch"]
    console.answers["fetch"] = lambda command: whole(command).replace(text, spoil(text))
    with pytest.raises(LinkError, match=words):
        fetcher(console).fetch(1, tmp_path, {})
    assert list(tmp_path.iterdir()) == []


def test_a_board_that_restarts_or_goes_silent_while_it_sends(tmp_path: Path) -> None:
    text = kept(50)
    other = ScriptedBoard(boot=1)
    answer = reply("fetch", run=1, bytes=len(text)) + text[:1500].rpartition(b"\n")[0] + b"\n"
    console = Console({"fetch": lambda _: answer + other.device_line()})
    with pytest.raises(RunLogError, match="restarted in the middle"):
        fetcher(console).fetch(1, tmp_path, {})
    console = Console({"fetch": lambda _: answer})
    with pytest.raises(LinkError, match="does not answer"):
        fetcher(console).fetch(1, tmp_path, {})
    assert console.now_s < 11
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"", "does not answer to 'runs'"),
        (b"rubbish\n" * 100, "does not answer to 'runs'"),
        (
            encode_note("reply", {"to": "runs", "ok": False, "why": "no flash"}),
            "refuses 'runs', got 'no flash'",
        ),
        (reply("runs"), "makes no sense"),
        (reply("runs", runs=7), "makes no sense"),
        (reply("runs", runs=[7]), "makes no sense"),
        (reply("runs", runs=[{"run": "1", "bytes": 3}]), "makes no sense"),
        (reply("runs", runs=[{"run": 1, "bytes": -3}]), "makes no sense"),
        (reply("runs", runs=[{"run": 1, "bytes": 2**40}]), "makes no sense"),
        (reply("runs", runs=[{"run": True, "bytes": 3}]), "makes no sense"),
    ],
)
def test_answers_of_a_strange_board(answer: bytes, words: str) -> None:
    with pytest.raises(LinkError, match=words):
        fetcher(Console({"runs": lambda _: answer})).runs()


def test_a_run_without_a_description_is_no_run(tmp_path: Path) -> None:
    rows = b"".join(ScriptedBoard().lines(5))
    with pytest.raises(RunLogError, match="does not begin with the board's description"):
        fetcher(board_with({1: rows})).fetch(1, tmp_path, {})
    with pytest.raises(RunLogError, match="the run is empty"):
        fetcher(board_with({1: b""})).fetch(1, tmp_path, {})


def test_a_line_damaged_on_the_flash_is_kept_as_bad(tmp_path: Path) -> None:
    lines = kept(50).splitlines(True)
    lines[20] = lines[20][:5] + b"\xff" + lines[20][6:]
    done = fetcher(board_with({1: b"".join(lines)})).fetch(1, tmp_path, {})
    assert (done.rows, done.bad) == (49, 1)
    run = read_run(done.path)
    assert run.bad_lines == 1
    assert board_time(run).lost_rows == 1


def test_names_tell_runs_apart(tmp_path: Path) -> None:
    first, second = kept(50), kept(60, start_us=7_000_000)
    assert fetcher(board_with({1: first})).fetch(1, tmp_path, {}).new
    again = fetcher(board_with({1: first})).fetch(1, tmp_path, {"skirt": "other"})
    assert not again.new
    # the board gave the number of an erased run once more
    other = fetcher(board_with({1: second})).fetch(1, tmp_path, {})
    assert other.new
    assert other.path.name.endswith("-00001-2.csv")
    assert len(list(tmp_path.iterdir())) == 2
    hostile = device_line(uid="../../x")
    path = fetcher(board_with({1: hostile})).fetch(1, tmp_path, {}).path
    assert path.parent == tmp_path
    assert path.name == "board-deadbeef-00001.csv"


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    taken = tmp_path / "file"
    taken.write_text("x", encoding="utf-8")
    with pytest.raises(RunLogError, match="cannot be written"):
        fetcher(board_with({1: kept(5)})).fetch(1, taken, {})


def test_a_quiet_board_stays_quiet(tmp_path: Path) -> None:
    console = board_with({})
    talk = fetcher(console)
    with talk.session():
        assert talk.runs() == []
    assert console.written == ["stop", "runs"]
    live = board_with({}, kept(5))
    talk = fetcher(live)
    with pytest.raises(RunLogError), talk.session():
        raise RunLogError("anything")
    assert live.written == ["stop", "start"]


def test_the_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    runs = {1: kept(20), 3: kept(30, start_us=1)}
    boards: list[Console] = []

    def open_link(port: str, baud: int) -> Console:
        boards.append(board_with(runs))
        return boards[-1]

    monkeypatch.setattr(link_module, "open_link", open_link)
    run = CliRunner()
    listed = run.invoke(app, ["fetch", "--port", "x", "--list"])
    assert listed.exit_code == 0
    assert [line.split()[0] for line in listed.stdout.splitlines()] == ["1", "3"]
    done = run.invoke(app, ["fetch", "--port", "x", "--all", "--out", str(tmp_path), "--erase", "--car", "c"])
    assert done.exit_code == 0, done.output
    paths = [Path(line) for line in done.stdout.splitlines()]
    assert [len(read_run(path).seq) for path in paths] == [20, 30]
    assert read_run(paths[0]).facts["car"] == "c"
    assert runs == {}
    empty = run.invoke(app, ["fetch", "--port", "x", "--list"])
    assert (empty.exit_code, empty.stdout) == (0, "")
    assert "there are no runs on the board" in empty.stderr
    assert all(board.closed for board in boards)
    nothing = run.invoke(app, ["fetch", "--port", "x", "2", "--out", str(tmp_path)])
    assert isinstance(nothing.exception, LinkError)
    assert run.invoke(app, ["fetch", "--port", "x"]).exit_code == 2
    assert run.invoke(app, ["fetch", "--port", "x", "0", "--out", str(tmp_path)]).exit_code == 2

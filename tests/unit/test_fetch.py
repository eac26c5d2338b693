"""``undertray fetch``: what the firmware kept becomes a log that reads and reduces as a live one."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fakes.board import ScriptedBoard, device_line
from fakes.program import CliRunner
from firmware.runs import notes, simulate
from undertray import Car, read_run, reduce_run
from undertray.acquire import link as link_module
from undertray.acquire.clock import board_time
from undertray.acquire.keptruns import Fetcher
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
        text, start = runs[number], int([*command.split(), "0"][2])
        head = reply("fetch", run=number, bytes=len(text), **{"from": start})
        digest = hashlib.sha256(text).hexdigest()
        return head + text[start:] + reply("fetch", run=number, sha256=digest, done=True)

    def erase(command: str) -> bytes:
        _, number, digest = command.split()
        if not hashlib.sha256(runs[int(number)]).hexdigest().startswith(digest) or len(digest) != 16:
            return encode_note("reply", {"to": "erase", "ok": False, "why": "another digest"})
        runs.pop(int(number))
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


def spoilt(runs: dict[int, bytes], spoil: Callable[[bytes], bytes], times: int = 99) -> Console:
    """A board whose first ``times`` transfers come spoilt, their two replies aside."""
    console = board_with(runs)
    whole = console.answers["fetch"]
    left = [times]

    def fetch(command: str) -> bytes:
        head, *lines, last, _ = whole(command).split(b"\n")
        text = b"".join(line + b"\n" for line in lines)
        left[0] -= 1
        return head + b"\n" + (spoil(text) if left[0] >= 0 else text) + last + b"\n"

    console.answers["fetch"] = fetch
    return console


def flipped(at: int) -> Callable[[bytes], bytes]:
    def flip(text: bytes) -> bytes:
        i = at % len(text)
        return text[:i] + bytes([text[i] ^ 1]) + text[i + 1 :]

    return flip


@pytest.mark.parametrize(
    "spoil",
    [
        flipped(1500),
        lambda text: text[:-30],  # the board's last word then hangs on to the half line
        lambda text: b"".join(text.splitlines(True)[:-1]),
        lambda text: text + text.splitlines(True)[-1],
        lambda text: text[: len(text) // 2],
    ],
    ids=["a bit", "half a line less", "a line less", "a line more", "half"],
)
def test_damage_on_the_way_is_asked_for_again_and_never_kept(
    tmp_path: Path, spoil: Callable[[bytes], bytes]
) -> None:
    text = kept(50)
    done = fetcher(spoilt({1: text}, spoil, times=1)).fetch(1, tmp_path / "once", {})
    assert (done.rows, done.bad, done.sha256) == (50, 0, hashlib.sha256(text).hexdigest())
    with pytest.raises(LinkError, match="did not come whole"):
        fetcher(spoilt({1: text}, spoil)).fetch(1, tmp_path / "always", {})
    assert not (tmp_path / "always").exists()


def test_only_the_rest_is_asked_for_again(tmp_path: Path) -> None:
    text = kept(300)
    console = spoilt({1: text}, flipped(9000), times=1)
    fetcher(console).fetch(1, tmp_path, {})
    begin = text.rindex(b"\n", 0, 9000) + 1
    assert console.written == ["fetch 1", f"fetch 1 {begin}"]


def test_a_damaged_line_that_passes_its_check_is_found_by_the_digest(tmp_path: Path) -> None:
    text = kept(50)
    lines = text.splitlines(True)
    twice = b"".join([*lines[:20], lines[21], lines[20], *lines[22:]])  # each line is good
    console = spoilt({1: text}, lambda _: twice, times=1)
    done = fetcher(console).fetch(1, tmp_path, {})
    assert console.written == ["fetch 1", "fetch 1"]
    assert [
        line.partition(b",")[2] for line in done.path.read_bytes().splitlines() if line[:1].isdigit()
    ] == [line.rstrip() for line in lines[1:]]


def test_a_link_that_breaks_is_opened_again_and_the_run_goes_on(tmp_path: Path) -> None:
    text = kept(200)

    class Breaks(Console):
        def read(self, timeout_s: float) -> bytes:
            piece = super().read(timeout_s)
            if self.written and self.written[-1].startswith("fetch") and len(self.pending) < 4000:
                raise LinkError("the port vanished", where=self.name)
            return piece

    first = Breaks(board_with({1: text}).answers)
    second = board_with({1: text})
    opened = [LinkError("there is no such port"), second]
    waited: list[float] = []

    def reopen() -> Console:
        given = opened.pop(0)
        if isinstance(given, LinkError):
            raise given
        return given

    talk = Fetcher(first, clock_s=lambda: first.now_s + second.now_s, reopen=reopen, wait=waited.append)
    done = talk.fetch(1, tmp_path, {})
    assert (done.rows, done.bad) == (200, 0)
    assert second.written[0] == "stop"
    assert int(second.written[1].split()[2]) > 3000
    assert waited == [0.25]
    with pytest.raises(LinkError, match="the port vanished"):
        fetcher(Breaks(board_with({1: text}).answers)).fetch(1, tmp_path, {})


def test_a_board_that_goes_silent_or_drips_is_given_up(tmp_path: Path) -> None:
    text = kept(50)
    answer = reply("fetch", run=1, bytes=len(text), **{"from": 0}) + text[:1500].rpartition(b"\n")[0] + b"\n"
    console = Console({"fetch": lambda command: answer if command == "fetch 1" else b""})
    with pytest.raises(LinkError, match="does not answer"):
        fetcher(console).fetch(1, tmp_path, {})
    assert console.now_s < 16

    class Drips(Console):
        def read(self, timeout_s: float) -> bytes:
            piece, self.pending = self.pending[:1], self.pending[1:]
            self.now_s += 1.0
            return piece

    drips = Drips(board_with({1: text}).answers)
    drips.pending = b"12,34\n" * 1000
    with pytest.raises(LinkError):
        fetcher(drips).fetch(1, tmp_path, {})
    assert drips.now_s < 30 + len(text) / 2000 + 2
    # a stream of lines that never is an answer
    endless = Console({}, b"7,7\n" * 1_000_000)
    endless.read = lambda timeout_s: _spend(endless)  # type: ignore[method-assign]
    with pytest.raises(LinkError, match="does not answer"):
        fetcher(endless).runs()
    assert list(tmp_path.iterdir()) == []


def _spend(console: Console) -> bytes:
    console.now_s += 0.01
    return b"7,7\n" * 20


def test_a_run_that_came_damaged_is_not_erased(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    runs = {1: kept(499)}
    monkeypatch.setattr(link_module, "open_link", lambda port, baud: spoilt(runs, flipped(9000)))
    done = CliRunner().invoke(app, ["fetch", "--port", "x", "1", "--out", str(tmp_path / "o"), "--erase"])
    assert isinstance(done.exception, LinkError)
    assert "still on the board" in str(done.exception)
    assert 1 in runs
    assert not (tmp_path / "o").exists()


def test_a_board_that_tells_no_digest_is_told_so(tmp_path: Path) -> None:
    text = kept(5)
    old = reply("fetch", run=1, bytes=len(text)) + text + reply("fetch", run=1, lines=6, done=True)
    with pytest.raises(LinkError, match="gives no digest"):
        fetcher(Console({"fetch": lambda _: old})).fetch(1, tmp_path, {})


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"", "does not answer to 'runs'"),
        (b"rubbish\n" * 100, "does not answer to 'runs'"),
        (
            encode_note("reply", {"to": "runs", "ok": False, "why": "no flash"}),
            "refuses 'runs', got 'no flash'",
        ),
        (reply("runs"), "is not understood"),
        (reply("runs", runs=7), "is not understood"),
        (reply("runs", runs=[7]), "is not understood"),
        (reply("runs", runs=[{"run": "1", "bytes": 3}]), "is not understood"),
        (reply("runs", runs=[{"run": 1, "bytes": -3}]), "is not understood"),
        (reply("runs", runs=[{"run": 1, "bytes": 2**40}]), "is not understood"),
        (reply("runs", runs=[{"run": True, "bytes": 3}]), "is not understood"),
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


def test_a_run_that_the_board_cut_is_a_cut_log(tmp_path: Path) -> None:
    told = {"rows": 50, "missing_rows": 640, "cut": True, "why": "board memory full"}
    done = fetcher(board_with({1: kept(50) + encode_note("kept", told)})).fetch(1, tmp_path, {})
    assert done.missing_rows == 640
    end = read_run(done.path).end
    assert end is not None
    assert (end["why"], end["cut"], end["missing_rows"]) == ("board memory full", True, 640)
    assert read_run(done.path).cut_short == "the board cut it short (board memory full, 640 rows are missing)"
    whole = fetcher(board_with({2: kept(50) + encode_note("kept", {"rows": 50})})).fetch(2, tmp_path, {})
    end = read_run(whole.path).end
    assert end is not None
    assert "cut" not in end
    # a stranger's note changes nothing but that the log says it is cut
    odd = encode_note("kept", {"cut": True, "missing_rows": -3, "why": "x" * 500})
    strange = fetcher(board_with({3: kept(50) + odd})).fetch(3, tmp_path, {})
    end = read_run(strange.path).end
    assert end is not None
    assert (end["missing_rows"], end["why"]) == (0, "x" * 80)


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
    done = run.invoke(
        app, ["fetch", "--port", "x", "--all", "--out", str(tmp_path), "--erase", "--pack", "c"]
    )
    assert done.exit_code == 0, done.output
    paths = [Path(line) for line in done.stdout.splitlines()]
    assert [len(read_run(path).seq) for path in paths] == [20, 30]
    assert read_run(paths[0]).facts["pack"] == "c"
    assert runs == {}
    empty = run.invoke(app, ["fetch", "--port", "x", "--list"])
    assert (empty.exit_code, empty.stdout) == (0, "")
    assert "there are no runs on the board" in empty.stderr
    assert all(board.closed for board in boards)
    nothing = run.invoke(app, ["fetch", "--port", "x", "2", "--out", str(tmp_path)])
    assert isinstance(nothing.exception, LinkError)
    assert run.invoke(app, ["fetch", "--port", "x"]).exit_code == 2
    assert run.invoke(app, ["fetch", "--port", "x", "0", "--out", str(tmp_path)]).exit_code == 2


@pytest.fixture
def board_of_runs(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """``undertray fetch`` on a board that keeps the runs 1, 3 and 4, each of its own power-up."""
    runs = {number: kept(20, boot=number) for number in (1, 3, 4)}
    monkeypatch.setattr(link_module, "open_link", lambda port, baud: board_with(dict(runs)))
    return lambda *words: CliRunner().invoke(app, ["fetch", "--port", "x", *map(str, words)])


def test_facts_of_all_runs_and_of_one(tmp_path: Path, board_of_runs: Callable[..., Any]) -> None:
    words = ("--all", "--out", tmp_path, "--skirt", "foam", "--mounting", "2", "--mass", "3.1 kg")
    done = board_of_runs(*words, "--fact", "3:skirt=brush", "--fact", "wind=no", "--fact", "4:mass=3200 g")
    assert done.exit_code == 0, done.output
    facts = [read_run(path).facts for path in done.stdout.splitlines()]
    assert [one["skirt"] for one in facts] == ["foam", "brush", "foam"]
    assert [one["mass"] for one in facts] == ["3.1 kg", "3.1 kg", "3.2 kg"]
    assert {(one["mounting"], one["wind"]) for one in facts} == {("2", "no")}
    assert "run 3: 20 rows, 0 bad; skirt: brush; mounting: 2" in done.stderr


@pytest.mark.parametrize("fact", ["7:skirt=x", "skirt", "3:=x", "3:host=x", "3:mass=heavy", "stored_run=9"])
def test_a_fact_that_goes_nowhere_is_refused_before_anything_is_brought(
    tmp_path: Path, board_of_runs: Callable[..., Any], fact: str
) -> None:
    done = board_of_runs("1", "3", "--out", tmp_path / "new", "--fact", fact)
    assert done.exit_code == 2, done.output
    assert not (tmp_path / "new").exists()


def test_the_car_is_kept_and_marked_as_of_fetching(tmp_path: Path, board_of_runs: Callable[..., Any]) -> None:
    done = board_of_runs("1", "--out", tmp_path, "--car", LOGS / "car.toml")
    assert done.exit_code == 0, done.output
    run = read_run(done.stdout.strip())
    assert (run.facts["car"], run.facts["car_from"]) == ("Moorhen 10 (invented)", "fetch")
    assert run.car is not None
    assert run.car["mass"] == 2.9
    reduced = CliRunner().invoke(app, ["reduce", done.stdout.strip()])
    assert reduced.exit_code == 0, reduced.output
    assert "added when the run was fetched" in " ".join(reduced.stderr.split())


def test_a_run_that_is_there_keeps_its_facts_and_is_no_second_run(
    tmp_path: Path, board_of_runs: Callable[..., Any]
) -> None:
    path = Path(board_of_runs("1", "--out", tmp_path, "--skirt", "foam").stdout.strip())
    annotated = CliRunner().invoke(app, ["annotate", str(path), "skirt=brush"])
    assert annotated.exit_code == 0, annotated.output
    text = path.read_bytes()
    again = board_of_runs("1", "--out", tmp_path, "--skirt", "lip", "--car", LOGS / "car.toml")
    assert again.exit_code == 0, again.output
    assert again.stdout.strip() == str(path)
    assert [one.name for one in tmp_path.iterdir()] == [path.name]
    assert path.read_bytes() == text
    assert "undertray annotate" in again.stderr

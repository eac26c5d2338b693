"""``undertray record`` as a process, on a real socket and a real pseudo-terminal."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from fakes.board import ScriptedBoard
from fakes.program import undertray
from fakes.server import Send, pty_board, tcp_board
from undertray.acquire.intake import READ_BY_ANOTHER
from undertray.acquire.runlog import read_run
from undertray.acquire.wire import encode_note

posix = pytest.mark.skipif(sys.platform == "win32", reason="signals and pseudo-terminals of POSIX")
PAUSE_S = 0.01


def streaming(board: ScriptedBoard, rows: int | None = None):  # type: ignore[no-untyped-def]
    """A board at its own rate, ten rows at a time; after so many rows the connection ends."""

    def script(send: Send, over: threading.Event) -> None:
        send(board.device_line())
        while not over.wait(10 * board.period_us / 1e6):
            send(b"".join(board.lines(10)))
            if rows is not None and board.slot >= rows:
                return

    return script


def start(*arguments: object) -> subprocess.Popen[str]:
    """As from a terminal, whatever the tests themselves were started by (nohup ignores a signal)."""
    command = [sys.executable, "-m", "undertray", "record", *map(str, arguments)]
    hang_up = getattr(signal, "SIGHUP", None)
    before = signal.signal(hang_up, signal.SIG_DFL) if hang_up else None
    try:
        return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    finally:
        if hang_up:
            signal.signal(hang_up, before)


def finished(process: subprocess.Popen[str]) -> tuple[int, str, str]:
    out, err = process.communicate(timeout=40)
    return process.returncode, out, err


def wait_for_rows(path: Path, process: subprocess.Popen[str], rows: int) -> None:
    tick = threading.Event()
    for _ in range(3000):
        if path.exists() and path.read_bytes().count(b"\n") > rows:
            return
        assert process.poll() is None, process.communicate()
        tick.wait(PAUSE_S)
    raise AssertionError("no rows came")


def test_over_tcp_for_a_time(tmp_path: Path) -> None:
    out = tmp_path / "run.csv"
    noted = ("--note", "gap=1.5 mm", "--air-c", "70.7 degF", "--air-hpa", "968")
    with tcp_board(streaming(ScriptedBoard(8, rate_hz=1000))) as url:
        status, stdout, stderr = finished(
            start("--port", url, "--out", out, "--seconds", 1, "--skirt", "soft", *noted)
        )
    assert (status, stdout) == (0, "")
    assert "time is up" in stderr
    run = read_run(out)
    assert run.counts.shape[0] >= 500
    assert run.counts.shape[1] == 8
    assert (run.bad_lines, run.cut_off) == (0, False)
    # derived: (70.7 - 32)/1.8 = 21.5
    notes = {"gap": "1.5 mm", "air_c": "21.5", "air_hpa": "968"}
    assert (run.facts["skirt"], run.facts["notes"]) == ("soft", notes)
    assert run.seq.tolist() == list(range(len(run.seq)))  # nothing lost, from the very first row


@posix
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, getattr(signal, "SIGHUP", None)])
def test_on_a_pseudo_terminal_until_a_signal(tmp_path: Path, number: signal.Signals) -> None:
    out = tmp_path / "run.csv"
    with pty_board(streaming(ScriptedBoard(rate_hz=500))) as port:
        process = start("--port", port, "--out", out, "--quiet")
        wait_for_rows(out, process, 50)
        process.send_signal(number)
        assert finished(process) == (0, "", "")
    last = out.read_bytes().splitlines()[-1]
    end = json.loads(last.removeprefix(b"#end "))
    run = read_run(out)
    assert end["why"] == "stopped"
    assert end["rows"] == len(run.seq) >= 50
    assert run.bad_lines == 0


@posix
def test_at_a_terminal_a_key_marks_and_the_end_says_what_it_comes_to(tmp_path: Path) -> None:
    from fakes.terminal import Terminal

    demo = Path(__file__).parents[2] / "demo_logs"
    shutil.copyfile(demo / "car.toml", tmp_path / "car.toml")
    out = tmp_path / "run.csv"
    facts = [f"--{name}=x" for name in ("skirt", "mounting", "gap", "springs", "pack", "surface")]
    with tcp_board(streaming(ScriptedBoard(4))) as url:
        words = ["record", "--port", url, "--out", str(out), *facts, "--last-facts", "none"]
        terminal = Terminal([sys.executable, "-m", "undertray", *words])
        try:
            terminal.until("throttle 1500 µs")
            terminal.type("m")
            terminal.until("marks 1")
            terminal.process.send_signal(signal.SIGINT)
            terminal.until(None)
            assert terminal.process.wait(20) == 0, terminal.seen[-2000:].decode()
        finally:
            terminal.close()
    seen = " ".join(terminal.seen.decode().split())
    assert f"found and used: {tmp_path / 'car.toml'}" in seen.replace("- ", "-")
    assert "m marks a moment" in seen
    run = read_run(out)
    assert [note.data for note in run.notes if note.kind == "mark"] == [{"number": 1}]
    page = out.with_suffix(".html")
    assert page.stat().st_size > 10_000
    for said in ("page: ", "next: undertray reduce "):
        assert said in seen
    assert "cannot be judged" not in seen


def test_a_port_that_vanishes_ends_with_one_line_and_status_1(tmp_path: Path) -> None:
    out = tmp_path / "run.csv"
    with tcp_board(streaming(ScriptedBoard(rate_hz=500), rows=100)) as url:
        status, stdout, stderr = finished(start("--port", url, "--out", out, "--quiet", "--wait", 0.3))
    assert (status, stdout) == (1, "")
    assert stderr.count("\n") == 1
    assert "vanished" in stderr
    run = read_run(out)
    assert len(run.seq) == 100
    assert run.end is not None
    assert run.end["why"] == "port vanished"


def test_a_board_that_comes_back_goes_on_in_the_same_log(tmp_path: Path) -> None:
    out = tmp_path / "run.csv"
    board = ScriptedBoard(rate_hz=500)
    with tcp_board(streaming(board, rows=100), streaming(board, rows=300)) as url:
        status, _, stderr = finished(start("--port", url, "--out", out, "--wait", 0.5))
    assert status == 1
    assert "waiting 0.5 s" in stderr
    run = read_run(out)
    assert len(run.seq) == 300
    assert run.end is not None
    assert run.end["segments"] >= 2


@pytest.mark.parametrize(
    ("arguments", "status", "word"),
    [
        (["--port", "socket://127.0.0.1:1"], 2, "--out"),
        (["--port", "socket://127.0.0.1:1", "--out", "run.csv", "--note", "gap"], 2, "KEY=VALUE"),
        (["--port", "socket://127.0.0.1:1", "--out", "run.csv", "--seconds", "-1"], 2, "--seconds"),
        (["--port", "socket://127.0.0.1:1", "--out", "run.csv", "--air-hpa", "29.9"], 2, "--air-hpa"),
        (["--port", "socket://127.0.0.1:1", "--out", "run.csv"], 1, "nobody listens"),
        (["--port", "/dev/none-such", "--out", "run.csv"], 1, "no such port"),
    ],
)
def test_wrong_usage_is_2_and_a_failing_device_1(
    tmp_path: Path, arguments: list[str], status: int, word: str
) -> None:
    arguments = [str(tmp_path / a) if a == "run.csv" else a for a in arguments]
    done = undertray("record", *arguments)
    assert (done.returncode, done.stdout) == (status, "")
    assert word in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "run.csv").exists()


def test_a_board_that_another_program_reads_is_one_line_and_no_caution(tmp_path: Path) -> None:
    """Nor is there one before any other check that fails: the car has not been asked to do anything."""
    told = encode_note("reply", {"to": "board", "ok": False, "why": f"{READ_BY_ANOTHER}: one at a time"})
    car = ("--car", Path(__file__).parents[2] / "demo_logs" / "car.toml")
    taken = tmp_path / "taken.csv"
    taken.write_text("")
    with tcp_board(lambda send, _: send(told)) as url:
        done = undertray("record", "--port", url, "--out", tmp_path / "run.csv", *car)
        assert done.returncode == 1
        assert "another program holds it" in done.stderr
        assert "end that recording or program first" in done.stderr
        assert done.stderr.count("\n") == 1
        assert [path.name for path in tmp_path.iterdir()] == ["taken.csv"]
    for words in ((url, tmp_path / "run.csv"), ("socket://127.0.0.1:1", taken)):
        refused = undertray("record", "--port", words[0], "--out", words[1], *car)
        assert (refused.returncode, refused.stderr.count("\n")) == (1, 1)


def test_what_was_heard_before_the_recording_is_in_it(tmp_path: Path) -> None:
    board = ScriptedBoard(rate_hz=500)
    with tcp_board(streaming(board)) as url:
        done = undertray("record", "--port", url, "--out", tmp_path / "run.csv", "--seconds", 0.2)
    assert done.returncode == 0, done.stderr
    run = read_run(tmp_path / "run.csv")
    assert (int(run.seq[0]), run.device is not None) == (0, True)


def test_a_name_that_ends_in_a_slash_is_a_folder_there_or_not(tmp_path: Path) -> None:
    for _ in range(2):
        with tcp_board(streaming(ScriptedBoard(rate_hz=500))) as url:
            words = ("--port", url, "--out", f"{tmp_path}/runs/", "--seconds", 0.2, "--skirt", "foam 3 mm")
            done = undertray("record", *words)
        assert done.returncode == 0, done.stderr
    logs = sorted((tmp_path / "runs").iterdir())
    assert len(logs) == 2
    assert all("foam-3-mm" in log.name and log.suffix == ".csv" for log in logs)
    (tmp_path / "taken").write_text("")
    done = undertray("record", "--port", "socket://127.0.0.1:1", "--out", f"{tmp_path}/taken/")
    assert (done.returncode, done.stderr.count("\n")) == (1, 1)
    assert "cannot make the folder" in done.stderr


def test_a_folder_into_which_no_log_came_goes_again(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    for out in ("there", "there/a/b", "new"):
        done = undertray("record", "--port", "socket://127.0.0.1:1", "--out", f"{tmp_path}/{out}/")
        assert (done.returncode, done.stderr.count("\n")) == (1, 1)
    assert [path.name for path in tmp_path.rglob("*")] == ["there"]


def at_a_terminal(answers: str, config: Path, *words: object) -> subprocess.CompletedProcess[str]:
    """``undertray record`` with a person at the keyboard, who has typed all answers ahead."""
    import os
    import pty

    person, terminal = pty.openpty()
    try:
        os.write(person, answers.encode())
        return undertray("record", *words, terminal=terminal, env={"XDG_CONFIG_HOME": str(config)})
    finally:
        os.close(person)
        os.close(terminal)


def said_facts(path: Path) -> dict[str, str]:
    facts = read_run(path).facts
    known = {**facts["notes"], **facts}
    return {key: known[key] for key in ("skirt", "mounting", "gap", "pack", "surface") if key in known}


@posix
def test_old_answers_are_shown_of_the_same_car_only_and_taken_over_by_a_word(tmp_path: Path) -> None:
    demo = (Path(__file__).parents[2] / "demo_logs" / "car.toml").read_text(encoding="utf-8")
    other = tmp_path / "other.toml"
    other.write_text(demo.replace("Moorhen 10", "Coot 8"), encoding="utf-8")
    (tmp_path / "car.toml").write_text(demo, encoding="utf-8")
    car = ("--car", tmp_path / "car.toml")
    capture = tmp_path / "capture.txt"
    board = ScriptedBoard(rate_hz=500)
    capture.write_bytes(board.device_line() + b"".join(board.lines(100)))

    def record(answers: str, name: str, *words: object) -> str:
        done = at_a_terminal(answers, tmp_path, "--port", capture, "--out", tmp_path / name, *words)
        assert done.returncode == 0, done.stderr
        return done.stderr

    record("foam\n1\n0.5 mm\n\nold 3S\nboard\n", "first.csv", *car)
    first = {"skirt": "foam", "mounting": "1", "gap": "0.5 mm", "pack": "old 3S", "surface": "board"}
    assert said_facts(tmp_path / "first.csv") == first
    told = record("\n", "again.csv", *car, "--pack", "new 4S")
    assert said_facts(tmp_path / "again.csv") == first | {"pack": "new 4S"}
    assert "skirt: foam; mounting: 1; gap: 0.5 mm; surface: board" in told
    # shown, and asked, before anything is recorded
    assert told.index("skirt: foam") < told.index("recording from")
    # another car has answers of its own, and so has no car at all
    for name, words in (("other", ("--car", other)), ("without", ("--car", "none"))):
        told = record("brush\n" + "\n" * 5, f"{name}.csv", *words)
        assert "foam" not in told
        assert said_facts(tmp_path / f"{name}.csv") == {"skirt": "brush"}
    record("what?\nnone\n", "none.csv", *car, "--gap", "2 mm")
    assert said_facts(tmp_path / "none.csv") == {"gap": "2 mm"}
    assert "foam" in record("", "left.csv", *car, "--last-facts", "none")
    assert said_facts(tmp_path / "left.csv") == {}
    assert "foam" in record("", "taken.csv", *car, "--last-facts", "take")
    assert said_facts(tmp_path / "taken.csv") == first | {"pack": "new 4S"}
    record("new\nlip\n" + "\n" * 5, "new.csv", *car)
    assert said_facts(tmp_path / "new.csv") == {"skirt": "lip"}


@posix
def test_the_page_stands_last(tmp_path: Path) -> None:
    car = Path(__file__).parents[2] / "demo_logs" / "car.toml"
    with tcp_board(streaming(ScriptedBoard(rate_hz=500))) as url:
        words = ("--port", url, "--out", tmp_path / "run.csv", "--seconds", "0.2", "--page", "--car", car)
        done = at_a_terminal("\n" * 6, tmp_path, *words)
    assert done.returncode == 0, done.stderr
    # on 24 lines what stands above the cautions is gone when the screen begins
    assert done.stderr.index("Local rules") < done.stderr.index("live page at http")

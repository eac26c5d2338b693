"""What happens to a log while it is written: other recorders, a person who tidies up, a broken link."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

from fakes.board import ScriptedBoard
from fakes.cells import thinned
from fakes.server import Send, tcp_board
from undertray.acquire.runlog import read_run

UNDERTRAY = [sys.executable, "-m", "undertray"]
posix = pytest.mark.skipif(os.name != "posix", reason="an open file can be removed on POSIX only")


def streaming(board: ScriptedBoard, rows: int | None = None):  # type: ignore[no-untyped-def]
    def script(send: Send, over: threading.Event) -> None:
        send(board.device_line())
        while not over.wait(0.02) and (rows is None or board.slot < rows):
            send(b"".join(board.lines(4)))

    return script


def record(*arguments: object) -> subprocess.Popen[str]:
    return subprocess.Popen([*UNDERTRAY, "record", *map(str, arguments)], stderr=subprocess.PIPE, text=True)


def until(condition, process: subprocess.Popen[str]) -> None:  # type: ignore[no-untyped-def]
    until_s = time.monotonic() + 30
    while not condition():
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < until_s
        threading.Event().wait(0.01)


def rows_in(path: Path) -> int:
    return path.read_bytes().count(b"\n") - 4 if path.exists() else 0


@pytest.mark.slow
def test_six_recorders_started_into_one_folder_at_once_all_record(tmp_path: Path) -> None:
    folder = tmp_path / "runs"
    with ExitStack() as stack:
        urls = [stack.enter_context(tcp_board(streaming(ScriptedBoard(uid=f"{i:08x}")))) for i in range(6)]
        all_of_them = [
            record("--port", url, "--out", f"{folder}/", "--skirt", "soft", "--seconds", 1) for url in urls
        ]
        ends = [(one.communicate(timeout=60)[1], one.returncode) for one in all_of_them]
    assert [status for _, status in ends] == [0] * 6, ends
    runs = [read_run(path) for path in sorted(folder.iterdir())]
    assert sorted(run.device.uid for run in runs if run.device) == [f"{i:08x}" for i in range(6)]
    assert all(len(run.seq) >= 100 for run in runs)


@posix
def test_a_log_that_is_removed_is_told_and_put_back(tmp_path: Path) -> None:
    out = tmp_path / "run.csv"
    with tcp_board(streaming(ScriptedBoard())) as url:
        process = record("--port", url, "--out", out)
        until(lambda: rows_in(out) > 100, process)
        before = rows_in(out)
        out.unlink()
        _, told = process.communicate(timeout=20)  # it ends by itself
    assert process.returncode == 1
    assert "run.csv: the log was removed while it was written" in told.splitlines()[-1]
    run = read_run(out)
    assert len(run.seq) >= before
    assert run.seq.tolist() == list(range(len(run.seq)))
    assert (run.bad_lines, run.cut_off, run.cut_short) == (0, False, "the recording broke off (disk failed)")
    assert f"its {len(run.seq)} rows" in told


@posix
@pytest.mark.parametrize(
    "how", thinned(3, ["folder removed", "removed, and stopped at once", "another file in its place"])
)
def test_a_log_that_is_gone_is_no_success(tmp_path: Path, how: str) -> None:
    folder = tmp_path / "runs"
    folder.mkdir()
    out = folder / "run.csv"
    with tcp_board(streaming(ScriptedBoard())) as url:
        process = record("--port", url, "--out", out)
        until(lambda: rows_in(out) > 100, process)
        if how == "folder removed":
            shutil.rmtree(folder)
        else:
            out.unlink()
        if how == "another file in its place":
            out.write_text("precious")
        if how == "removed, and stopped at once":
            process.send_signal(signal.SIGINT)
        _, told = process.communicate(timeout=20)
    assert process.returncode == 1
    assert "removed while it was written" in told.splitlines()[-1]
    if how == "another file in its place":
        assert out.read_text() == "precious"
        assert len(read_run(folder / "run_2.csv").seq) >= 100
    else:
        assert len(read_run(out).seq) >= 100


@posix
def test_a_log_that_is_moved_is_told_and_whole(tmp_path: Path) -> None:
    out, moved = tmp_path / "run.csv", tmp_path / "moved.csv"
    with tcp_board(streaming(ScriptedBoard())) as url:
        process = record("--port", url, "--out", out)
        until(lambda: rows_in(out) > 100, process)
        out.rename(moved)
        _, told = process.communicate(timeout=20)
    assert process.returncode == 1
    assert "was moved away while it was written, or its disk unmounted" in told.splitlines()[-1]
    run = read_run(moved)
    assert (run.bad_lines, run.cut_off) == (0, False)
    assert not out.exists()


@pytest.fixture
def disk(tmp_path: Path):  # type: ignore[no-untyped-def]
    """A disk of its own that may be taken away."""
    folder = tmp_path / "stick"
    folder.mkdir()
    if sys.platform != "linux" or os.geteuid() != 0 or not shutil.which("mount"):
        pytest.skip("only the superuser of a Linux system may mount")
    mount = ["mount", "-t", "tmpfs", "tmpfs", str(folder)]
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("mounting is not allowed here")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], capture_output=True, check=False)


def test_a_disk_that_is_unmounted_is_no_success(disk: Path) -> None:
    out = disk / "run.csv"
    with tcp_board(streaming(ScriptedBoard())) as url:
        process = record("--port", url, "--out", out)
        until(lambda: rows_in(out) > 100, process)
        subprocess.run(["umount", "-l", str(disk)], check=True)
        _, told = process.communicate(timeout=20)
    assert process.returncode == 1
    assert "or its disk unmounted" in told.splitlines()[-1]


@posix
def test_rows_of_a_link_that_came_back_are_on_the_disk_at_once(tmp_path: Path) -> None:
    """The board goes on and describes itself no more, as over a link that carries no commands."""
    out = tmp_path / "run.csv"
    board = ScriptedBoard()

    def mute(send: Send, over: threading.Event) -> None:
        while not over.wait(0.02):
            send(b"".join(board.lines(4)))

    with tcp_board(streaming(board, rows=100), mute) as url:
        process = record("--port", url, "--out", out)
        begun_s = time.monotonic()
        until(lambda: rows_in(out) > 300, process)
        assert time.monotonic() - begun_s < 10  # 1.5 s of rows, and a slow machine
        process.kill()
        process.communicate()
    run = read_run(out)
    assert run.seq.tolist() == list(range(len(run.seq)))
    assert len(run.seq) > 290

"""A disk that is full, a folder that may not be written: one line, and the log stays readable."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from fakes.board import ScriptedBoard
from fakes.link import Clock, ScriptedLink
from fakes.server import Send, tcp_board
from undertray.acquire.recorder import Recorder
from undertray.acquire.runlog import read_run
from undertray.acquire.writer import LogWriter
from undertray.errors import RunLogError

ROOT = sys.platform == "linux" and os.geteuid() == 0


def steady(send: Send, over: threading.Event) -> None:
    board = ScriptedBoard(rate_hz=500)
    send(board.device_line())
    while not over.wait(0.01):
        send(b"".join(board.lines(10)))


def recorded(url: str, out: Path, *before: str) -> subprocess.CompletedProcess[str]:
    record = [sys.executable, "-m", "undertray", "record", "--port", url, "--out", str(out), "--quiet"]
    return subprocess.run([*before, *record], capture_output=True, text=True, timeout=60, check=False)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 64 kB that is there for this test alone."""
    if not (ROOT and shutil.which("mount")):
        pytest.skip("only the superuser of a Linux system may mount")
    folder = tmp_path / "small"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(folder)]
    mounted = subprocess.run(mount, capture_output=True, text=True, check=False)
    if mounted.returncode:
        pytest.skip(f"mounting is not allowed here: {mounted.stderr.strip()}")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_disk_that_is_full(small_disk: Path) -> None:
    out = small_disk / "run.csv"
    with tcp_board(steady) as url:
        done = recorded(url, out)
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "the disk is full" in done.stderr
    assert "stay readable" in done.stderr
    run = read_run(out)
    assert len(run.seq) > 800  # about 55 bytes a row
    assert run.seq.tolist() == list(range(len(run.seq)))
    assert (run.bad_lines, run.cut_off) == (0, False)
    assert run.end is not None
    assert (run.end["rows"], run.end["why"]) == (len(run.seq), "disk failed")
    assert run.end["unwritten_rows"] > 0


def refused(out: Path, word: str, *before: str) -> None:
    with tcp_board(steady) as url:
        done = recorded(url, out, *before)
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert f"run.csv: cannot make the log ({word}); choose another folder" in done.stderr
    assert not out.exists()


@pytest.mark.skipif(sys.platform == "win32", reason="folders of Windows have no such bit")
def test_a_folder_that_is_closed(tmp_path: Path) -> None:
    folder, before = tmp_path / "closed", []
    folder.mkdir(mode=0o555)
    if os.geteuid() == 0:  # whom no permission stops, unless without its capabilities
        if not shutil.which("setpriv"):
            pytest.skip("the superuser may write everywhere, and there is no setpriv to prevent it")
        before = ["setpriv", "--inh-caps=-all", "--bounding-set=-all"]
    refused(folder / "run.csv", "Permission denied", *before)


def test_a_disk_that_is_read_only(small_disk: Path) -> None:
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    refused(small_disk / "run.csv", "Read-only file system")


def test_a_process_that_may_write_no_more(tmp_path: Path) -> None:
    """The system's own limit on the size of a file stands in for a full disk."""
    resource = pytest.importorskip("resource", reason="limits of POSIX")
    out = tmp_path / "run.csv"

    with tcp_board(steady) as url:
        done = subprocess.run(
            [sys.executable, "-m", "undertray", "record", "--port", url, "--out", str(out), "--quiet"],
            capture_output=True,
            text=True,
            timeout=40,
            check=False,
            preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000)),
        )
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "the log cannot be written further (File too large)" in done.stderr
    assert out.stat().st_size <= 20_000
    run = read_run(out)
    assert len(run.seq) > 200
    assert (run.bad_lines, run.cut_off) == (0, False)
    assert run.end is not None
    assert run.end["rows"] == len(run.seq)
    assert run.end["why"] == "disk failed"
    assert run.end["unwritten_rows"] > 0


@pytest.mark.parametrize(
    ("number", "word"),
    [(errno.EACCES, "Permission denied"), (errno.EROFS, "Read-only"), (errno.ENOSPC, "No space left")],
)
def test_a_folder_that_may_not_be_written(tmp_path: Path, number: int, word: str) -> None:
    # the superuser, as whom tests often run, may write everywhere: the system's refusal is made here
    def refuse(path: Path) -> object:
        raise OSError(number, os.strerror(number))

    clock = Clock()
    link = ScriptedLink(clock, [])
    recorder = Recorder(
        lambda: link,
        tmp_path / "run.csv",
        {},
        clock_us=clock,
        make_writer=lambda path: LogWriter(path, open_new=refuse),  # type: ignore[arg-type]
    )
    with pytest.raises(RunLogError, match=rf"run\.csv: cannot make the log \({word}.*choose another folder"):
        recorder.run(lambda: False)
    assert link.closed

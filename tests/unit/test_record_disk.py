"""A disk that is full, a folder that may not be written: one line, and the log stays readable."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from fakes.board import ScriptedBoard
from fakes.link import Clock, ScriptedLink
from fakes.server import tcp_board
from undertray.acquire.record import Recorder
from undertray.acquire.runlog import read_run
from undertray.acquire.writer import LogWriter
from undertray.errors import RunLogError


def test_a_process_that_may_write_no_more(tmp_path: Path) -> None:
    """The system's own limit on the size of a file stands in for a full disk."""
    resource = pytest.importorskip("resource", reason="limits of POSIX")
    out = tmp_path / "run.csv"

    def script(send, over) -> None:  # type: ignore[no-untyped-def]
        board = ScriptedBoard(rate_hz=500)
        send(board.device_line())
        while not over.wait(0.01):
            send(b"".join(board.lines(10)))

    with tcp_board(script) as url:
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

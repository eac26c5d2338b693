"""The writer: what was handed over is on the disk, whatever the disk does."""

from __future__ import annotations

import errno
import io
import threading
from pathlib import Path
from typing import BinaryIO

import pytest

from undertray.acquire.writer import LogWriter
from undertray.errors import RunLogError


class SmallDisk(io.FileIO):
    """A file on a disk that takes so many bytes and no more; what it has, it may write over."""

    quota = 1000

    def write(self, data: bytes) -> int:  # type: ignore[override]
        room = self.quota - self.tell()
        if room <= 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        return super().write(bytes(data)[:room])


def small(quota: int) -> type[SmallDisk]:
    return type("Disk", (SmallDisk,), {"quota": quota})


def end(rows: int, unwritten: int) -> bytes:
    return b'#end {"rows": %d, "unwritten": %d}\n' % (rows, unwritten)


def row(i: int) -> bytes:
    return b"%d,%d,81235,1500,0,8192,8190,9f3c\n" % (i * 5000, i)


def wait_for(condition: object) -> None:
    """Poll, bounded: the writer's thread has its own pace."""
    tick = threading.Event()
    for _ in range(1000):
        if condition():  # type: ignore[operator]
            return
        tick.wait(0.01)
    raise AssertionError("never")


def test_what_is_put_is_in_the_file_before_it_is_closed(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    writer = LogWriter(path)
    writer.put(b"#one\n")
    writer.put(row(0) + row(1), 2)
    wait_for(lambda: path.read_bytes() == b"#one\n" + row(0) + row(1))
    writer.close(end)
    assert path.read_bytes().endswith(end(2, 0))
    assert writer.failure is None


@pytest.fixture
def synced_often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("undertray.acquire.writer._SYNC_S", 0.03)


@pytest.mark.usefixtures("synced_often")
def test_it_is_synced_while_recording_and_at_the_end(tmp_path: Path) -> None:
    synced: list[int] = []
    writer = LogWriter(tmp_path / "run.csv", sync=synced.append)
    writer.put(row(0), 1)
    wait_for(lambda: synced)
    before = len(synced)
    writer.close(end)
    assert len(synced) > before


def test_an_existing_file_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_text("precious")
    with pytest.raises(RunLogError, match="never overwritten"):
        LogWriter(path)
    assert path.read_text() == "precious"


@pytest.mark.parametrize("quota", [30, 60, 300, 777, 1000, 1024, 1029, 1030, 1031])
def test_a_full_disk_keeps_whole_lines_and_an_end(tmp_path: Path, quota: int) -> None:
    path = tmp_path / "run.csv"
    writer = LogWriter(path, open_new=lambda path: small(quota)(path, "x+"))
    for i in range(100):
        writer.put(row(i), 1)
    wait_for(lambda: writer.failure is not None)
    writer.put(row(100), 1)  # given up, not raised
    writer.close(end)
    assert writer.failure is not None
    assert writer.failure.errno == errno.ENOSPC
    # where not even one row and the end fit, no file of nothing is left behind
    room = quota >= len(row(0)) + len(end(99, 99))
    assert path.exists() == room
    text = path.read_bytes() if path.exists() else b""
    assert len(text) <= quota
    if room:
        *rows, last, nothing = text.split(b"\n")
        assert nothing == b""
        assert rows == [row(i)[:-1] for i in range(len(rows))]
        assert last + b"\n" == end(len(rows), 101 - len(rows))
        assert (writer.rows, writer.unwritten_rows) == (len(rows), 101 - len(rows))
        # no more than an end line's worth of rows was taken back
        assert quota - len(text) < len(end(99, 99)) + len(row(99))


class SlowDisk(io.FileIO):
    """A disk that takes nothing until it is let go."""

    go: threading.Event

    def write(self, data: bytes) -> int:  # type: ignore[override]
        assert self.go.wait(20)
        return super().write(bytes(data))


def test_a_disk_that_stalls_never_stops_the_reader_and_the_loss_is_counted(tmp_path: Path) -> None:
    go = threading.Event()

    def open_slow(path: Path) -> BinaryIO:
        disk = SlowDisk(path, "x+")
        disk.go = go
        return disk  # type: ignore[return-value]

    path = tmp_path / "run.csv"
    writer = LogWriter(path, open_new=open_slow, queue_bytes=2000)
    writer.put(b"#begin\n")
    for i in range(1000):
        writer.put(row(i), 1)  # returns at once: the test would hang here otherwise
    assert writer.unwritten_rows > 900
    go.set()
    writer.close(end)
    text = path.read_bytes()
    kept = [line for line in text.splitlines() if line[:1].isdigit()]
    assert kept == [row(i)[:-1] for i in range(len(kept))]
    assert len(kept) == writer.rows
    assert text.endswith(end(len(kept), 1000 - len(kept)))


@pytest.mark.usefixtures("synced_often")
def test_a_sync_that_fails_is_a_failure(tmp_path: Path) -> None:
    def sync(handle: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    writer = LogWriter(tmp_path / "run.csv", sync=sync)
    wait_for(lambda: writer.failure is not None)
    writer.close(end)
    assert writer.failure is not None
    assert writer.failure.errno == errno.EIO


def test_discarded_leaves_nothing(tmp_path: Path) -> None:
    writer = LogWriter(tmp_path / "run.csv")
    writer.put(b"#begin\n")
    writer.discard()
    assert list(tmp_path.iterdir()) == []

"""Onto the disk: a log written behind a bounded queue, so that a slow disk never stops the reader."""

from __future__ import annotations

import errno
import os
import shutil
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

from undertray.errors import LogExists, LogNotWritten, RunLogError

__all__ = ["LogWriter", "begin_log", "claim", "is_there", "open_new", "put_back"]


# The log as a file: made new, claimed, looked for, put back.

_LOCK_AT = 1 << 40
_NAMES = 10


def open_new(path: Path) -> BinaryIO:
    """Make the file of a log, and claim it."""
    file = path.open("x+b", buffering=0)
    claim(file)
    return file


def claim(file: BinaryIO) -> bool:
    """Be the only one to write to a log while it is open; the system lets go if the program dies."""
    try:
        if sys.platform == "win32":
            import msvcrt

            here = file.tell()
            file.seek(_LOCK_AT)  # there a lock keeps nobody from reading
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
            file.seek(here)
        else:
            import fcntl

            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno not in (errno.EWOULDBLOCK, errno.EACCES, errno.EDEADLK)
    return True


def is_there(file: BinaryIO, path: Path) -> bool:
    """Tell whether a name still leads to an open file."""
    try:
        return os.path.samestat(path.stat(), os.fstat(file.fileno()))
    except OSError:
        return False


def put_back(file: BinaryIO, path: Path) -> Path:
    """Write a removed file again: while it is open, the system keeps what is in it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    for name in (path, *(path.with_stem(f"{path.stem}_{number}") for number in range(2, _NAMES))):
        with suppress(FileExistsError), name.open("xb") as again:
            file.seek(0)
            shutil.copyfileobj(file, again)
            return name
    raise FileExistsError(errno.EEXIST, "all names are taken")


_QUEUE_BYTES = 8 << 20  # minutes of rows
_GATHER_S = 0.02
_SYNC_S = 1.0
_STALLED_S = 10.0
_TAIL = 1 << 13


def _rows_in(text: bytes) -> int:
    """Count the whole lines that are rows; the header is none."""
    return sum(line[:1].isdigit() for line in text.split(b"\n")[:-1])


def begin_log(paths: Sequence[Path], make_writer: Callable[[Path], LogWriter]) -> LogWriter:
    """Begin a log under the first of several names that nobody has."""
    *some, last = paths
    for path in some:
        with suppress(LogExists):  # another recorder may have been faster
            return make_writer(path)
    return make_writer(last)


class LogWriter:
    """A new file, appended to by a thread of its own; a second one has it synced each second.

    Parameters
    ----------
    path : Path
        Must not exist.
    open_new : callable
        Opens the file for writing, unbuffered.
    sync : callable
        Has the system put a file descriptor's data on the disk.
    queue_bytes : int
        What may wait for the disk before rows are given up.

    Attributes
    ----------
    rows : int
        Rows handed to the system so far.
    unwritten_rows : int
        Rows given up because the disk stalled or was full.
    failure : OSError or None
        Why writing ended, once it did.

    Raises
    ------
    RunLogError
        When the file exists or cannot be made.

    Notes
    -----
    A line handed over is with the system after 20 ms and the time of one write: what survives the end of
    the process. It is on the disk a second later at most: what survives the end of the power. A log that is
    removed is noticed as soon, and written again from what the system still holds of it.
    """

    def __init__(
        self,
        path: Path,
        open_new: Callable[[Path], BinaryIO] = open_new,
        sync: Callable[[int], None] = os.fsync,
        queue_bytes: int = _QUEUE_BYTES,
    ) -> None:
        self.path = path
        self.rows = self.unwritten_rows = 0
        self.failure: OSError | None = None
        self._gone = ""
        self._sync = sync
        self._queue_bytes = queue_bytes
        self._size = 0
        self._pending: list[tuple[bytes, int]] = []
        self._pending_bytes = 0
        self._lock = threading.Lock()
        self._filled = threading.Event()
        self._closing = threading.Event()
        try:
            self._file = open_new(path)
        except FileExistsError as error:
            raise LogExists(
                "this file exists, and a log is never overwritten", where=str(path), do="choose another name"
            ) from error
        except OSError as error:
            raise LogNotWritten(
                f"cannot make the log ({error.strerror or error})",
                where=str(path),
                do="make the folder, or choose another"
                if isinstance(error, FileNotFoundError)
                else "choose another folder",
            ) from error
        self._threads = [
            threading.Thread(target=self._write_all, name="log writer", daemon=True),
            threading.Thread(target=self._sync_each_second, name="log sync", daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def put(self, text: bytes, rows: int = 0) -> None:
        """Hand over whole lines; returns at once."""
        with self._lock:
            if self.failure is not None or self._pending_bytes + len(text) > self._queue_bytes:
                self.unwritten_rows += rows
                return
            self._pending.append((text, rows))
            self._pending_bytes += len(text)
        self._filled.set()

    def close(self, end: Callable[[int, int], bytes]) -> None:
        """Write what waits, then the end line, sync and close."""
        self._closing.set()
        self._filled.set()
        for thread in self._threads:
            thread.join(_STALLED_S)
        with self._lock:
            self.unwritten_rows += sum(rows for _, rows in self._pending)
            self._pending.clear()
        if any(thread.is_alive() for thread in self._threads):
            self.failure = self.failure or OSError(errno.EIO, "the disk does not answer")
            return  # closing would wait for it as well
        try:
            self._look_for_it()
            line = end(self.rows, self.unwritten_rows)
            if self.failure is not None and not self._gone:
                self._make_room(len(line))
                line = end(self.rows, self.unwritten_rows)
            self._append(line)
            self._sync(self._file.fileno())
            if self._gone:
                self._put_back()
        except OSError as error:
            self.failure = self.failure or error
        finally:
            self._file.close()
            if self.failure is not None and not self.rows and not self._gone:
                with suppress(OSError):
                    self.path.unlink()  # nothing of the run is in it

    def error(self, failure: OSError) -> RunLogError:
        """Put a failure of the disk into words."""
        if self._gone:
            return LogNotWritten(self._gone, where=str(self.path), do="leave it where it is while recording")
        kept = f"the {self.rows} rows before stay readable" if self.rows else "there is no log"
        full = failure.errno in (errno.ENOSPC, errno.EDQUOT)
        return LogNotWritten(
            "the disk is full"
            if full
            else f"the log cannot be written further ({failure.strerror or failure})",
            where=str(self.path),
            do=f"make room; {kept}, {self.unwritten_rows} were given up",
        )

    def discard(self) -> None:
        """Close and remove a log that holds nothing of any board."""
        self.close(lambda *_: b"")
        self.path.unlink(missing_ok=True)

    def _write_all(self) -> None:
        while True:
            self._filled.wait()
            self._closing.wait(_GATHER_S)
            self._filled.clear()
            with self._lock:
                batch, self._pending = self._pending, []
                self._pending_bytes = 0
            before, text = self._size, b"".join(text for text, _ in batch)
            try:
                self._append(text)
                self.rows += sum(rows for _, rows in batch)
            except OSError as error:
                written = _rows_in(text[: self._size - before])
                self.rows += written
                with self._lock:
                    self.failure = error
                    self.unwritten_rows += sum(rows for _, rows in batch) - written
                return
            if self._closing.is_set() and not self._pending:
                return

    def _append(self, text: bytes) -> None:
        view = memoryview(text)
        while view:
            written = self._file.write(view) or 0
            self._size += written
            view = view[written:]

    def _make_room(self, size: int) -> None:
        """Take a half line, or a line or two more, off a full disk's log: there the end line finds room."""
        start = max(0, self._size - _TAIL)
        self._file.seek(start)
        tail = self._file.read(self._size - start)
        room = tail.rfind(b"\n", 0, max(0, len(tail) - size)) + 1
        taken = _rows_in(tail[room:])
        self.rows -= taken
        self.unwritten_rows += taken
        self._size = start + room
        self._file.truncate(self._size)
        self._file.seek(self._size)

    def _sync_each_second(self) -> None:
        while not self._closing.wait(_SYNC_S):
            try:
                self._sync(self._file.fileno())
            except OSError as error:
                with self._lock:
                    self.failure = self.failure or error
                return
            self._look_for_it()

    def _look_for_it(self) -> None:
        if not is_there(self._file, self.path):
            self._gone = "the log was moved away while it was written, or its disk unmounted"
            with self._lock:
                self.failure = self.failure or FileNotFoundError(errno.ENOENT, self._gone)

    def _put_back(self) -> None:
        if os.fstat(self._file.fileno()).st_nlink:
            return  # it is whole where it is now
        self._gone = "the log was removed while it was written"
        try:
            self._gone += f"; its {self.rows} rows are in {put_back(self._file, self.path)} again"
        except OSError as error:
            why = error.strerror or error
            self._gone += f"; it cannot be written again ({why}), and its {self.rows} rows are lost"

"""A virtual board served by the program itself, in a process of its own."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["served"]


@contextmanager
def served(*arguments: str) -> Iterator[str]:
    """``undertray virtual`` with some arguments; gives its address."""
    command = [sys.executable, "-m", "undertray", "virtual", *arguments]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    try:
        assert process.stderr is not None
        yield next(line for line in process.stderr if line.startswith("virtual board on ")).split()[3]
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(10)
        assert process.stderr is not None
        process.stderr.close()

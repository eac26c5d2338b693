"""Settings of the whole suite: what is drawn at random is the same on every run and every machine."""

from __future__ import annotations

import contextlib
import gc
import os
import threading
from collections.abc import Generator, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# a worker does its sums alone: with a thread for each processor they stood in each other's way
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

# nor is a test judged by the time that a busy machine takes for it
settings.register_profile(
    "seeded",
    derandomize=True,
    database=None,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("seeded")


@pytest.hookimpl(tryfirst=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """A worker a processor: tests of real links keep real time. What is timed runs alone."""
    timed = "bench" in str(config.option.markexpr).replace("not bench", "")
    return 0 if timed else os.cpu_count() or 1


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """Half a million objects are made that stay: to look for garbage among them took a third of the time."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.collect()
        gc.freeze()  # nor does any later look go through them again
        gc.enable()


def _children() -> dict[int, str]:
    """Processes that this one has begun and that still run, by their number; none where no Linux says so."""
    found = {}
    for task in Path("/proc/self/task").glob("*/children"):
        with contextlib.suppress(OSError):  # ended meanwhile
            for number in map(int, task.read_text().split()):
                state = Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()[0]
                if state not in "XZ":
                    found[number] = Path(f"/proc/{number}/cmdline").read_text().replace("\0", " ")
    return found


@pytest.fixture(autouse=True, scope="module")
def _nothing_is_left_running() -> Iterator[None]:
    """What a module leaves running takes time from all that come after it."""
    threads, children = set(threading.enumerate()), _children()
    yield
    new = [thread for thread in threading.enumerate() if thread not in threads]
    for thread in new:
        thread.join(10)  # one that was told to end is given the time for it
    assert [thread for thread in new if thread.is_alive()] == []
    assert {number: words for number, words in _children().items() if number not in children} == {}

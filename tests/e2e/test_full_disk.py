"""A disk that fills up under any output: one line, what was there stays, and no half file is left."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from fakes.cells import thinned
from fakes.program import undertray

resource = pytest.importorskip("resource", reason="limits of POSIX")

LOGS = Path(__file__).parents[2] / "demo_logs"
RUN, CAR, POINTS = LOGS / "front-fold.csv", LOGS / "car.toml", LOGS / "column.csv"
LIMIT = 4096

_CALIBRATE = ["calibrate", "--points", POINTS, "--water-c", 20, "--zero-open"]
OUTPUTS: dict[str, tuple[str, list[object]]] = {
    "page": ("page.html", ["report", RUN, "--car", CAR, "--out", "OUT"]),
    "picture": ("run.png", ["reduce", RUN, "--car", CAR, "--png", "OUT"]),
    "calibration": ("calibration.json", [*_CALIBRATE, "--out", "OUT"]),
    "certificate": ("c.pdf", [*_CALIBRATE, "--out", os.devnull, "--certificate", "OUT"]),
    "certificate as a picture": (
        "c-p1.png",
        [*_CALIBRATE, "--out", os.devnull, "--certificate", "FOLDER/c.png"],
    ),
    "table": ("run-pa.csv", ["export", RUN, "--out", "OUT"]),
    "table for other programs": ("run.parquet", ["export", RUN, "--out", "OUT"]),
    "pictures": (
        "front-fold.csv",
        ["report", RUN, "--car", CAR, "--out", os.devnull, "--pictures", "FOLDER"],
    ),
}


def _fails(folder: Path, output: str, limit: int, said: str) -> None:
    """Make an output where there is no room for it; what was there stays, and nothing else is left."""
    name, words = OUTPUTS[output]
    argv = [str(word).replace("OUT", str(folder / name)).replace("FOLDER", str(folder)) for word in words]
    before = {} if words[0] == "export" or "--pictures" in words else {name: "what was there before\n"}
    for path, text in before.items():
        (folder / path).write_text(text)
    allowed = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, allowed[1]))
    try:
        done = undertray(*argv)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, allowed)
    last = done.stderr.splitlines()[-1]
    assert (done.returncode, "Traceback" in done.stderr) == (1, False), done.stderr
    assert said in last
    assert "cannot" in last
    sizes = {path.name: path.stat().st_size for path in folder.iterdir()}
    assert sizes == {path: len(text) for path, text in before.items()}
    assert {path: (folder / path).read_text() for path in sizes} == before


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of three pages that is there for this test alone."""
    if not (sys.platform == "linux" and os.geteuid() == 0 and shutil.which("mount")):
        pytest.skip("only the superuser of a Linux system may mount")
    folder = tmp_path / "small"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=12k", "tmpfs", str(folder)]
    mounted = subprocess.run(mount, capture_output=True, text=True, check=False)
    if mounted.returncode:
        pytest.skip(f"mounting is not allowed here: {mounted.stderr.strip()}")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.parametrize("output", thinned(5, OUTPUTS))
def test_what_may_grow_no_further(tmp_path: Path, output: str) -> None:
    """The system's own limit on the size of a file stands in for a full disk."""
    _fails(tmp_path, output, LIMIT, "File too large")


@pytest.mark.parametrize("output", thinned(5, OUTPUTS))
def test_a_disk_without_room(small_disk: Path, output: str) -> None:
    _fails(small_disk, output, 1 << 30, "No space left")


def test_a_log_of_which_nothing_fits_is_not_left_empty(small_disk: Path) -> None:
    (small_disk / "other").write_bytes(b"0" * 3 * 4096)
    capture = small_disk.parent / "capture.txt"
    lines = [line.split(b",", 1)[1] for line in RUN.read_bytes().split(b"\n") if line[:1].isdigit()]
    capture.write_bytes(b"\n".join(lines) + b"\n")
    argv = ["record", "--port", str(capture), "--out", str(small_disk / "run.csv"), "--quiet"]
    done = undertray(*argv)
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "the disk is full" in done.stderr
    assert "there is no log" in done.stderr
    assert [path.name for path in small_disk.iterdir()] == ["other"]


def test_what_is_no_file_is_written_as_it_is() -> None:
    words = [*_CALIBRATE, "--out", "/dev/stdout"]
    done = subprocess.run(
        [sys.executable, "-m", "undertray", *map(str, words)], capture_output=True, text=True, check=True
    )
    assert '"format": ' in done.stdout
    assert Path("/dev/stdout").exists()

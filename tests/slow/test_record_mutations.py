"""Mutations: whatever a stranger changes, only our own errors, no hang, no memory.

Streams, logs, the car, the board and the calibration are changed at random places: bytes flipped,
taken out, put in, doubled, cut off, numbers blown up, pieces of one put into another. 200,000
of them when run in full.
"""

from __future__ import annotations

import functools
import importlib.util
import json
import random
import re
import sys
import time
import tracemalloc
import types
from collections.abc import Callable
from pathlib import Path

import pytest

from fakes.board import ScriptedBoard, device_note, log_of
from undertray.acquire.clock import board_time
from undertray.acquire.intake import Intake
from undertray.acquire.runlog import read_run
from undertray.acquire.wire import encode_note
from undertray.errors import UndertrayError

ROOT = Path(__file__).parents[2]
TOKENS = [
    *(b"-1", b"1e999", b"NaN", b"Infinity", b"0", b"9" * 40, b"null", b"true", b"1e-320", b"\\ud800"),
    *(b"[" * 60, b"{" * 60, b'"', b"\\", b"\x00", b"\xff\xfe", b"\x1b[2J", b"<script>", b",,,,"),
    *(b"\n", b"\r\n", b"#", b"#end {}"),
]


def log_text() -> bytes:
    board = ScriptedBoard(3)
    text = log_of(board, 20, facts='{"car": "x", "notes": {"gap": "1 mm"}}', end=False)
    text += b"#wire 200000 " + encode_note(
        "status", {"t_us": 5, "temperature_c": [20.5, None, 21], "skipped": 0}
    )
    text += b"#wire 200001 " + encode_note("device", device_note(3, boot=4)) + b"#bad 200002 1%00\n"
    return text + b"".join(b"%d," % (200_003 + i) + board.line() for i in range(10)) + b'#end {"rows": 30}\n'


def stream_text() -> bytes:
    board = ScriptedBoard(3)
    return b"".join(
        [board.device_line(), *board.lines(10), encode_note("fault", {"column": "p1"}), *board.lines(10)]
    )


CAR = b"""format = 1
name = "made up"
mass = "3.1 kg"
wheelbase = 320
front_weight = 0.46
floor = [[-60, -95], [330, -95], [330, 95], [-60, 95]]
tyre_mu = 0.9
surface_angle = 180

[[tap]]
name = "front-left"
column = "p1"
x = 20
y = -60

[[tap]]
name = "rear"
column = "p2"
x = 250
y = 40
area = 9500
"""


def mutated(text: bytes, other: bytes, rng: random.Random) -> bytes:
    for _ in range(rng.choice([1, 1, 1, 2, 3, 8])):
        at = rng.randrange(len(text) + 1)
        end = min(len(text), at + rng.choice([1, 1, 1, 2, 5, 40]))
        kind = rng.randrange(8)
        if kind == 0 and at < len(text):
            text = text[:at] + bytes([text[at] ^ 1 << rng.randrange(8)]) + text[at + 1 :]
        elif kind == 1:
            text = text[:at] + text[end:]
        elif kind == 2:
            text = text[:at] + rng.choice(TOKENS) + text[end:]
        elif kind == 3:
            text = text[:at] + text[at:end] * rng.choice([2, 3, 30]) + text[end:]
        elif kind == 4:
            text = text[:at]
        elif kind == 5:
            start = rng.randrange(len(other))
            text = text[:at] + other[start : start + rng.choice([1, 20, 200])] + text[at:]
        elif kind == 6:
            numbers = list(re.finditer(rb"\d+", text))
            if numbers:
                number = rng.choice(numbers)
                text = text[: number.start()] + rng.choice(TOKENS) + text[number.end() :]
        else:
            lines = text.splitlines(keepends=True)
            rng.shuffle(lines)
            text = b"".join(lines)
    return text


def take_log(path: Path, text: bytes) -> None:
    path.write_bytes(text)
    board_time(read_run(path))


def take_stream(path: Path, text: bytes) -> None:
    intake = Intake()
    for at in range(0, len(text), 37):
        logged, rows, good = intake.take(text[at : at + 37], at)
        assert logged.count(b"\n") >= len(good) >= rows
        assert all(0x20 <= byte < 0x7F or byte == 10 for byte in logged)
    intake.end_link()


def take_car(path: Path, text: bytes) -> None:
    from undertray.reduce.car import Car

    path.write_bytes(text)
    Car.from_toml(path)


def take_calibration(path: Path, text: bytes) -> None:
    from undertray.calibrate.calibration import Calibration

    path.write_bytes(text)
    Calibration.from_json(path)


def calibration_text() -> bytes:
    column = {
        "part": "hsc", "coefficients": [1.5, 1.01], "covariance": [[0.04, -1e-5], [-1e-5, 1e-8]],
        "range_pa": [0, 2000], "residual_sd_pa": 1.2, "hysteresis_pa": 0.5, "repeatability_pa": 0.4,
        "linearity_pa": 0.3, "points": [],
    }  # fmt: skip
    return json.dumps(
        {
            "format": 1,
            "made_utc": "2026-05-02T10:15:00Z",
            "fluid": {},
            "gravity_m_s2": 9.80665,
            "uid": "e6614103e7",
            "columns": {"p1": column, "p2": column},
        }
    ).encode()


def take_board(path: Path, text: bytes) -> None:
    """The firmware's own reader, under CPython: it gives sentences instead of raising."""
    path.write_bytes(text)
    board, faults = _firmware_board().read_board(str(path))
    if faults:
        assert all(len(fault) < 3000 for fault in faults)
        raise UndertrayError(ascii(faults[0]))
    assert isinstance(board, dict)


@functools.cache
def _firmware_board() -> types.ModuleType:
    """The firmware's package has the name of the host's, so its two files are loaded by hand."""
    with pytest.MonkeyPatch.context() as patch:
        for name in ("boardfaults", "boardfile"):
            path = ROOT / "firmware" / "undertray" / f"{name}.py"
            spec = importlib.util.spec_from_file_location(f"undertray.{name}", path)
            assert spec is not None
            assert spec.loader is not None
            module = importlib.util.module_from_spec(spec)
            patch.setitem(sys.modules, f"undertray.{name}", module)
            spec.loader.exec_module(module)
    return module


TARGETS: dict[str, tuple[Callable[[], bytes], Callable[[Path, bytes], None], int]] = {
    "log": (log_text, take_log, 60_000),
    "stream": (stream_text, take_stream, 60_000),
    "board": ((ROOT / "firmware" / "board.json").read_bytes, take_board, 20_000),
    "car": (lambda: CAR, take_car, 30_000),
    "calibration": (calibration_text, take_calibration, 30_000),
}


def run(tmp_path: Path, target: str, count: int, seed: int) -> None:
    make, take, _ = TARGETS[target]
    text, other = make(), log_text()
    rng = random.Random(seed)
    refused = 0
    slowest_s = 0.0
    for i in range(count):
        changed = mutated(text, other, rng)
        begun = time.perf_counter()
        complaint = ""
        try:
            take(tmp_path / "victim", changed)
        except UndertrayError as error:
            complaint = str(error)
        except Exception as error:
            raise AssertionError(f"{target} {seed} {i}: {error!r} of {changed[:3000]!r}") from error
        refused += bool(complaint)
        assert complaint == "" or complaint.isprintable(), (i, complaint)
        assert len(complaint) < 3000
        slowest_s = max(slowest_s, time.perf_counter() - begun)
    # a hang shows as seconds; one mutation takes milliseconds
    assert slowest_s < 5
    if target != "stream" and count > 100:
        assert 0 < refused < count, "the mutations are all harmless, or none is"


@pytest.mark.parametrize("target", TARGETS)
def test_a_few_mutations(tmp_path: Path, target: str) -> None:
    run(tmp_path, target, 700, seed=1)


@pytest.mark.slow
def test_the_memory_of_mutations_is_bounded(tmp_path: Path) -> None:
    for target in TARGETS:
        run(tmp_path, target, 5, seed=3)  # what is loaded on first use does not count
    tracemalloc.start()
    try:
        for target in TARGETS:
            run(tmp_path, target, 150, seed=2)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 200e6


@pytest.mark.slow
@pytest.mark.parametrize("target", TARGETS)
def test_200_000_mutations(tmp_path: Path, target: str) -> None:
    resource = pytest.importorskip("resource", reason="limits of POSIX")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    run(tmp_path, target, TARGETS[target][2], seed=4)
    grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert grown_kb < 200_000 or sys.platform == "darwin"  # bytes there

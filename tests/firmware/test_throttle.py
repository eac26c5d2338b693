"""The servo pulse: the PIO program in an emulator, the readers on the stand-in."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from pioemu import State, clock_cycles_reached, emulate

from firmware.runs import board, engines, rows, run_code, simulate

CYCLES_PER_US = 2  # the state machine runs at 2 MHz
PIN = 0


def _opcodes(folder: Path) -> tuple[list[int], int, int, int]:
    code = """
from undertray.pulse_pio import CLOCK_HZ, pulse_width as p
print(p.opcodes, p.wrap_target, p.wrap, CLOCK_HZ)
"""
    line = run_code(folder, code, "twin")[0]
    listed, rest = line.split("] ")
    return json.loads(listed + "]"), *(int(word) for word in rest.split())  # type: ignore[return-value]


def _measure(opcodes: list[int], target: int, wrap: int, pulses_us: list[tuple[float, float]]) -> list[int]:
    """Counts pushed while the pin is high from a to b (in us) for each pulse."""

    def level(cycle: int) -> int:
        return int(any(a * CYCLES_PER_US <= cycle < b * CYCLES_PER_US for a, b in pulses_us))

    end = int((pulses_us[-1][1] + 20) * CYCLES_PER_US)
    pushed: list[int] = []
    before = 0
    # One word a pulse is taken out as the firmware does; the emulator's queue is four deep.
    for _, state in emulate(
        opcodes,
        stop_when=clock_cycles_reached(end),
        initial_state=State(),
        input_source=lambda cycle: level(cycle) << PIN,
        wrap_target=target,
        wrap_top=wrap,
        jmp_pin=PIN,
    ):
        if len(state.receive_fifo) > before:
            pushed.append(state.receive_fifo[-1])
        before = len(state.receive_fifo)
    return pushed


def test_opcodes_are_those_of_the_data_book(tmp_path: Path) -> None:
    # Published encodings: RP2040 datasheet, section 3.4 (JMP 000, WAIT 001, PUSH 100, MOV 101).
    opcodes, target, wrap, clock_hz = _opcodes(tmp_path)
    assert (target, wrap, clock_hz) == (0, 6, 2_000_000)
    assert [f"{code:04x}" for code in opcodes] == [
        "2020",  # wait 0 pin 0
        "20a0",  # wait 1 pin 0
        "a02b",  # mov x, ~null
        "0044",  # jmp x--, 4
        "00c3",  # jmp pin, 3
        "a0c9",  # mov isr, ~x
        "8000",  # push noblock
    ]


@pytest.mark.parametrize("width_us", [800, 1000, 1499.5, 1500, 2200])
def test_the_program_counts_microseconds(tmp_path: Path, width_us: float) -> None:
    opcodes, target, wrap, _ = _opcodes(tmp_path)
    counts = _measure(opcodes, target, wrap, [(7, 7 + width_us), (3000, 3000 + width_us)])
    # derived: two instructions a count at 2 MHz, so within one count of the width in microseconds
    assert len(counts) == 2
    assert all(abs(count - width_us) <= 1 for count in counts)


def test_a_pulse_that_is_on_at_the_start_is_not_measured(tmp_path: Path) -> None:
    opcodes, target, wrap, _ = _opcodes(tmp_path)
    counts = _measure(opcodes, target, wrap, [(0, 400), (500, 1700)])
    assert len(counts) == 1
    assert abs(counts[0] - 1200) <= 1


@engines
@pytest.mark.parametrize("reader", ["pio", "irq"])
def test_a_lost_signal_is_seen_within_100_ms(tmp_path: Path, engine: str, reader: str) -> None:
    given = board()
    given["throttle"]["reader"] = reader
    changes = [[700_000, {"throttle_us": None}], [1_200_000, {"throttle_us": 1620}]]
    lines = simulate(tmp_path, engine, given, end_us=1_500_000, throttle_us=1480, changes=changes)
    seen = [(int(row[1]), row[2]) for row in rows(lines)]
    assert {width for t, width in seen if 100_000 < t < 700_000} == {b"1480"}
    # 100 ms after the last pulse, which ended at most one frame of 20 ms before 700 ms, and one slot
    assert {width for t, width in seen if 806_000 < t < 1_200_000} == {b""}
    assert {width for t, width in seen if 690_000 < t < 770_000} == {b"1480"}
    assert {width for t, width in seen if t > 1_250_000} == {b"1620"}


@engines
def test_widths_that_are_no_servo_pulse_are_left_out(tmp_path: Path, engine: str) -> None:
    lines = simulate(tmp_path, engine, end_us=400_000, throttle_us=3000)
    assert {row[2] for row in rows(lines)} == {b""}


@engines
def test_old_words_do_not_stay_in_the_queue_at_a_low_rate(tmp_path: Path, engine: str) -> None:
    changes = [[1_000_000, {"throttle_us": 1900}]]
    given = board(rate_hz=2)
    lines = simulate(tmp_path, engine, given, end_us=4_000_000, throttle_us=1100, changes=changes)
    assert [row[2] for row in rows(lines)][-3:] == [b"1900"] * 3


def test_no_pin_no_throttle(tmp_path: Path) -> None:
    lines = simulate(tmp_path, "twin", board(throttle=None), end_us=300_000)
    assert {row[2] for row in rows(lines)} == {b""}

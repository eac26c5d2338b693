"""The emulated board itself: instruction times of the processor's manual, bus times, and that it repeats."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import pytest

from board.emulated import EmulatedBoard, needs_board, read_file
from firmware.runs import board, notes, rows
from undertray.acquire.wire import Bad, parse_line

LOOPS = b"""
import machine, time
from machine import I2C, Pin

@micropython.asm_thumb
def plain(r0):
    label(AGAIN)
    sub(r0, 1)
    bne(AGAIN)

@micropython.asm_thumb
def calls(r0):
    b(BEGIN)
    label(CALLED)
    push({lr})
    pop({pc})
    label(BEGIN)
    bl(CALLED)
    sub(r0, 1)
    bne(BEGIN)

def took_us(loop, n):
    before = time.ticks_us()
    loop(n)
    return time.ticks_diff(time.ticks_us(), before)

i2c = I2C(0, sda=Pin(4), scl=Pin(5), freq=400000)
two, thirty = bytearray(2), bytearray(30)
def read(buf):
    i2c.readfrom_into(0x28, buf)
read(two)
gap_us = min([took_us(read, thirty) for _ in range(9)]) - min([took_us(read, two) for _ in range(9)])
print("#", machine.freq(), took_us(plain, 1000000), took_us(calls, 1000000), gap_us)
"""


@needs_board
def test_times_of_the_processors_manual_and_of_the_bus(tmp_path: Path) -> None:
    with EmulatedBoard(tmp_path, files={"main.py": LOOPS}) as emulated:
        (line,) = [line for line in emulated.run(3, heard="# ") if line.startswith(b"# ")]
    hertz, plain_us, calls_us, gap_us = (int(word) for word in line[2:].split())
    # Cortex-M0+ Technical Reference Manual (ARM DDI 0484C), table 3-1: SUBS 1 cycle, a taken B<cc> 2, BL 3,
    # PUSH of one register 1 + 1, POP with pc 3 + 1. Interrupts of the interpreter come on top: under 0.5 %.
    assert hertz == 125_000_000
    assert 24_000 <= plain_us <= 24_000 * 1.005
    assert 12 * 8_000 <= calls_us <= 12 * 8_000 * 1.005
    # 28 bytes of 9 bits. The Pico SDK's i2c_set_baudrate divides 125 MHz for 400 kHz into 187 clocks low, 126
    # high and 11 of spike filter; the block adds 1 to the low and 7 to the high time (RP2040 data sheet
    # 4.3.14.1), and both edges take 145 ns. So a bit is 2.80 us; the driver fetches byte by byte: up to 5 %.
    bit_us = (187 + 1 + 126 + 11 + 7) / 125 + 0.145
    assert 28 * 9 * bit_us <= gap_us <= 28 * 9 * bit_us * 1.05


@pytest.mark.slow
@needs_board
def test_the_firmware_samples_on_time_and_every_run_repeats(tmp_path: Path) -> None:
    runs = []
    for name in ("a", "b"):
        with EmulatedBoard(tmp_path / name, board(rate_hz=200)) as emulated:
            emulated.throttle(1500)
            emulated.boot()
            emulated.run(1.0)
            runs.append(emulated.lines)
    assert runs[0] == runs[1]
    lines = [line.text for line in runs[0]]
    assert not [line for line in lines if isinstance(parse_line(line), Bad)]
    (device,) = notes(lines, "device")
    assert len(device["columns"]) == 4
    taken = rows(lines)
    assert len(taken) > 200
    assert [int(row[0]) for row in taken] == list(range(len(taken)))
    assert {row[2] for row in taken[20:]} == {b"1500"}
    # a saw-tooth, for each column 1009 further on: from the first row on, after the drivers' own reads
    assert all(
        (int(b) - int(a)) % 13107 in (1008, 1009, 1010) for row in taken for a, b in pairwise(row[4:8])
    )


@needs_board
def test_files_survive_on_the_flash(tmp_path: Path) -> None:
    code = b"with open('kept.txt', 'w') as file: file.write('still here')\nprint('#done')\n"
    with EmulatedBoard(tmp_path / "a", files={"main.py": code}) as emulated:
        emulated.run(3, heard="#done")
        flash = [event["flash"] for event in emulated.events if "flash" in event]
        assert "program" in flash
        image = emulated.files()
    assert read_file(image, "kept.txt") == b"still here"
    assert json.loads(read_file(image, "board.json")) == board()

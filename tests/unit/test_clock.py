"""Board time over wraps, gaps and resets."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fakes.board import TICKS, ScriptedBoard, log_of
from undertray.acquire.clock import BoardTime, board_time
from undertray.acquire.runlog import read_run

HEADER = b"host_us,seq,t_us,throttle_us,flags,p1,p2,p3,p4,crc\n"
MINUTE_US = 60_000_000


def timed(tmp_path: Path, text: bytes) -> BoardTime:
    path = tmp_path / "run.csv"
    path.write_bytes(text)
    return board_time(read_run(path))


def logged(*pieces: tuple[ScriptedBoard, int, int], notes: bool = True) -> bytes:
    """Rows of boards, each from a host time on, at the board's own period."""
    text = b"#undertray-run 1\n#run {}\n"
    for i, (board, rows, host_us) in enumerate(pieces):
        if notes or i == 0:
            text += b"#wire %d " % host_us + board.device_line()
        if i == 0:
            text += HEADER
        text += more((board, rows, host_us))
    return text


def more(piece: tuple[ScriptedBoard, int, int]) -> bytes:
    board, rows, host_us = piece
    return b"".join(b"%d," % (host_us + row * board.period_us) + board.line() for row in range(rows))


def skipped(board: ScriptedBoard, slots: int) -> ScriptedBoard:
    board.slot += slots
    return board


def test_a_steady_run(tmp_path: Path) -> None:
    time = timed(tmp_path, log_of(ScriptedBoard(), 1000))
    assert np.allclose(time.t_s, np.arange(1000) * 0.005, rtol=0, atol=1e-9)
    assert (time.lost_rows, time.resets, time.gaps) == (0, 0, ())
    assert time.rate_hz == pytest.approx(200, rel=1e-12)
    assert set(time.segment.tolist()) == {0}


def test_ticks_and_slots_wrap(tmp_path: Path) -> None:
    board = ScriptedBoard(start_us=TICKS - 1_000_000, seq=65_500)
    time = timed(tmp_path, log_of(board, 1000))
    assert np.allclose(time.t_s, np.arange(1000) * 0.005, rtol=0, atol=1e-9)
    assert (time.lost_rows, time.resets) == (0, 0)


@pytest.mark.parametrize("bits", [24, 30])
def test_the_width_of_the_counter_is_the_board_s(tmp_path: Path, bits: int) -> None:
    board = ScriptedBoard(start_us=2**24 - 500_000, tick_bits=bits)
    text = log_of(board, 50)
    assert timed(tmp_path, text).t_s[-1] == pytest.approx(49 * 0.005, abs=1e-9)


def test_lost_rows_and_a_gap(tmp_path: Path) -> None:
    board = ScriptedBoard()
    text = logged((board, 100, 0))
    text += more((skipped(board, 3), 100, 103 * 5000))
    text += more((skipped(board, 400), 100, 603 * 5000))
    time = timed(tmp_path, text)
    assert time.lost_rows == 403
    assert time.resets == 0
    # 3 slots missing are 4 periods, no gap; 400 missing are a gap of 401 periods
    assert time.gaps == (pytest.approx((202 * 0.005, 603 * 0.005), abs=1e-9),)
    assert time.t_s[-1] == pytest.approx(702 * 0.005, abs=1e-9)


def test_a_silence_longer_than_a_wrap_is_counted_out_by_the_host(tmp_path: Path) -> None:
    board = ScriptedBoard()
    away = 40 * MINUTE_US // 5000  # two wraps and more
    text = logged((board, 200, 0))
    text += more((skipped(board, away), 200, 40 * MINUTE_US + 200 * 5000))
    time = timed(tmp_path, text)
    assert time.resets == 0
    assert time.t_s[-1] == pytest.approx((399 + away) * 0.005, abs=1e-6)
    assert time.lost_rows == away


def test_a_reset_told_by_the_boot_id_alone(tmp_path: Path) -> None:
    # the new power-up's ticks and slots look like a short skip ahead
    first, second = ScriptedBoard(boot=1), ScriptedBoard(boot=2, start_us=681_235, seq=120)
    time = timed(tmp_path, logged((first, 100, 0), (second, 100, 2_000_000)))
    assert time.resets == 1
    assert time.segment.tolist() == [0] * 100 + [1] * 100
    assert time.lost_rows == 0
    assert time.t_s[100] == pytest.approx(2.0, abs=1e-9)  # by the host's clock
    assert time.gaps == (pytest.approx((0.495, 2.0), abs=1e-9),)


@pytest.mark.parametrize("ran_s", [2, 30, 270, 500, 800, 1070, 1100, 2500])
@pytest.mark.parametrize("stamped", [True, False])
def test_a_reset_without_a_note_is_seen_by_ticks_and_slots(tmp_path: Path, ran_s: int, stamped: bool) -> None:
    first = skipped(ScriptedBoard(boot=1), ran_s * 200)
    second = ScriptedBoard(boot=1, start_us=50_000)
    text = logged((first, 100, 0), (second, 100, 1_500_000), notes=False)
    if not stamped:
        lines = text.splitlines(keepends=True)
        rows = [line.split(b",", 1)[1] for line in lines if line[:1].isdigit()]
        text = first.device_line() + b"".join(rows)
    time = timed(tmp_path, text)
    assert time.resets == 1
    assert time.segment[99:101].tolist() == [0, 1]
    assert time.lost_rows == 0
    assert time.t_s[100] == pytest.approx(1.5 if stamped else 0.5, abs=1e-9)


def test_a_boot_note_that_came_late_does_not_add_a_second_reset(tmp_path: Path) -> None:
    first = skipped(ScriptedBoard(boot=1), 20_000)
    second = ScriptedBoard(boot=2, start_us=50_000)
    text = logged((first, 100, 0), (second, 100, 1_500_000), notes=False)
    text += b"#wire 2100000 " + second.device_line()
    text += b"".join(b"%d," % (2_100_000 + 5000 * i) + second.line() for i in range(50))
    time = timed(tmp_path, text)
    assert time.resets == 1
    assert time.segment.tolist() == [0] * 100 + [1] * 150


def test_a_host_that_was_held_up_is_no_reset(tmp_path: Path) -> None:
    """Rows wait 20 s in the system's buffers, then come at once, with a hole in between."""
    board = ScriptedBoard()
    text = logged((board, 200, 0))
    text += b"".join(b"%d," % (21_000_000 + i) + board.line() for i in range(2000))
    skipped(board, 1000)
    text += b"".join(b"%d," % (21_010_000 + max(0, i - 800) * 5000) + board.line() for i in range(2000))
    time = timed(tmp_path, text)
    assert (time.resets, time.lost_rows) == (0, 1000)
    assert time.t_s[-1] == pytest.approx(5199 * 0.005, abs=1e-6)


def test_rows_that_were_old_when_recording_began_are_no_reset(tmp_path: Path) -> None:
    board = ScriptedBoard()
    text = logged((board, 50, 0))
    skipped(board, 60 * 200)  # a minute of rows was overwritten on the board
    text += b"".join(b"%d," % (250_000 + 5000 * i) + board.line() for i in range(500))
    time = timed(tmp_path, text)
    assert (time.resets, time.lost_rows) == (0, 12_000)


def test_a_change_of_rate_is_no_gap(tmp_path: Path) -> None:
    fast = ScriptedBoard(rate_hz=500)
    text = logged((fast, 3000, 0))
    slow = ScriptedBoard(rate_hz=50, start_us=81_235 + 3000 * 2000, seq=3000)
    text += b"".join(b"%d," % (6_000_000 + 20_000 * i) + slow.line() for i in range(640))
    time = timed(tmp_path, text)
    assert (time.resets, time.lost_rows) == (0, 0)
    assert time.gaps == ()
    assert time.rate_hz == pytest.approx(500)


def test_few_rows(tmp_path: Path) -> None:
    assert len(timed(tmp_path, log_of(ScriptedBoard(), 0)).t_s) == 0
    one = timed(tmp_path, log_of(ScriptedBoard(), 1))
    assert (one.t_s.tolist(), one.lost_rows, one.resets) == ([0.0], 0, 0)
    assert np.isnan(one.rate_hz)
    assert timed(tmp_path, log_of(ScriptedBoard(), 2)).rate_hz == pytest.approx(200)
    assert one.skew_ppm is None
    assert one.jitter_s is None


def test_the_skew_is_found_through_the_jitter_of_the_link(tmp_path: Path) -> None:
    # made: the board's crystal 37 ppm slow, delays of a gamma law (shape 2, 1.5 ms) behind 0.8 ms
    rng = np.random.default_rng(11)
    late = rng.gamma(2, 1500, 12_000)
    arrival = np.maximum.accumulate(np.arange(12_000) * 5000 * (1 + 37e-6) + 800 + late)
    board = ScriptedBoard()
    text = logged((board, 0, 0)) + b"".join(b"%d," % at + board.line() for at in arrival.astype(int).tolist())
    time = timed(tmp_path, text)
    assert time.host is not None
    # the nearest arrivals are within 0.1 ms of the least delay at both ends of 60 s: 2e-4 / 60 = 3 ppm
    assert time.skew_ppm == pytest.approx(37, abs=3)
    assert time.host.offset_s == pytest.approx(0.8e-3, abs=1e-4)
    assert time.jitter_s == pytest.approx(
        np.percentile(arrival - np.arange(12_000) * 5000.185 - 800, 95) / 1e6, rel=0.05
    )


@pytest.mark.parametrize("seed", range(5))
def test_no_stream_raises_and_time_never_goes_back(tmp_path: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    text, host = logged((ScriptedBoard(), 0, 0)), 0
    for _ in range(300):
        board = ScriptedBoard(
            start_us=int(rng.integers(TICKS)), seq=int(rng.integers(65536)), boot=int(rng.integers(3))
        )
        host += int(rng.integers(10**6))
        if rng.random() < 0.3:
            text += b"#wire %d " % host + board.device_line()
        text += b"".join(b"%d," % (host + i) + board.line() for i in range(int(rng.integers(4))))
    time = timed(tmp_path, text)
    assert np.all(np.diff(time.t_s) >= 0)
    assert np.all(np.isfinite(time.t_s))
    assert time.resets == time.segment[-1]

"""The run log read back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fakes.board import ScriptedBoard, device_line, device_note, log_of
from undertray.acquire.runlog import Run, read_run
from undertray.acquire.wire import encode_note
from undertray.errors import RunLogError

HEADER = b"host_us,seq,t_us,throttle_us,flags,p1,p2,p3,p4,crc\n"


def read(tmp_path: Path, text: bytes) -> Run:
    path = tmp_path / "run.csv"
    path.write_bytes(text)
    return read_run(path)


def test_a_log_comes_back_as_it_was_recorded(tmp_path: Path) -> None:
    run = read(tmp_path, log_of(ScriptedBoard(), 50, facts='{"skirt": "soft"}'))
    assert run.name == "run"
    assert run.facts == {"skirt": "soft"}
    assert run.columns == ("p1", "p2", "p3", "p4")
    assert run.device is not None
    assert run.device.rate_hz == 200
    assert run.seq.tolist() == list(range(50))
    assert run.t_us.tolist() == [81_235 + 5000 * i for i in range(50)]
    assert run.host_us.tolist() == [5123 + 5000 * i for i in range(50)]
    assert run.throttle_us.tolist() == [1500.0] * 50
    assert run.counts.shape == (50, 4)
    assert run.counts[3].tolist() == [8192 + (3 * 7 + 31 * i) % 900 for i in range(4)]
    assert [(note.host_us, note.kind, note.row) for note in run.notes] == [(1042, "device", 0)]
    assert (run.bad_lines, run.cut_off) == (0, False)
    assert run.end == {"rows": 50, "bad": 0, "seconds": 0.25, "why": "stopped"}


def test_pandas_opens_the_log_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_bytes(log_of(ScriptedBoard(), 50))
    table, run = pd.read_csv(path, comment="#"), read_run(path)
    for name in ("host_us", "seq", "t_us"):
        assert np.array_equal(table[name], getattr(run, name))
    assert np.array_equal(table[list(run.columns)], run.counts)


def test_empty_fields_are_nan(tmp_path: Path) -> None:
    board = ScriptedBoard(2, throttle_us=None, counts=lambda slot: [None, -slot])
    run = read(tmp_path, log_of(board, 3))
    assert np.isnan(run.throttle_us).all()
    assert np.isnan(run.counts[:, 0]).all()
    assert run.counts[:, 1].tolist() == [0, -1, -2]


def test_windows_line_ends_are_taken(tmp_path: Path) -> None:
    text = log_of(ScriptedBoard(), 5)
    run = read(tmp_path, text.replace(b"\n", b"\r\n"))
    assert (len(run.seq), run.bad_lines, run.cut_off) == (5, 0, False)


def test_bad_lines_are_counted_and_nothing_else_is_lost(tmp_path: Path) -> None:
    lines = log_of(ScriptedBoard(), 6).splitlines(keepends=True)
    lines[5] = lines[5].replace(b"1500", b"1501")  # the check no longer fits
    lines[6] = lines[6].rpartition(b",")[0] + b"\n"  # no check
    lines.insert(8, b"#bad 25000 17,98%00,1500\n")
    lines.insert(8, b"#what is this\n")
    lines.insert(8, b"\n")
    run = read(tmp_path, b"".join(lines))
    assert run.seq.tolist() == [0, 3, 4, 5]
    assert run.bad_lines == 5
    assert not run.cut_off


@pytest.mark.parametrize("row", [b"1,2,3,0,1,2,3,abcd", b"5,1,2,3,0,01,2,3,4,%s", b"05,1,2,3,0,1,2,3,4,%s"])
def test_wrong_width_and_odd_numbers_are_bad_lines(tmp_path: Path, row: bytes) -> None:
    from undertray.acquire.wire import check

    if b"%s" in row:
        wire = row.split(b",", 1)[1].rpartition(b",")[0]
        row = row % check(wire)
    run = read(tmp_path, log_of(ScriptedBoard(), 3, end=False) + row + b"\n")
    assert (len(run.seq), run.bad_lines) == (3, 1)


def test_a_log_without_end_was_cut_off(tmp_path: Path) -> None:
    text = log_of(ScriptedBoard(), 4, end=False)
    run = read(tmp_path, text[:-3])
    assert (len(run.seq), run.bad_lines, run.cut_off, run.end) == (3, 0, True, None)


def broken(rows: int, kept: int, spoil: bool = False, end: bytes | None = None) -> bytes:
    """A log whose rows after some are gone, or no longer hold, while its end line is whole."""
    *head, last = log_of(ScriptedBoard(), rows).splitlines(keepends=True)
    at = len(head) - rows + kept
    tail = [line[:-2] + (b"0\n" if line[-2:-1] != b"0" else b"1\n") for line in head[at:]] if spoil else []
    return b"".join([*head[:at], *tail, end or last])


@pytest.mark.parametrize("spoil", [False, True])
def test_rows_that_end_before_the_recording_leave_its_end_unknown(tmp_path: Path, spoil: bool) -> None:
    # derived: 400 of 1200 rows at 200 Hz are missing behind the last, 2.0 s
    run = read(tmp_path, broken(1200, 800, spoil))
    assert (run.cut_off, run.bad_lines) == (False, 400 if spoil else 0)
    assert run.cut_short == "the recording went on for 2.0 s after its last good row"
    for kept in (1200, 1190):  # rows that were still on their way when it was stopped
        assert read(tmp_path, broken(1200, kept, spoil)).cut_short is None


def test_rows_that_are_stated_and_not_there_leave_the_end_unknown(tmp_path: Path) -> None:
    end = b'#end {"rows": 1200, "why": "stopped"}\n'
    run = read(tmp_path, broken(1200, 800, end=end))
    assert run.cut_short == "400 of the 1200 rows that the log states are not in it"
    assert read(tmp_path, broken(1200, 1200, end=end)).cut_short is None


@pytest.mark.parametrize(("rested_s", "known"), [(2.0, True), (0.5, False)])
def test_fans_at_rest_end_a_run_whatever_came_later(tmp_path: Path, rested_s: float, known: bool) -> None:
    up, down = ScriptedBoard(throttle_us=1500), ScriptedBoard(throttle_us=1000)
    rows, rest = 800, round(200 * rested_s)
    head = log_of(up, rows, end=False)
    down.slot = up.slot
    tail = log_of(down, rest, end=False).splitlines(keepends=True)[-rest:]
    run = read(tmp_path, b"".join([head, *tail, b'#end {"rows": 3000, "seconds": 15.0}\n']))
    assert len(run.seq) == rows + rest
    assert (run.cut_short is None) == known


def test_an_end_without_line_feed_is_an_end(tmp_path: Path) -> None:
    run = read(tmp_path, log_of(ScriptedBoard(), 4)[:-1])
    assert (len(run.seq), run.cut_off) == (4, False)


def test_a_newer_version_says_so(tmp_path: Path) -> None:
    text = log_of(ScriptedBoard(), 4).replace(b"#undertray-run 1", b"#undertray-run 2")
    with pytest.raises(RunLogError, match=r"newer version of undertray wrote this log.*2.*update"):
        read(tmp_path, text)


def test_a_newer_wire_says_so(tmp_path: Path) -> None:
    with pytest.raises(RunLogError, match="newer wire format"):
        read(tmp_path, log_of(ScriptedBoard(wire=3), 4))


@pytest.mark.parametrize("text", [b"", b"a,b\n1,2\n", b"\x00" * 100, b"\x89PNG\r\n\x1a\n" + b"\xff" * 5000])
def test_what_is_no_log_gets_one_clear_line(tmp_path: Path, text: bytes) -> None:
    with pytest.raises(RunLogError, match=r"run\.csv: not a run log.*#undertray-run 1") as caught:
        read(tmp_path, text)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 400


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(RunLogError, match="No such file"):
        read_run(tmp_path / "none.csv")
    with pytest.raises(RunLogError, match="cannot read it"):
        read_run(tmp_path)


def test_a_log_with_no_rows_is_empty(tmp_path: Path) -> None:
    run = read(tmp_path, b"#undertray-run 1\n#run {}\n#wire 10 " + device_line() + HEADER)
    assert run.counts.shape == (0, 4)
    assert run.cut_off
    run = read(tmp_path, b"#undertray-run 1\n#run {}\n")
    assert run.counts.shape == (0, 0)


def test_the_device_is_the_last_before_the_first_row(tmp_path: Path) -> None:
    early, late, board = device_line(boot=1), device_line(boot=2), ScriptedBoard()
    head, rows = (
        b"#undertray-run 1\n#run {}\n",
        b"".join(b"%d," % i + board.line() for i in range(3)),
    )
    run = read(tmp_path, head + b"#wire 1 " + early + b"#wire 2 " + late + HEADER + rows)
    assert run.device is not None
    assert run.device.boot == 2
    run = read(tmp_path, head + HEADER + rows + b"#wire 1 " + early + b"#wire 2 " + late)
    assert run.device is not None
    assert run.device.boot == 1
    assert [note.row for note in run.notes] == [3, 3]


def test_notes_know_where_they_stood(tmp_path: Path) -> None:
    board = ScriptedBoard()
    text = log_of(board, 3, end=False) + b"#wire 20000 " + encode_note("status", {"skipped": 0})
    text += b"20100," + board.line() + b"#wire 20200 " + encode_note("novelty", {"a": 1})
    run = read(tmp_path, text)
    assert [(note.kind, note.row) for note in run.notes] == [("device", 0), ("status", 3), ("novelty", 4)]


def test_a_device_note_that_comes_again_counts_again(tmp_path: Path) -> None:
    first, other = device_line(), device_line(boot=7)
    lines = [b"#wire 9 " + line for line in (first, first, other, first, first[:-2] + b"x\n", first)]
    run = read(tmp_path, log_of(ScriptedBoard(), 3, end=False) + b"".join(lines))
    boots = [note.data["boot"] for note in run.notes if note.kind == "device"]
    assert boots == [3735928559, 3735928559, 3735928559, 7, 3735928559, 3735928559]
    assert run.bad_lines == 1


def test_a_damaged_header_takes_no_row_away(tmp_path: Path) -> None:
    for damaged in (b"p1,p2;p3", b"p1,q2,p3", b"p1,p2#p3"):
        run = read(tmp_path, log_of(ScriptedBoard(), 5).replace(b"p1,p2,p3", damaged))
        assert run.columns == ("p1", "p2", "p3", "p4")
        assert (len(run.seq), run.bad_lines) == (5, 1)


def test_a_host_time_out_of_order_is_a_bad_line(tmp_path: Path) -> None:
    text = log_of(ScriptedBoard(), 9)
    run = read(tmp_path, text.replace(b"\n15123,", b"\n95123,"))
    assert run.seq.tolist() == [0, 1, 3, 4, 5, 6, 7, 8]
    assert run.bad_lines == 1
    run = read(tmp_path, text.replace(b"\n5123,", b"\n55123,"))
    assert run.seq.tolist() == [1, 2, 3, 4, 5, 6, 7, 8]


def test_a_host_clock_that_steps_back_a_little_costs_no_row(tmp_path: Path) -> None:
    text = log_of(ScriptedBoard(), 9)
    run = read(tmp_path, text.replace(b"\n15123,", b"\n8123,").replace(b"\n45123,", b"\n39123,"))
    assert (len(run.seq), run.bad_lines) == (9, 0)


def test_a_plain_capture_is_read_without_host_times(tmp_path: Path) -> None:
    board = ScriptedBoard(3)
    text = (
        b"35,1500,0,8192,9f3c\n" + board.device_line() + b"".join(board.lines(4)) + b"noise\n" + board.line()
    )
    run = read(tmp_path, text + b"17,8")
    assert run.seq.tolist() == [0, 1, 2, 3, 4]
    assert set(run.host_us.tolist()) == {-1}
    assert run.columns == ("p1", "p2", "p3")
    assert run.device is not None
    assert (run.bad_lines, run.cut_off) == (1, False)


def test_rows_are_found_however_much_noise_stands_before_them(tmp_path: Path) -> None:
    head = b"#undertray-run 1\n#run {}\n" + b"#bad 5 " + b"%00" * 2000 + b"\n"
    noise = (b"#bad 5 " + b"%00" * 2000 + b"\n") * 400  # more than two blocks of the reader
    run = read(tmp_path, head + noise + HEADER + b"".join(b"9," + line for line in ScriptedBoard().lines(3)))
    assert (len(run.seq), run.bad_lines) == (3, 401)


def test_a_line_without_end_is_bounded(tmp_path: Path) -> None:
    text = (
        log_of(ScriptedBoard(), 3, end=False)
        + b"z" * 5_000_000
        + b"\n"
        + b"9999999,"
        + ScriptedBoard(seq=3, start_us=96_235).line()
    )
    run = read(tmp_path, text)
    assert (len(run.seq), run.bad_lines) == (4, 1)


@pytest.mark.parametrize(
    "change",
    [
        {"uid": 7},
        {"columns": []},
        {"columns": [{"name": "a,b"}]},
        {"columns": [{"name": "p1\n#end {}"}]},
        {"rate_hz": 0},
        {"rate_hz": True},
        {"tick_bits": 99},
        {"boot": -1},
        {"boot": 10**30},
        {"wire": "1"},
    ],
)
def test_a_device_note_that_does_not_hold_says_which_key(tmp_path: Path, change: dict[str, object]) -> None:
    with pytest.raises(RunLogError, match=f"device note.*{next(iter(change))}|device note, column 1.*name"):
        read(
            tmp_path,
            log_of(ScriptedBoard(), 2).replace(device_line(), encode_note("device", device_note() | change)),
        )


def test_slots_are_counted_across_the_turn_of_seq_with_plain_arrays(tmp_path: Path) -> None:
    log = tmp_path / "turn.csv"
    board = ScriptedBoard(2)
    board.seq = 65_500
    log.write_bytes(board.device_line() + b"".join(board.lines(100)))
    run = read_run(log)
    assert (np.diff(run.seq) % 65536 == 1).all()
    assert run.seq[-1] == (65_500 + 99) % 65536

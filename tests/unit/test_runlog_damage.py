"""A log cut anywhere, or with any byte changed, loses what was damaged and nothing else."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from fakes.board import ScriptedBoard, log_of
from fakes.cells import some
from undertray.acquire.runlog import is_run, read_run
from undertray.acquire.wire import encode_note
from undertray.errors import RunLogError

ROWS = 6


def sample() -> bytes:
    board = ScriptedBoard(2)
    text = log_of(board, ROWS - 2, facts='{"car": "x"}', end=False)
    text += b"#bad 30000 17,98%00\n#wire 30001 " + encode_note("status", {"skipped": 0})
    text += b"".join(b"%d," % (40_000 + 5000 * i) + board.line() for i in range(2))
    return text + b'#end {"rows": 6, "bad": 1}\n'


def seen(path: Path, text: bytes) -> tuple[list[int], int, bool, int]:
    path.write_bytes(text)
    run = read_run(path)
    return run.seq.tolist(), run.bad_lines, run.cut_off, len(run.notes)


def test_cut_at_every_byte_it_reads_to_its_last_whole_row(tmp_path: Path) -> None:
    text, path = sample(), tmp_path / "cut.csv"
    # the first row stands behind the header; a log cut before its first line end is no log yet
    whole = [i + 1 for i, byte in enumerate(text) if byte == 10]
    rows_end = [end for end in whole if text[text.rfind(b"\n", 0, end - 1) + 1 : end][:1].isdigit()]
    for cut in range(whole[0], len(text)):
        seq, bad, cut_off, _ = seen(path, text[:cut])
        assert seq == list(range(sum(end <= cut for end in rows_end))), cut
        assert bad == (cut >= text.index(b"#bad") + len(b"#bad 30000 17,98%00\n")), cut
        assert cut_off == (cut < len(text) - 1), cut  # without its last line feed the end is still there
    for cut in range(whole[0]):
        path.write_bytes(text[:cut])
        with pytest.raises(RunLogError, match="not a run log"):
            read_run(path)


@pytest.mark.parametrize("change", some([0x10], [0x01, 0x80, 0xFF]))
def test_any_one_byte_changed_costs_that_line_alone_and_is_reported(tmp_path: Path, change: int) -> None:
    text, path = sample(), tmp_path / "flip.csv"
    starts = [0, *(i + 1 for i, byte in enumerate(text) if byte == 10)]
    clean = seen(path, text)
    assert clean == (list(range(ROWS)), 1, False, 2)
    silent = 0
    for place in range(len(text)):
        damaged = bytearray(text)
        damaged[place] ^= change
        line = text[max(start for start in starts if start <= place) :].split(b"\n")[0]
        if damaged.startswith(b"#undertray-run ") and damaged[15] in b"23456789" and place == 15:
            # only the number of the version can make a log unreadable, and says so
            with pytest.raises(RunLogError, match="newer version"):
                seen(path, bytes(damaged))
            continue
        seq, bad, cut_off, notes = seen(path, bytes(damaged))
        lost_rows = [slot for slot in range(ROWS) if slot not in seq]
        if text[place] == 10 or damaged[place] == 10:
            # a line feed lost joins two lines, one gained cuts a line in two
            assert len(lost_rows) <= 2, place
        elif not line[:1].isdigit():
            assert lost_rows == [], place
        else:
            assert len(lost_rows) <= 1, place
        joined = text[place] == 10  # with the bad line of the sample, which counts once
        reported = bad > (not joined) or cut_off or notes < 2
        if not reported:
            silent += 1
            # what has no check of its own may change unseen: our own times and words, a bad line's text
            assert line.startswith((b"#bad", b"#run", b"#end", b"#wire")) or place_in_host_time(
                text, place
            ), place
            assert seq == list(range(ROWS)), place
    assert silent < len(text) / 5


def place_in_host_time(text: bytes, place: int) -> bool:
    start = text.rfind(b"\n", 0, place) + 1
    return text[start : start + 1].isdigit() and b"," not in text[start:place]


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace(b",", b";"),
        lambda text: text.replace(b",", b";").replace(b"#undertray-run 1", b"#undertray-run 1;;;"),
        lambda text: b"".join(b'"' + line + b'"\n' for line in text.splitlines()),
        lambda text: text.decode().encode("utf-16"),
    ],
    ids=["semicolons", "all", "quotes", "utf-16"],
)
def test_a_log_that_a_spreadsheet_saved_is_told_from_a_bad_recording(
    tmp_path: Path, change: Callable[[bytes], bytes]
) -> None:
    path = tmp_path / "saved.csv"
    path.write_bytes(change(log_of(ScriptedBoard(2), 40)))
    with pytest.raises(RunLogError, match=r"changed since it was written.*4\d lines.*use the original"):
        read_run(path)
    assert is_run(path)


def test_a_log_of_bad_lines_alone_is_a_bad_recording_and_not_a_changed_one(tmp_path: Path) -> None:
    path = tmp_path / "bad.csv"
    text = log_of(ScriptedBoard(2), 0, end=False)
    path.write_bytes(text + b"".join(b"#bad %d 17,98%%00\n" % (40_000 + 5000 * i) for i in range(40)))
    assert read_run(path).bad_lines == 40

"""The bulk reader gives line for line what the reference grammar gives."""

from __future__ import annotations

import io
from binascii import crc_hqx

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from fakes.board import ScriptedBoard, device_line, log_of
from undertray.acquire.logscan import blocks_of_lines
from undertray.acquire.rows import MISSING, LineGrid, marked_places, parse_block, parse_log_row, row_checks
from undertray.acquire.wire import Row, check, encode_row

COLUMNS = 3
number = st.one_of(
    st.integers(-(10**16), 10**16).map(str),
    st.sampled_from(
        ["", "0", "-0", "-", "00", "01", "+1", "--1", "1-", "65535", "65536", "1073741823", "1073741824"]
    ),
    st.text("0123456789-abcdefABCDEF+. _", max_size=17),
)


@st.composite
def lines(draw: st.DrawFn) -> bytes:
    """A row, or nearly one, with a check that fits, or nearly."""
    if draw(st.booleans()):
        row = Row(
            draw(st.integers(0, 65535)),
            draw(st.integers(0, 2**30 - 1)),
            draw(st.none() | st.integers(0, 10**6)),
            draw(st.integers(0, 2**33)),
            tuple(draw(st.lists(st.none() | st.integers(-(10**15), 10**15), min_size=1, max_size=5))),
        )
        counts = ",".join("" if count is None else str(count) for count in row.counts)
        throttle = "" if row.throttle_us is None else row.throttle_us
        wire = f"{row.seq},{row.t_us},{throttle},{row.flags:x},{counts}".encode()
    else:
        wire = ",".join(draw(st.lists(number, min_size=4, max_size=9))).encode()
    stamp = draw(st.one_of(st.integers(0, 10**16).map(str), number)).encode()
    line = stamp + b"," + wire + b"," + check(wire)
    if draw(st.integers(0, 3)) == 0:
        place = draw(st.integers(0, len(line)))
        line = (
            line[:place]
            + draw(st.binary(max_size=2)).replace(b"\n", b"")
            + line[place + draw(st.integers(0, 2)) :]
        )
    return line + draw(st.sampled_from([b"", b"", b"\r", b"\r\r"]))


def by_reference(block: list[bytes], columns: int, stamped: bool) -> tuple[list[list[int]], list[int]]:
    rows, bad = [], []
    for i, line in enumerate(block):
        parsed = parse_log_row(line, columns, stamped)
        if parsed is None:
            bad.append(i)
            continue
        host_us, row = parsed
        values = (row.seq, row.t_us, row.throttle_us, row.flags, *row.counts)
        rows.append([host_us, *(MISSING if value is None else value for value in values)])
    return rows, bad


def in_bulk(block: list[bytes], columns: int, stamped: bool) -> tuple[list[list[int]], list[int]]:
    text = b"".join(line + b"\n" for line in block)
    parsed = parse_block(text, columns, stamped)
    bad = [before + i for i, (before, _) in enumerate(parsed.others)]
    assert len(parsed.fields) + len(bad) == len(block)
    assert [line for _, line in parsed.others] == [block[i].removesuffix(b"\r") for i in bad]
    return parsed.fields.tolist(), bad


@settings(max_examples=200)
@given(st.lists(lines(), min_size=1, max_size=12), st.booleans())
@example([b"5,1,2,3,0,1,2,3," + check(b"1,2,3,0,1,2,3")], True)
@example([b"", b"\r", b","], True)
def test_bulk_and_reference_agree(block: list[bytes], stamped: bool) -> None:
    if not stamped:
        block = [line.partition(b",")[2] for line in block]
    assert in_bulk(block, COLUMNS, stamped) == by_reference(block, COLUMNS, stamped)


@given(st.integers(1, 16), st.randoms())
def test_good_rows_of_every_width_are_taken_by_the_bulk(columns: int, random: object) -> None:
    board = ScriptedBoard(columns, counts=lambda slot: [(-1) ** i * (slot * 977 + i) for i in range(columns)])
    block = [b"%d," % (10 ** (i % 14)) + line[:-1] for i, line in enumerate(board.lines(30))]
    rows, bad = in_bulk(block, columns, True)
    assert bad == []
    assert (rows, bad) == by_reference(block, columns, True)


@given(st.data())
def test_a_flipped_byte_never_passes_where_the_reference_says_bad(data: st.DataObject) -> None:
    line = bytearray(b"123456," + encode_row(Row(7, 81_235, 1500, 0, (8192, -3, None)))[:-1])
    place = data.draw(st.integers(0, len(line) - 1))
    line[place] = data.draw(st.integers(0, 255).filter(lambda byte: byte not in (10, line[place])))
    assert in_bulk([bytes(line)], COLUMNS, True) == by_reference([bytes(line)], COLUMNS, True)


class Dribble(io.BytesIO):
    """A file that gives little at a time."""

    def __init__(self, text: bytes, size: int) -> None:
        super().__init__(text)
        self.size = size

    def read(self, size: int | None = -1) -> bytes:
        return super().read(self.size)


@given(st.integers(1, 400))
def test_where_a_file_is_cut_into_blocks_does_not_matter(size: int) -> None:
    text = log_of(ScriptedBoard(), 20) + b"half a line"
    found = b"".join(blocks_of_lines(Dribble(text, size), len(text)))
    assert found + b"half a line" == text


def test_a_device_note_is_no_row() -> None:
    assert in_bulk([device_line()[:-1]], COLUMNS, True) == ([], [0])


def checks(text: bytes, begins: list[int], ends: list[int]) -> list[int]:
    """The checks of rows that stand in a text, two bytes and more behind each."""
    end, begin = np.array(ends, dtype=np.int64), np.array(begins, dtype=np.int64)
    return row_checks(LineGrid(text, end + 2, end - begin + 2).words, end - begin).tolist()


@given(st.lists(st.binary(max_size=256), min_size=1, max_size=20), st.binary(max_size=9))
@example([bytes(256), b"\xff" * 256, b""], b"")
def test_the_checks_of_many_rows_are_those_of_each(rows: list[bytes], before: bytes) -> None:
    ends = len(before) + np.cumsum([len(row) for row in rows])
    begins = ends - [len(row) for row in rows]
    found = checks(before + b"".join(rows) + b"??", begins.tolist(), ends.tolist())
    assert found == [crc_hqx(row, 0xFFFF) for row in rows]


def test_the_check_value_of_the_catalogue() -> None:
    # published: Catalogue of parametrised CRC algorithms, CRC-16/IBM-3740, check
    assert checks(b"123456789,2", [0], [9]) == [0x29B1]


@given(st.lists(st.binary(max_size=150), min_size=1, max_size=20), st.sampled_from(b",\0a"))
def test_the_places_of_a_byte_are_those_of_each_line(texts: list[bytes], byte: int) -> None:
    most = max(text.count(byte) for text in texts)
    texts = [text for text in texts if text.count(byte) == most]
    ends = np.cumsum([len(text) for text in texts])
    grid = LineGrid(b"".join(texts), ends, np.array([len(text) for text in texts]))
    marks, count = grid.marks(byte)
    assert count[-1:].tolist() in ([], [[most] * len(texts)])
    places = np.empty((most, len(texts)), np.int16)
    if most:
        marked_places(marks, count, places)
    found = [[len(text) - at for at in reversed(range(len(text))) if text[at] == byte] for text in texts]
    assert places.T.tolist() == found


@given(st.lists(st.binary(min_size=1, max_size=40), min_size=1, max_size=9), st.data())
def test_eight_bytes_before_any_place_of_each_line(texts: list[bytes], data: st.DataObject) -> None:
    whole, ends = b"".join(texts), np.cumsum([len(text) for text in texts])
    place = [data.draw(st.integers(0, len(text) + 8)) for text in texts]
    grid = LineGrid(whole, ends, np.array([len(text) for text in texts]))
    found = grid.before(np.array(place, np.int16)).tolist()
    behind = [bytes(64) + whole[: max(0, end - at)] for end, at in zip(ends.tolist(), place, strict=True)]
    lead = [max(0, at - end) for end, at in zip(ends.tolist(), place, strict=True)]
    expected = [text[len(text) - 8 - n : len(text) - n] for text, n in zip(behind, lead, strict=True)]
    assert found == [int.from_bytes(text, "little") for text in expected]

"""The grammar of one line, and its check."""

from __future__ import annotations

import binascii

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fakes.board import ScriptedBoard, device_line
from undertray.acquire.wire import (
    NOTE_LIMIT,
    ROW_LIMIT,
    Bad,
    Row,
    WireNote,
    check,
    encode_note,
    encode_row,
    parse_json,
    parse_line,
)
from undertray.errors import RunLogError


def closed(payload: bytes) -> bytes:
    return payload + b"," + check(payload)


def test_the_check_is_crc_16_ibm_3740() -> None:
    # published: check value 0x29B1 of "123456789", Catalogue of parametrised CRC algorithms, CRC-16/IBM-3740
    assert check(b"123456789") == b"29b1"


@given(st.binary(max_size=300))
def test_the_check_agrees_with_polynomial_division_bit_by_bit(data: bytes) -> None:
    # derived: the register of the definition (polynomial 0x1021, start 0xFFFF), one bit at a time
    register = 0xFFFF
    for byte in data:
        for place in range(7, -1, -1):
            out = (register >> 15) ^ (byte >> place & 1)
            register = (register << 1 & 0xFFFF) ^ (0x1021 if out else 0)
    assert check(data) == b"%04x" % register


rows = st.builds(
    Row,
    seq=st.integers(0, 65535),
    t_us=st.integers(0, 2**30 - 1),
    throttle_us=st.none() | st.integers(0, 999_999),
    flags=st.integers(0, 2**32 - 1),
    counts=st.lists(st.none() | st.integers(-(10**15) + 1, 10**15 - 1), min_size=1, max_size=10).map(tuple),
)


@given(rows)
def test_a_row_survives_the_wire(row: Row) -> None:
    line = encode_row(row)
    assert line.endswith(b"\n")
    assert parse_line(line[:-1]) == row
    assert parse_line(line[:-1] + b"\r") == row


def test_the_row_of_the_contract() -> None:
    row = parse_line(closed(b"0,81235,1500,0,8192,8190,8201,8188"))
    assert row == Row(0, 81235, 1500, 0, (8192, 8190, 8201, 8188))
    assert parse_line(closed(b"17,81235,,1f,,-5,,0")) == Row(17, 81235, None, 0x1F, (None, -5, None, 0))


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b",,,,",
        b"1,2,3,0",  # no count
        b"01,2,3,0,5",  # leading zero
        b"+1,2,3,0,5",
        b"1, 2,3,0,5",
        b"1,2,3,0,-0",
        b"1,2,3,0,--5",
        b"1,2,3,0,-",
        b"1,2,3,0,5.0",
        b"1,2,3,0,0x10",
        b"1,2,3,0x0,5",
        b"1,2,3,,5",  # no flags
        b",2,3,0,5",  # no seq
        b"1,,3,0,5",  # no time
        b"-1,2,3,0,5",
        b"65536,2,3,0,5",
        b"1,1073741824,3,0,5",  # 2**30
        b"1,2,1000000,0,5",
        b"1,2,3,123456789,5",
        b"1,2,3,0,1000000000000000",  # 16 digits
        b"1,2,3,0,5,",
        b"1,2,3,0" + b",5" * 17,  # more columns than a board may have
        b"1,2,3,0," + b"\xc2\xb2",  # SUPERSCRIPT TWO: a digit to some parsers
        b"1,2,3,0," + "٣".encode(),  # ARABIC-INDIC DIGIT THREE
        b"1,2,3,0,5\x00",
        b"1,2,3,0" + b",123456789012345" * 16,  # 256 bytes is the most
    ],
)
def test_no_row_of_the_format(payload: bytes) -> None:
    good = closed(payload)
    bad = parse_line(good)
    if payload == b"1,2,3,0,5,":
        # an empty last count is a row of two columns
        assert bad == Row(1, 2, 3, 0, (5, None))
    else:
        assert isinstance(bad, Bad)


def test_limits_of_length_are_exact() -> None:
    head, count = b"1,2,3,0", b",123456789012345"
    fit = head + count * 15 + b",1"  # 7 + 15 * 16 + 2 = 249, with its check 254
    assert isinstance(parse_line(closed(fit + b"23")), Row)
    assert len(closed(fit + b"23")) == ROW_LIMIT
    assert isinstance(parse_line(closed(fit + b"234")), Bad)
    text = "x" * (NOTE_LIMIT - len('#a,{"k":""},0000'))
    assert isinstance(parse_line(encode_note("a", {"k": text})[:-1]), WireNote)
    with pytest.raises(RunLogError, match="cannot go over the wire"):
        encode_note("a", {"k": text + "x"})


@pytest.mark.parametrize("place", range(20))
def test_any_flipped_bit_of_a_row_is_found(place: int) -> None:
    # derived: a CRC-16 finds every burst of up to 16 bits, so every single flipped bit
    line = ScriptedBoard().line()[:-1]
    for bit in range(8):
        damaged = bytearray(line)
        damaged[place * len(line) // 20] ^= 1 << bit
        assert isinstance(parse_line(bytes(damaged)), Bad)


def test_upper_case_in_the_check_is_refused() -> None:
    payload = next(p for i in range(999) if check(p := b"%d,2,3,0,5" % i).isalpha())
    assert isinstance(parse_line(payload + b"," + check(payload)), Row)
    assert isinstance(parse_line(payload + b"," + check(payload).upper()), Bad)


def test_a_row_of_another_width_is_bad_when_the_width_is_known() -> None:
    line = ScriptedBoard(4).line()[:-1]
    assert isinstance(parse_line(line, 4), Row)
    assert isinstance(parse_line(line, 5), Bad)


def test_a_device_note_survives_the_wire() -> None:
    note = parse_line(device_line(8)[:-1])
    assert isinstance(note, WireNote)
    assert note.kind == "device"
    assert len(note.data["columns"]) == 8


@pytest.mark.parametrize(
    "payload",
    [
        b"#",
        b"#device",
        b"#device,[]",
        b"#device,1",
        b"#Device,{}",
        b"#device,{",
        b'#device,{"a":NaN}',
        b'#device,{"a":Infinity}',
        b'#device,{"a":1e999}',
        b'#device,{"a":"\\ud800"}',
        b'#device,{"a":"\xc3\xa9"}',  # not ASCII
        b'#device,{"a":\t1}',
        b'#device,{"a":1\r}',
        b'#device,{"a":' + b"[" * 900 + b"]" * 900 + b"}",
        b'#device,{"a":' + b"[" * 2000,
        b'#device,{"a":' + b'{"a":' * 300 + b"1" + b"}" * 301,
        b"#" + b"k" * 33 + b",{}",
        b"# device,{}",
    ],
)
def test_no_note_of_the_format(payload: bytes) -> None:
    assert isinstance(parse_line(closed(payload)), Bad)


def test_brackets_in_strings_do_not_count_as_depth() -> None:
    assert parse_json('{"a": "[[[[[[[[[[[[[[[[\\"[["}') == {"a": '[[[[[[[[[[[[[[[["[['}
    with pytest.raises(ValueError, match="deep"):
        parse_json('{"a": [[[[[[[[1]]]]]]]]}')


@given(st.binary(max_size=3000))
def test_no_bytes_raise(line: bytes) -> None:
    assert isinstance(parse_line(line), Row | WireNote | Bad)
    assert isinstance(parse_line(closed(line)), Row | WireNote | Bad)
    assert isinstance(parse_line(closed(b"#x,{" + line + b"}")), Row | WireNote | Bad)


def test_the_reference_check_is_the_standard_library_s() -> None:
    assert int(check(b"abc"), 16) == binascii.crc_hqx(b"abc", 0xFFFF)

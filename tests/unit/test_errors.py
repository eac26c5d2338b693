"""The error line: one line, safe, with what a person needs to go on."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from undertray.errors import CarError, UndertrayError, harmless, parser_words, quoted


def test_the_line_says_what_where_seen_expected_and_what_to_do() -> None:
    error = CarError(
        "tap off the floor", where="car.toml, tap 'a'", seen=(900, 0), expected="a point inside", do="check x"
    )
    assert str(error) == (
        "car.toml, tap 'a': tap off the floor, got '(900, 0)', expected a point inside; check x"
    )


@given(st.one_of(st.text(), st.binary()))
def test_quoted_never_lets_a_control_character_through(value: str | bytes) -> None:
    text = quoted(value)
    assert text.isprintable()
    assert len(text) <= 10 * 60 + 3  # at most \U0010ffff for each of 60 characters, two quotes, an ellipsis


@pytest.mark.parametrize(
    ("value", "expected"),
    [("\x1b[2J\n", r"'\x1b[2J\n'"), (b"\xff1,2", r"'\xff1,2'"), ("x" * 70, "'" + "x" * 60 + "…'")],
)
def test_quoted_examples(value: object, expected: str) -> None:
    assert quoted(value) == expected


def test_a_parsers_advice_to_programmers_is_not_passed_on() -> None:
    with pytest.raises(ValueError, match="digits") as caught:
        json.loads("1" * 5000)
    assert parser_words(caught.value) == "a number has too many digits"
    assert parser_words(RecursionError()) == "RecursionError"


def test_an_error_is_one_line_whatever_went_in() -> None:
    assert "\n" not in str(UndertrayError("a\nb", where="c\nd", seen="e\nf", expected="g\nh", do="i\nj"))


def test_what_a_terminal_obeys_is_shown_and_all_else_stays() -> None:
    plain = "−16.8 N ±0.3\tµs\nBjörn 日本 \xa0 \udcff"
    assert harmless(plain) == plain
    assert harmless("\x1b[2J\x9b1m\r\x7f\u202e\u2028") == "\\x1b[2J\\x9b1m\\r\\x7f\\u202e\\u2028"
    told = str(UndertrayError("gone", where="/tmp/\x1b]0;x\x07"))
    assert told == "/tmp/\\x1b]0;x\\x07: gone"

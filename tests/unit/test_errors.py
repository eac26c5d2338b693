"""The error line: one line, safe, with what a person needs to go on."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fakes.handlog import hand_log
from fakes.runs import run_of
from fakes.server import tcp_board
from undertray import Calibration, Car, Reduction, Run, errors, read_run, reduce_run
from undertray.acquire.link import open_link
from undertray.acquire.writer import LogWriter
from undertray.calibrate.evaluate import Setup, calibrate
from undertray.calibrate.points import Points, read_points
from undertray.errors import CarError, UndertrayError, harmless, parser_words, quoted
from undertray.reduce.fanreference import Sweep, take_reference
from undertray.reduce.runcar import run_car

DEMO = Path(__file__).parents[2] / "demo_logs"
CAR = Car.from_toml(DEMO / "car.toml")


def test_the_line_says_what_where_seen_expected_and_what_to_do() -> None:
    error = CarError(
        "tap off the floor", where="car.toml, tap 'a'", seen=(900, 0), expected="a point inside", do="check x"
    )
    assert str(error) == (
        "car.toml, tap 'a': tap off the floor, got '(900, 0)', expected a point inside; check x"
    )


def test_what_was_nearly_typed_right_is_asked_for(tmp_path: Path) -> None:
    wrong = UndertrayError("no such group", seen="bruhs", expected="one of foam, brush", do="look")
    assert str(wrong).endswith("expected one of foam, brush; did you mean 'brush'? If not, look")
    assert "did you mean" not in str(
        UndertrayError("no such group", seen="wool", expected="one of foam, brush")
    )
    (tmp_path / "front-fold.csv").write_text("")
    for name, meant in (("fron-fold.csv", "did you mean 'front-fold.csv'?"), ("lap.csv", "check the path")):
        with pytest.raises(UndertrayError) as caught:
            read_run(tmp_path / name)
        assert str(caught.value).endswith(meant)


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


# What a caller may want to tell apart: each is met by doing what makes it.


def _log(folder: Path, uid: str = "0badcafe") -> Path:
    """Three seconds at rest."""
    log = hand_log(folder / f"{uid}.csv", np.full((600, 4), 10.0), np.full(600, 1000.0))
    log.write_text(log.read_text(encoding="utf-8").replace("0badcafe", uid), encoding="utf-8")
    return log


def _read(folder: Path, text: str) -> Run:
    (folder / "given.csv").write_text(text, encoding="utf-8")
    return read_run(folder / "given.csv")


def _saved_by_a_spreadsheet(folder: Path) -> Run:
    lines = _log(folder).read_text(encoding="utf-8").splitlines(keepends=True)
    return _read(folder, "".join(line.replace(",", ";") if line[0].isdigit() else line for line in lines))


def _calibrated(points: Points) -> Calibration:
    return calibrate(points, Setup(), made_utc="2026-05-02T10:15:00Z")


def _calibrated_from_three_points(_: Path) -> Calibration:
    points = read_points(DEMO / "column.csv")
    three = {name: getattr(points, name)[:3] for name in ("height_mm", "upward", "nominal_pa")}
    return _calibrated(replace(points, **three))


def _calibrated_of_two(folder: Path) -> Reduction:
    points = read_points(DEMO / "column.csv")
    two = replace(points, columns=points.columns[:2], nominal_pa=points.nominal_pa[:, :2])
    return reduce_run(read_run(_log(folder)), CAR, _calibrated(two))


def _reduced_without_a_good_tap(_: Path) -> Reduction:
    return reduce_run(run_of([0.0, 1.0], np.full((2, 4), np.nan), [1000, 1000]), CAR)


def _taken_for_a_reference_at_rest(folder: Path) -> Sweep:
    return take_reference([reduce_run(read_run(_log(folder)), CAR)], CAR)


def _listened_to_one_who_leaves(_: Path) -> None:
    with tcp_board(lambda send, over: None) as url, contextlib.closing(open_link(url)) as link:
        for _ in range(100):
            link.read(0.1)


def _written_into_no_folder(folder: Path) -> LogWriter:
    return LogWriter(folder / "nowhere" / "run.csv")


LEAVES: list[tuple[str, str, Callable[[Path], object]]] = [
    ("NoBoard", "LinkError", lambda folder: open_link(str(folder / "no-port"))),
    ("LinkLost", "LinkError", _listened_to_one_who_leaves),
    ("NotARunLog", "RunLogError", lambda folder: _read(folder, "time,pressure\n0,1\n")),
    ("LogTooNew", "RunLogError", lambda folder: _read(folder, "#undertray-run 99\n")),
    ("LogDamaged", "RunLogError", _saved_by_a_spreadsheet),
    ("LogExists", "RunLogError", lambda folder: LogWriter(_log(folder))),
    ("LogNotWritten", "RunLogError", _written_into_no_folder),
    ("CalibrationRefused", "CalibrationError", _calibrated_from_three_points),
    ("CalibrationMismatch", "CalibrationError", _calibrated_of_two),
    ("NoCar", "ReductionError", lambda folder: run_car(read_run(_log(folder)), None)),
    ("NothingMeasured", "ReductionError", _reduced_without_a_good_tap),
    ("NeverSteady", "ReductionError", _taken_for_a_reference_at_rest),
]


@pytest.mark.parametrize(("name", "stage", "does"), LEAVES, ids=[name for name, _, _ in LEAVES])
def test_what_a_caller_can_tell_apart(
    name: str, stage: str, does: Callable[[Path], object], tmp_path: Path
) -> None:
    with pytest.raises(UndertrayError) as caught:
        does(tmp_path)
    assert type(caught.value).__name__ == name
    assert type(caught.value).__bases__ == (getattr(errors, stage),)


def test_every_class_that_can_be_told_apart_is_met_above() -> None:
    leaves = {leaf for stage in UndertrayError.__subclasses__() for leaf in stage.__subclasses__()}
    own = {leaf.__name__ for leaf in leaves if leaf.__module__ == errors.__name__}
    assert own == {name for name, _, _ in LEAVES}

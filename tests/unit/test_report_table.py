"""The table that ``undertray reduce`` prints."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from fakes.reductions import invented_car
from fakes.runs import run_of
from undertray.reduce.loss import Loss
from undertray.reduce.run import reduce_run
from undertray.report.table import reduction_table
from undertray.report.verdict import judge
from undertray.report.words import CAUTIONS, caution_lines, note_lines


@pytest.fixture(scope="module")
def reduction():
    t = np.arange(2400) / 200
    u = np.where((t > 2) & (t < 10), 1700.0, 1000.0)
    level = np.where(u > 1500, 1470.0, 0.0)
    return reduce_run(run_of(t, level[:, None] * np.array([1.05, 1.02, 0.98, 0.95]), u), invented_car())


def test_the_verdict_comes_first_and_the_whole_log_is_called_so(reduction):
    text = reduction_table(reduction, details=True)
    assert " ".join(text.splitlines()[:2]).startswith(judge(reduction).headline[:90])
    assert text.index("with the throttle up and still") < text.index("over the whole log, fans at rest too")
    assert "UNCALIBRATED" in text


def test_no_line_is_longer_than_100_columns(reduction):
    long = dataclasses.replace(reduction, run="x" * 200, notices=("word " * 60,))
    for text in (
        reduction_table(long),
        reduction_table(long, details=True),
        caution_lines(),
        note_lines(long.notices[0]),
    ):
        assert max(map(len, text.splitlines())) <= 100


def test_without_details_it_fits_a_screen_and_a_tap_that_was_poor_is_named(reduction):
    short, whole = reduction_table(reduction), reduction_table(reduction, details=True)
    assert len(short.splitlines()) < 24 < len(whole.splitlines())
    # what the details hold is more of the run, and nothing of what happened in it
    assert set(short.splitlines()) <= set(whole.splitlines())
    assert "tap front-left" not in short
    left = dataclasses.replace(reduction.taps["front-left"], saturated_s=0.4, missing_s=1.25)
    poor = dataclasses.replace(reduction, taps={**reduction.taps, "front-left": left})
    assert "tap front-left: saturated for 0.40 s, missing for 1.25 s" in reduction_table(poor)


def test_steady_numbers_are_those_of_the_work(reduction):
    steady = reduction.steady
    # derived: 8 s of throttle less 0.8 s to settle
    assert steady.seconds == pytest.approx(7.2, abs=0.11)
    assert steady.suction_pa.mean == pytest.approx(1470.0, rel=0.01)
    assert steady.front_n.mean + steady.rear_n.mean == pytest.approx(steady.downforce_n.mean)
    need = reduction.axles["front"].required_n
    assert steady.front_margin_n.mean == pytest.approx(steady.front_n.mean - need)


def test_sides_add_up_and_so_do_the_halves_of_a_symmetric_car(reduction):
    left, right = (reduction.sides[n].downforce_n for n in ("left", "right"))
    assert left + right == pytest.approx(reduction.downforce_n.mean)
    # derived: left taps read 1.05 and 0.98 of the level, right ones 1.02 and 0.95, on mirrored cells
    assert left > right


def test_a_long_run_tells_its_events_in_minutes_and_seconds_too(reduction) -> None:
    loss = Loss("seal-loss", 3725.5, 3725.6, 3730.0, "front-right", ("front-right",), drop=1.0, fall_s=0.05)
    long = dataclasses.replace(reduction, duration_s=3800.0, events=(loss,))
    lines = reduction_table(long).splitlines()
    head = next(k for k, line in enumerate(lines) if line.startswith("event "))
    assert "min:s" in lines[head]
    # derived: 3725.5 s are an hour, two minutes and five seconds
    assert re.match(r"seal-loss +3725\.500 +1:02:05  front-right +100% +50 +3730\.00 ", lines[head + 1])
    assert max(map(len, lines[head : head + 2])) <= 80
    assert "min:s" not in reduction_table(dataclasses.replace(reduction, events=(loss,)))


def test_times_without_rows_are_one_line(reduction):
    gaps = tuple(Loss("data-gap", at_s, at_s, at_s + 0.25) for at_s in (4.0, 6.0))
    text = reduction_table(dataclasses.replace(reduction, events=(*gaps, *reduction.events)))
    assert "2 times no rows came, 0.50 s in all; the longest was 0.25 s at 4.00 s." in text
    assert "data-gap" not in text


def test_a_name_of_a_stranger_stays_on_its_line(reduction):
    odd = dataclasses.replace(reduction, run="a\nb\x1b[31m")
    assert "a?b?[31m" in reduction_table(odd)


def test_each_caution_stands_once_in_the_program():
    import undertray

    folder = __import__("pathlib").Path(undertray.__file__).parent
    for caution in CAUTIONS:
        start = caution[:40]
        found = [p.name for p in folder.rglob("*.py") if start in p.read_text(encoding="utf-8")]
        assert found == ["words.py"], caution

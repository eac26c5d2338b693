"""Counts to nominal suction."""

from __future__ import annotations

import math

import numpy as np
import pytest

from undertray.acquire.device import Column
from undertray.acquire.runlog import Note
from undertray.calibrate.scale import ms5525dso_pa, nominal_suction_pa
from undertray.errors import RunLogError

HSC = {"zero": 8192, "pa_per_count": 2 * 2490.8891 / 13108, "min": 1638, "max": 14746}
# C1..C6 of the datasheet's example PROM (TE MS5525DSO datasheet, page 7), Q1..Q6 of the +-1 psi range
MS = {
    "kind": "ms5525dso",
    "c": [36402, 39473, 40393, 29523, 29854, 21917],
    "q": [15, 17, 7, 5, 7, 21],
    "range_pa": 6894.757,
}


def column(scale, name="p1", port="low"):
    return Column(name, "part", "range", 0, 40, None, port, scale)


def status(row, second):
    return Note(0, "status", {"second": second}, row)


# derived: transfer function A of the HSC datasheet (10-90 % of 2^14), range code 010ND (+-10 inH2O)
@pytest.mark.parametrize(
    ("count", "pa"), [(8192, 0), (4903, -1250), (11481, 1250), (1638, -2491), (14746, 2491)]
)
def test_linear_scale(count, pa):
    done = nominal_suction_pa(np.array([[float(count)]]), [column(HSC)])
    assert done.suction_pa[0, 0] == pytest.approx(pa, abs=0.381)  # one count
    assert not done.out_of_range[0, 0]


def test_the_port_gives_the_sign():
    counts = np.array([[9000.0, 9000.0]])
    done = nominal_suction_pa(counts, [column(HSC), column(HSC, "p2", "high")])
    assert done.suction_pa[0, 0] > 0
    assert done.suction_pa[0, 1] == -done.suction_pa[0, 0]


def test_missing_stays_missing_and_out_of_range_is_marked_but_kept():
    counts = np.array([[math.nan], [1637.0], [1638.0], [14746.0], [14747.0]])
    done = nominal_suction_pa(counts, [column(HSC)])
    assert done.out_of_range[:, 0].tolist() == [False, True, False, False, True]
    assert np.isnan(done.suction_pa[0, 0])
    assert np.all(np.isfinite(done.suction_pa[1:, 0]))


def test_a_part_that_stops_at_its_limit_is_out_of_range_from_the_third_reading_on_and_from_the_first():
    counts = np.array([9000.0, 14746, 14746, 9000, 14746, 14746, 14746, 9000, 1638, 1638, 1638])[:, None]
    done = nominal_suction_pa(counts, [column(HSC)])
    assert done.out_of_range[:, 0].tolist() == [False] * 4 + [True] * 3 + [False] + [True] * 3


def test_a_part_that_rests_at_its_lower_limit_is_not_out_of_range():
    one_sided = {**HSC, "zero": 1638}
    done = nominal_suction_pa(np.full((9, 1), 1638.0), [column(one_sided)])
    assert not done.out_of_range.any()


# derived: the datasheet's equations with its example PROM in floor arithmetic, units of 1e-4 psi
@pytest.mark.parametrize(
    ("d1", "d2", "units"),
    [
        (9096300, 3821312, -1),
        (9012764, 3821312, -1451),
        (8887403, 3821312, -3627),
        (9305197, 3821312, 3625),
        (8976747, 3869155, -1451),
    ],
)
def test_ms5525dso(d1, d2, units):
    pa, beyond = ms5525dso_pa(np.array([float(d1)]), np.array([float(d2)]), MS, "here")
    one = 0.6894757  # Pa: whole-number arithmetic floors by less than this, twice over
    assert units * one - 1e-6 <= pa[0] < (units + 2) * one
    assert not beyond[0]


def test_second_word_is_interpolated_between_status_notes():
    counts = np.array([[9012764.0]] * 5)
    notes = [status(0, [3821312]), Note(0, "device", {}, 1), status(4, [3869155])]
    done = nominal_suction_pa(counts, [column(MS)], notes)
    half = ms5525dso_pa(counts[2], np.array([(3821312 + 3869155) / 2]), MS, "here")[0]
    assert done.suction_pa[2, 0] == pytest.approx(half[0], rel=1e-12)
    alone = nominal_suction_pa(counts, [column(MS, port="high")], notes[:1])
    assert np.ptp(alone.suction_pa) == 0
    assert alone.suction_pa[0, 0] == -done.suction_pa[0, 0]


def test_ms5525dso_out_of_range():
    counts = np.array([[0.0], [2.0**24 - 1], [9096300.0]])
    done = nominal_suction_pa(counts, [column(MS)], [status(0, [3821312])])
    assert done.out_of_range[:, 0].tolist() == [True, True, False]


@pytest.mark.parametrize(
    "scale",
    [
        *({**HSC, key: bad} for key in HSC for bad in (None, "1", True, math.nan, math.inf, 1e17, [])),
        *({key: value for key, value in HSC.items() if key != gone} for gone in HSC),
        {**HSC, "pa_per_count": 0.0},
        {**HSC, "min": 14746, "max": 1638},
        {"kind": "abacus"},
        {"kind": ["ms5525dso"]},
        *(
            {**MS, "c": bad}
            for bad in (None, [1] * 5, [1] * 7, [0] * 6, [1.5] * 6, [70000] * 6, [True] * 6, "123456")
        ),
        *({**MS, "q": bad} for bad in (None, [15] * 5, [-1] * 6, [31] * 6, {})),
        *({**MS, "range_pa": bad} for bad in (None, 0, math.inf, "7 kPa", True)),
    ],
)
def test_a_scale_that_makes_no_sense_is_named(scale):
    with pytest.raises(RunLogError) as caught:
        nominal_suction_pa(np.zeros((3, 1)), [column(scale, "p7")], [status(0, [1])])
    assert str(caught.value).startswith("scale of p7: ")


@pytest.mark.parametrize(
    "notes",
    [[], [status(0, [None])], [status(0, [])], [status(0, "abc")], [status(0, [-1])], [status(0, [2**40])]],
)
def test_a_second_word_that_never_came_is_named(notes):
    with pytest.raises(RunLogError, match="scale of p1: "):
        nominal_suction_pa(np.zeros((3, 1)), [column(MS)], notes)


def test_wrong_number_of_columns():
    with pytest.raises(RunLogError, match="got '2', expected 3 pressure columns"):
        nominal_suction_pa(np.zeros((3, 2)), [column(HSC)] * 3)


def test_an_empty_run():
    done = nominal_suction_pa(np.zeros((0, 1)), [column(HSC)])
    assert done.suction_pa.shape == done.out_of_range.shape == (0, 1)


def test_a_compensated_part_that_never_answered_is_missing_and_stops_nothing():
    absent = {**MS, "c": [0] * 6}
    counts = np.array([[np.nan, 8192.0], [np.nan, 8192.0]])
    done = nominal_suction_pa(counts, [column(absent, "p1"), column(HSC, "p2")])
    assert np.isnan(done.suction_pa[:, 0]).all()
    assert not np.isnan(done.suction_pa[:, 1]).any()
    assert not done.out_of_range[:, 0].any()

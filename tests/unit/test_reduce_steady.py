"""One meaning of "steady": each throttle on its own, the weakest first, the same number everywhere."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from fakes.reductions import invented_car
from fakes.runs import run_of
from undertray.reduce.run import reduce_run
from undertray.report.display import SI
from undertray.report.moments import quiet_part, steady_pictures
from undertray.report.runlist import headline
from undertray.report.sheet import key_figures, steady_rows
from undertray.report.table import reduction_table
from undertray.report.verdict import judge
from undertray.report.words import run_words


def _two(first_us: float, second_us: float, first_pa: float, second_pa: float) -> Any:
    """Two throttles of 6 s each, fans at rest before and after."""
    t = np.arange(3200) / 200
    u = np.select([t < 2, t < 8, t < 14], [1000.0, first_us, second_us], 1000.0)
    level = np.select([t < 2, t < 8, t < 14], [0.0, first_pa, second_pa], 0.0)
    return reduce_run(run_of(t, level[:, None] * np.ones(4), u), invented_car())


def test_each_throttle_is_told_on_its_own_the_weakest_first() -> None:
    reduction = _two(1800.0, 1700.0, 1210.0, 944.0)
    found = reduction.steady
    # derived: the 6 s of each less 0.8 s to settle
    assert found.suction_pa.mean == pytest.approx(944.0, rel=0.001)
    assert (found.throttle_us, found.seconds) == (1700.0, pytest.approx(5.2, abs=0.11))
    (other,) = found.others
    assert (other.throttle_us, other.suction_pa) == (1800.0, pytest.approx(1210.0, rel=0.001))
    assert other.front_margin_n + other.rear_margin_n == pytest.approx(
        other.downforce_n - reduction.hold.required_n
    )


def test_the_same_number_stands_in_every_place() -> None:
    reduction = _two(1700.0, 1800.0, 944.0, 1210.0)
    assert "944 Pa" in next(line for line in run_words(reduction) if "steady at 1700" in line)
    table = reduction_table(reduction).splitlines()
    assert "at 1700 µs, weakest of 2 throttles" in next(line for line in table if "up and still" in line)
    assert next(line for line in table if line.startswith("suction, Pa")).split()[2] == "944"
    listed = headline(reduction, {})
    assert (round(listed["suction_pa"]), listed["throttles"]) == (944, 2)
    tiles = {name: (value, note) for name, value, note in key_figures(reduction, judge(reduction), SI)}
    assert tiles["Steady suction"][0] == "944 Pa"
    assert "weakest of 2 throttles" in tiles["Steady suction"][1]
    rows = steady_rows(reduction, SI)
    assert rows[0][1] == "944 Pa"
    assert rows[-1][0] == "At 1800 µs, 5.2 s"


def test_a_throttle_below_half_way_is_not_asked_to_hold() -> None:
    found = _two(1300.0, 1700.0, 250.0, 944.0).steady
    assert found.suction_pa.mean == pytest.approx(944.0, rel=0.001)
    assert found.others == ()


def test_where_the_force_acts_is_told_for_the_steady_part() -> None:
    reduction = _two(1700.0, 1800.0, 944.0, 1210.0)
    tiles = {name: value for name, value, _ in key_figures(reduction, judge(reduction), SI)}
    assert tiles["Steady centre of force"] == SI.mm(reduction.steady.centre_x_mm.mean)


def test_what_it_takes_to_stay_on_is_the_need_without_the_allowance() -> None:
    reduction = _two(1700.0, 1800.0, 944.0, 1210.0)
    # derived: upside down an axle's share of the weight; the invented car's allowance is 0.25
    for name, share in (("front", 0.54), ("rear", 0.46)):
        axle = reduction.axles[name]
        assert axle.stay_n == pytest.approx(share * 2.9 * 9.80665)
        assert axle.required_n == pytest.approx(1.25 * axle.stay_n)
    assert reduction.hold.stay_n == pytest.approx(2.9 * 9.80665)


def test_the_floor_is_drawn_at_the_weakest_throttle() -> None:
    reduction = _two(1700.0, 1800.0, 944.0, 1210.0)
    floor = steady_pictures(reduction, invented_car(), SI, quiet_part(reduction))[0]
    assert "at the weakest steady throttle, 1700 µs" in floor.caption
    assert "front-left: 944 Pa" in floor.words

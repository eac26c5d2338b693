"""What a layout of taps can know before a run, and where the next tap helps."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from fakes.cars import bare_car
from fakes.floor_field import drawn, solve
from fakes.program import undertray
from undertray.errors import ReductionError
from undertray.reduce.loads import load_matrix
from undertray.reduce.tapcover import CASES, bounds, force_bounds, next_taps, tap_layout, unevenness

ROOT = Path(__file__).parents[2]
FLOOR = ((-30.0, -80.0), (290.0, -80.0), (290.0, 80.0), (-30.0, 80.0))
CORNERS = [(40.0, -48.0), (40.0, 48.0), (215.0, -48.0), (215.0, 48.0)]


def car(taps):
    return bare_car(FLOOR, taps, wheelbase_mm=262.0)


def test_the_bound_holds_95_percent_of_the_weight():
    # derived: of 0 to 99 with equal weights, 95 % lie below 94.5 when each stands in the middle of its share
    missed = np.arange(100.0)[:, None] * np.array([1.0, -2.0])
    assert bounds(missed, np.full(100, 0.01)) == pytest.approx([94.5, 189.0])
    # derived: where all the weight is on one case it is that one
    assert bounds(missed, np.eye(100)[7])[0] == pytest.approx(7, abs=1)


def test_an_even_floor_is_missed_by_nothing_and_a_mean_is_a_mean():
    found = unevenness(FLOOR)
    assert found.excess.shape[0] == CASES
    # derived: excess is beside the mean, and suction does not turn into pressure
    assert np.abs(found.excess.mean(axis=1)).max() < 1e-9
    assert found.excess.min() > -1
    # a tap of its own for every cell misses nothing: the load matrix of cells is their sum
    some = found.places_mm[:: len(found.places_mm) // 16][:16]
    assert force_bounds(car(some.tolist())).downforce_n < force_bounds(car(CORNERS)).downforce_n


def test_readings_that_differ_more_than_in_any_case_count_in_proportion():
    layout = tap_layout(car(CORNERS))
    weights, beyond = layout.alike(np.array([500.0, 500.0, 500.0, 500.0]))
    assert (weights.sum(), beyond) == (pytest.approx(1), 1.0)
    wild = np.array([1.0, 0.0, 0.0, 0.0])
    assert layout.alike(1e3 * wild)[1] == layout.alike(wild)[1] >= 1.0
    # one tap tells nothing of how uneven it is: all cases count alike
    weights, beyond = tap_layout(car(CORNERS[:1])).alike(np.array([700.0]))
    assert (np.ptp(weights), beyond) == (0.0, 1.0)


def test_the_proposed_tap_helps_on_fields_that_nobody_planned_with():
    four = car(CORNERS)
    tap = next_taps(four, 1)[0]
    # derived from the flow: what four taps in the corners do not see is a fan in the middle
    assert abs(tap.x_mm - 130) < 60
    assert tap.known.downforce_n < 0.75 * force_bounds(four).downforce_n
    off = []
    for seed in range(50_000, 50_030):
        field = solve(drawn(seed, FLOOR, cell_m=0.012))
        off.append(
            [
                float(load_matrix(one).matrix[0] @ field.at(*(np.array(taps).T / 1000))) / field.downforce_n
                - 1
                for taps in (CORNERS, [*CORNERS, (tap.x_mm, tap.y_mm)])
                for one in [car(taps)]
            ]
        )
    before, after = np.sqrt(np.mean(np.square(off), axis=0))
    assert after < 0.8 * before


def test_what_the_planner_cannot_do_is_said():
    with pytest.raises(ReductionError, match="too many taps"):
        next_taps(car(CORNERS), 13)
    given = [dataclasses.replace(tap, area_mm2=1e4) for tap in car(CORNERS).taps]
    with pytest.raises(ReductionError, match="where areas are given"):
        next_taps(dataclasses.replace(car(CORNERS), taps=tuple(given), load="areas"), 1)
    sliver = bare_car(((0.0, 0.0), (60.0, 0.0), (60.0, 1.0), (0.0, 1.0)), [(30.0, 0.5)])
    with pytest.raises(ReductionError, match="no room"):
        next_taps(sliver, 1)


def moved_out(path):
    """The demo's car with its taps beside the skirt."""
    text = (ROOT / "demo_logs" / "car.toml").read_text(encoding="utf-8")
    for old, new in (("x = 40", "x = 0"), ("x = 215", "x = 275"), ("= -50", "= -70"), ("y = 50", "y = 70")):
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    return path


def test_target_and_board_check_say_it_before_a_hole_is_drilled(tmp_path):
    badly = moved_out(tmp_path / "car.toml")
    said = undertray("target", "--car", badly, "--next-taps", 1)
    assert said.returncode == 0, said.stderr
    assert "its 4 taps measure that force to ±" in said.stdout
    assert "tap 5 helps most at x " in said.stdout
    checked = undertray("board", "check", ROOT / "firmware" / "board.json", "--car", badly)
    # derived: an eighth of the force at an axle is more than a quarter of the weight leaves in hand there
    assert "warning: car: its 4 taps measure that force" in checked.stdout
    assert "undertray target --next-taps 2" in checked.stdout

"""Winding the fans down is the end of a drive and no falling off: logs of a world of their own, by command.

The car of :mod:`fakes.plenum` has its suction known to the pascal; the least margin is derived from it.
Twelve seconds into each story the throttle begins to go down.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import Result

from fakes.cells import few, some
from fakes.plenum import CAR_TOML, FLOOR_M2, NEED_N, Fold, World, write_points
from fakes.program import CliRunner
from undertray.cli import app

UP_US = 1800
DOWN_S = 12.0
Stick = Sequence[tuple[float, float]]
Reduce = Callable[[World], dict[str, Any]]


def _run(*arguments: str | Path) -> Result:
    done = CliRunner().invoke(app, [str(a) for a in arguments])
    assert done.exit_code == 0, done.output
    return done


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the car and a calibration of its board, made through the program."""
    folder = tmp_path_factory.mktemp("bench")
    (folder / "car.toml").write_text(CAR_TOML, encoding="utf-8")
    points, out = write_points(folder / "points.csv"), folder / "calibration.json"
    close = ("--reading-mm", "0.2", "--zero-mm", "0.1", "--water-c", "22")
    _run("calibrate", "--points", points, "--out", out, *close)
    return folder


def _files(bench: Path) -> tuple[str, ...]:
    return ("--car", str(bench / "car.toml"), "--calibration", str(bench / "calibration.json"))


@pytest.fixture
def reduced(bench: Path, tmp_path: Path) -> Reduce:
    def run(world: World) -> dict[str, Any]:
        log = world.write(tmp_path / "drive.csv")
        found: dict[str, Any] = json.loads(_run("reduce", log, *_files(bench), "--json").stdout)
        return found

    return run


def _drive(*after: tuple[float, float], laps: Stick = (), rest_s: float = 3.0) -> Stick:
    """Up at 2 s, at work until 12 s, then these corners (s after that, µs), and some seconds of the last."""
    corners = [(0.0, 1000.0), (2.0, 1000.0), (2.1, UP_US), *laps, (DOWN_S, UP_US)]
    corners += [(DOWN_S + dt, us) for dt, us in after]
    return [*corners, (corners[-1][0] + rest_s, corners[-1][1])]


def _true_margin_n(world: World, from_s: float, to_s: float) -> float:
    """Derived: least load of the worse axle beyond its need; each tap speaks for a quarter of the floor."""
    t_s, taps_pa, _ = world.suction()
    rows = (t_s >= from_s) & (t_s < to_s)
    axles_n = taps_pa[rows].reshape(-1, 2, 2).sum(axis=2) * FLOOR_M2 / 4
    # the taps lie at a fifth and at four fifths of the wheelbase: that much of a load goes to the other axle
    front, rear = axles_n.T
    worse = np.minimum(0.8 * front + 0.2 * rear, 0.2 * front + 0.8 * rear)
    return float(worse.min()) - NEED_N / 2


DOWN: dict[str, Stick] = {f"in {s:g} s": ((s, 1000.0),) for s in (0.05, 0.3, 0.5, 1.2, 1.5, 3.0, 8.0, 10.0)}
DOWN["in steps"] = [
    c for k in range(8) for c in ((1.2 * k + 0.02, 1700 - 100 * k), (1.2 * k + 1.2, 1700 - 100 * k))
]
DOWN["in three long steps"] = ((0.1, 1500), (3.3, 1500), (3.4, 1250), (6.6, 1250), (6.7, 1000))
DOWN["by a wavering thumb"] = [(0.3 * k, 1800 - 25 * k + 18 * (-1) ** k) for k in range(1, 33)] + [
    (9.9, 1000)
]
DOWN["to a throttle that turns the fans still"] = ((2.0, 1120),)
DOWN["and the log ends on the way"] = ((2.5, 1430),)


@pytest.mark.parametrize(("way", "coast_s"), few(DOWN, (0.0, 0.8, 2.5)))
def test_a_perfect_hold_is_held_however_the_fans_are_let_down(
    reduced: Reduce, way: str, coast_s: float
) -> None:
    rest_s = 0.0 if "log ends" in way else 3.0
    world = World(_drive(*DOWN[way], rest_s=rest_s), coast_s=coast_s)
    verdict = reduced(world)["verdict"]
    assert (verdict["word"], verdict["short_s"], verdict["below_s"]) == ("held", 0, 0)
    # noise of 4 Pa a tap, 3000 rows and the calibration move the least by some tenths; the hundredth of the
    # throttle that a trembling pulse may hide is a fiftieth of 25 N
    least_n = _true_margin_n(world, 4.0, DOWN_S)
    assert verdict["least_margin_n"] == pytest.approx(least_n, abs=0.8)
    assert verdict["at_s"] <= DOWN_S + 0.2
    assert verdict["until_s"] == pytest.approx(DOWN_S, abs=0.2)


LAPS = [(2.0 + 0.5 * k, 1800 - 130 * (k % 3 == 1) - 60 * (k % 3 == 2)) for k in range(2, 20)]


@pytest.mark.parametrize("fall_s", some([1.5], [0.05, 0.5, 8.0]))
def test_laps_are_judged_and_letting_down_after_them_is_not(reduced: Reduce, fall_s: float) -> None:
    world = World(_drive((fall_s, 1000), laps=LAPS))
    verdict = reduced(world)["verdict"]
    assert verdict["word"] == "held"
    # the least of the laps themselves: a throttle that was taken back counts
    assert verdict["least_margin_n"] == pytest.approx(_true_margin_n(world, 4.0, DOWN_S), abs=0.5)


BLIPS = {
    "a little": ([(6.0, UP_US), (6.3, 1650), (6.6, UP_US)], "held"),
    # derived: (320/770)^1.8 is a fifth of the suction
    "much": ([(6.0, UP_US), (6.3, 1350), (6.6, UP_US)], "let go"),
    "all": ([(6.0, UP_US), (6.1, 1000), (6.6, 1000), (6.7, UP_US)], "let go"),
    # three seconds half way down, and up again with the car where it was: upside down it has fallen
    "for long": ([(5.0, UP_US), (5.5, 1450), (8.5, 1450), (9.0, UP_US)], "let go"),
    "more, for long": ([(5.0, UP_US), (5.5, 1280), (8.5, 1280), (9.0, UP_US)], "let go"),
}


@pytest.mark.parametrize(("blip", "fall_s"), few(BLIPS, (0.05, 3.0)))
def test_what_the_driver_takes_back_is_judged(reduced: Reduce, blip: str, fall_s: float) -> None:
    laps, word = BLIPS[blip]
    world = World(_drive((fall_s, 1000), laps=laps))
    verdict = reduced(world)["verdict"]
    assert verdict["word"] == word
    assert verdict["least_margin_n"] == pytest.approx(_true_margin_n(world, 4.0, DOWN_S), abs=0.5)


@pytest.mark.parametrize(
    ("fall_s", "coast_s", "before_s"), few((0.05, 0.5, 1.5, 3.0, 8.0), (0.0, 2.5), (2.0, 0.3, 0.1))
)
def test_a_fold_before_the_driver_lets_down_is_letting_go(
    reduced: Reduce, fall_s: float, coast_s: float, before_s: float
) -> None:
    world = World(_drive((fall_s, 1000)), folds=[Fold(DOWN_S - before_s)], coast_s=coast_s)
    verdict = reduced(world)["verdict"]
    assert verdict["word"] == "let go"
    # a fold takes hundredths of a second to take the hold
    assert 0 < verdict["short_s"] <= before_s + (0.6 if before_s < 0.2 else 0.1)
    assert verdict["at_s"] <= DOWN_S + 0.6


@pytest.mark.parametrize(("fall_s", "after_s"), few((3.0, 8.0), (-0.02, 0.0, 0.05, 0.3)))
def test_a_fold_on_the_way_down_that_the_throttle_does_not_explain_counts(
    reduced: Reduce, fall_s: float, after_s: float
) -> None:
    world = World(_drive((fall_s, 1000)), folds=[Fold(DOWN_S + after_s)])
    found = reduced(world)
    assert "seal-loss" in [e["kind"] for e in found["events"]]
    assert found["verdict"]["word"] == "let go"


def test_a_fold_after_a_partial_descent_counts(reduced: Reduce) -> None:
    # down to a throttle at which it holds with less to spare, and half a minute of driving there
    world = World(_drive((1.0, 1700), (30.0, 1700), (31.0, 1000)), folds=[Fold(DOWN_S + 20.0, DOWN_S + 21.0)])
    verdict = reduced(world)["verdict"]
    assert verdict["word"] == "let go"
    assert verdict["short_s"] == pytest.approx(1.0, abs=0.1)
    sound = World(world.stick)
    verdict = reduced(sound)["verdict"]
    assert verdict["word"] == "held"
    assert verdict["least_margin_n"] == pytest.approx(_true_margin_n(sound, 4.0, DOWN_S + 30.0), abs=0.5)


def test_a_throttle_kept_long_where_it_does_not_hold_leaves_no_sure_hold(reduced: Reduce) -> None:
    verdict = reduced(World(_drive((1.0, 1500), (9.0, 1500), (10.0, 1000))))["verdict"]
    assert verdict["word"] == "held, but not surely"
    assert "at 1500 µs on the way down, where it did not hold, do not count" in verdict["headline"]


def test_falling_off_at_the_throttle_it_was_driven_at_is_letting_go(reduced: Reduce) -> None:
    # the car falls at full throttle and its driver cuts two seconds later, slowly
    world = World(_drive((3.0, 1000)), folds=[Fold(10.0, opens_mm2=3000)])
    verdict = reduced(world)["verdict"]
    assert verdict["word"] == "let go"
    assert verdict["short_s"] == pytest.approx(2.0, abs=0.1)


@pytest.mark.parametrize("lost_s", [0.4, 1.5, 3.5])
def test_a_throttle_lost_on_the_way_down_tells_nothing_else(reduced: Reduce, lost_s: float) -> None:
    world = World(_drive((3.0, 1000)), unknown=[(DOWN_S + lost_s, 99.0)])
    verdict = reduced(world)["verdict"]
    assert verdict["word"] in ("held", "held, but not surely")
    assert verdict["short_s"] == 0
    if lost_s > 1:
        assert verdict["word"] == "held"


def test_without_a_throttle_nobody_can_tell_letting_down_from_letting_go(reduced: Reduce) -> None:
    verdict = reduced(World(_drive((0.5, 1000)), logged=False))["verdict"]
    assert verdict["word"] == "let go"
    assert "There is no throttle in the log: fans that were shut off look the same." in verdict["headline"]


def test_each_drive_of_a_log_ends_where_its_own_way_down_begins(reduced: Reduce) -> None:
    again = [(2.0, 1000), (5.0, 1000), (5.1, UP_US), (13.0, UP_US), (16.0, 1000)]
    assert reduced(World(_drive(*again)))["verdict"]["word"] == "held"
    fold = Fold(DOWN_S + 12.8)
    verdict = reduced(World(_drive(*again), folds=[fold]))["verdict"]
    assert verdict["word"] == "let go"
    assert verdict["short_s"] == pytest.approx(0.2, abs=0.05)


def test_a_car_on_the_ground_afterwards_changes_nothing(reduced: Reduce) -> None:
    # at rest, lifted and put down: whatever the seal does then, no fan is asked to hold
    world = World(
        _drive((2.0, 1000), (6.0, 1000), rest_s=4.0), folds=[Fold(14.3), Fold(15.0, 16.0, 5000)], coast_s=2.5
    )
    verdict = reduced(world)["verdict"]
    assert verdict["word"] == "held"


def test_every_figure_of_less_than_it_needs_agrees(bench: Path, tmp_path: Path) -> None:
    world = World(_drive((1.5, 1000)), folds=[Fold(9.0)])
    log = world.write(tmp_path / "fold.csv")
    found = json.loads(_run("reduce", log, *_files(bench), "--json").stdout)
    verdict, (event, *_) = found["verdict"], found["events"]
    assert verdict["below_s"] == pytest.approx(3.0, abs=0.05)
    assert event["below_hold_s"] == pytest.approx(verdict["below_s"], abs=0.02)
    text = _run("reduce", log, *_files(bench)).stdout
    table = text[text.index("while it should hold") :].splitlines()
    below = float(next(row for row in table if row.startswith("front axle, N")).split()[-1])
    assert below == pytest.approx(verdict["below_s"], abs=0.006)  # as printed
    assert "fans at rest too; " not in text
    table = text.partition("while it should hold")[2].partition("\n\n")[0]
    rows = table.splitlines()[2:]
    # the axle table: least margin and time below it while the car should hold, as the verdict says them
    least = min(float(row.split()[-2]) for row in rows)
    below = max(float(row.split()[-1]) for row in rows)
    assert least == pytest.approx(verdict["least_margin_n"], abs=0.05)
    assert below == pytest.approx(verdict["below_s"], abs=0.02)


@pytest.mark.slow
def test_the_list_and_the_comparison_go_by_the_same_rule(bench: Path, tmp_path: Path) -> None:
    for i, fall_s in enumerate((0.05, 1.5, 8.0)):
        World(_drive((fall_s, 1000)), seed=i).write(tmp_path / f"a{i}.csv", skirt="foam")
        World(_drive((fall_s, 1000)), seed=i + 5).write(tmp_path / f"b{i}.csv", skirt="brush")
    World(_drive((8.0, 1000)), folds=[Fold(11.7)], seed=9).write(tmp_path / "b9.csv", skirt="brush")
    listed = json.loads(_run("sessions", tmp_path, *_files(bench), "--json").stdout)
    told = {one["file"]: one["verdict"] for one in listed}
    assert told == {f"{g}{i}.csv": "held" for g in "ab" for i in range(3)} | {"b9.csv": "let go"}
    logs = sorted(tmp_path.glob("*.csv"))
    compared = json.loads(_run("compare", *logs, *_files(bench), "--by", "skirt", "--json").stdout)
    groups = {g["value"]: (g["held"], g["let_go"]) for g in compared["groups"]}
    assert groups == {"foam": (3, 0), "brush": (3, 1)}

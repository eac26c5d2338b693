"""``undertray whatif`` for two fans with their own throttles and packs, on fans that share no formula.

The builder sweeps both together and then lets them part; or never does, and asks all the same. The truth is
worked by ``worlds.twofans``: balances of shafts, packs and air, no law of throttle, voltage or leak.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from fakes.handlog import hand_car, hand_log
from fakes.program import undertray
from undertray import read_run
from undertray.predict.draws import Draws, Interval, interval
from undertray.predict.fanlaw import fit_law, run_points
from undertray.predict.packvolts import Pack, pack_volts
from undertray.reduce.car import Car
from undertray.reduce.fan import steady_dwells
from undertray.reduce.fanreference import take_reference
from undertray.reduce.leakage import seal_index
from undertray.reduce.run import reduce_run
from worlds.builder import static_gap_m, with_cells
from worlds.twofans import Pair, Settled, drawn_pair

RATE_HZ, TOP_US = 20.0, 1750.0
ALIKE = [(us, us) for us in (1250.0, 1350.0, 1450.0, 1550.0, 1650.0, 1750.0)]
PARTED = [(1750.0, 1450.0), (1450.0, 1750.0), (1600.0, 1350.0), (1750.0, 1000.0)]
ASKED = {
    "both at one": (1600.0, 1600.0),
    "a little less": (1700.0, 1650.0),
    "less of the second": (1700.0, 1500.0),
    "the second stands": (1650.0, 1000.0),
}


def write_run(path: Path, pair: Pair, throttles: Sequence[tuple[float, float]], seed: int) -> Path:
    """Two and a half seconds at rest, then as long with each pair of throttles."""
    each, rng = round(2.6 * RATE_HZ), np.random.default_rng([seed, 5])
    rest = Settled(0.0, (pair.rest_v(0), pair.rest_v(1)))
    found = {one: pair.settled(one) for one in throttles}
    throttles = [one for one, state in found.items() if state is not None]
    states = [rest, *(found[one] for one in throttles)]
    pa = np.repeat([one.suction_pa for one in states], each)
    us = np.repeat([(1000.0, 1000.0), *throttles], each, axis=0)
    volts = np.repeat([one.packs_v for one in states], each, axis=0)
    channels = {"throttle2_us": us[:, 1], "pack2_mv": 1e3 * volts[:, 1]}
    facts = {
        "started_utc": "2026-05-02T10:15:00Z",
        "notes": {"invented": "yes", "pack": "3S", "gap": f"{1e3 * static_gap_m(pair.fans[0]):.3f} mm"},
    }
    taps = pa[:, None] + rng.normal(0, 2.0, (len(pa), 4))
    pack_mv = (1e3 * volts[:, 0]).tolist()
    return hand_log(path, taps, us[:, 0], RATE_HZ, pack_mv, facts=facts, channels=channels)


class Answers:
    """What the runs of one log say of other throttles, as ``whatif`` puts it together."""

    def __init__(self, log: Path, car: Car) -> None:
        run = read_run(log)
        points = run_points([(reduce_run(run, car), run.facts)])
        self.law = fit_law(points.law)
        self.volts = pack_volts(points.volts, points.cells, Draws(1234))
        self.volts2 = pack_volts(points.volts2, points.cells, Draws(1235))

    def suction_pa(self, us: float, second_us: float, pack: Pack | None = None) -> Interval:
        """Of two throttles, ``pack`` at the second fan."""
        _, first_mv = self.volts.suction_pa(self.law, us, None, None)
        _, second_mv = self.volts2.suction_pa(self.law, second_us, None, pack)
        return interval(self.law.suction_pa(us, first_mv, None, (second_us, second_mv)))


def story(seed: int, folder: Path) -> dict[str, bool | None]:
    """Which answers hold the truth."""
    pair, car = drawn_pair(seed), Car.from_toml(hand_car(folder / "car.toml"))
    softer = float(np.random.default_rng([seed, 6]).uniform(0.8, 1.2))
    more = Pair((pair.fans[0], with_cells(pair.fans[1], 4, softer)), pair.open_way)
    held = {}
    for how, throttles in (("parted", [*ALIKE, *PARTED]), ("together", ALIKE)):
        answers = Answers(write_run(folder / f"{how}.csv", pair, throttles, seed), car)
        for name, (us, second_us) in ASKED.items():
            held[f"{how}: {name}"] = _holds(answers.suction_pa(us, second_us), pair.settled((us, second_us)))
        found = answers.suction_pa(1600.0, 1600.0, Pack("4S", 4))
        held[f"{how}: 4S for the second"] = _holds(found, more.settled((1600.0, 1600.0)))
    return held


def _holds(found: Interval, truth: Settled | None) -> bool | None:
    return None if truth is None else found.low <= truth.suction_pa <= found.high


def covered(seeds: range, folder: Path) -> dict[str, tuple[int, int]]:
    """Of how many stories each answer holds the truth, and of how many it has one."""
    stories = [story(seed, folder) for seed in seeds]
    return {
        name: (sum(one[name] is True for one in stories), sum(one[name] is not None for one in stories))
        for name in stories[0]
    }


def test_the_command_holds_the_truth_of_two_fans(tmp_path: Path) -> None:
    pair, car = drawn_pair(2), hand_car(tmp_path / "car.toml")
    log = write_run(tmp_path / "run.csv", pair, [*ALIKE, *PARTED], 2)
    done = undertray("whatif", log, "--car", car, "--throttle", 1650, "--throttle2", 1000, "--json")
    assert done.returncode == 0, done.stderr
    (asked,) = json.loads(done.stdout)["asked"]
    truth = pair.settled((1650.0, 1000.0))
    # a tenth of what the throttles part by is beyond what was measured for none of them
    assert asked["suction_pa"]["low"] <= truth.suction_pa <= asked["suction_pa"]["high"]
    assert asked["suction_pa"]["high"] < 1.15 * asked["suction_pa"]["low"]
    assert asked["second_us"] == 1000
    assert "the fans part" not in done.stderr
    assert asked["second_mv"]["value"] == pytest.approx(1e3 * truth.packs_v[1], rel=0.01)


def test_what_the_runs_do_not_know_of_a_second_fan_is_said_or_refused(tmp_path: Path) -> None:
    pair, car = drawn_pair(2), hand_car(tmp_path / "car.toml")
    together = write_run(tmp_path / "together.csv", pair, ALIKE[2:], 2)
    done = undertray("whatif", together, "--car", car, "--throttle", 1650, "--throttle2", 1300)
    assert done.returncode == 0, done.stderr
    assert "1650 and 1300 µs" in done.stdout
    assert " and " in next(line for line in done.stdout.splitlines() if " V" in line)
    assert "a few seconds with each of them held back" in " ".join(done.stderr.split())
    pa = np.repeat([0.0, 900.0], 60)[:, None] + np.zeros((120, 4))
    single = hand_log(tmp_path / "single.csv", pa, np.repeat([1000.0, 1700.0], 60), RATE_HZ)
    for word, value, said in (
        ("--throttle2", 1300, "nothing is known of a second fan's own"),
        ("--pack2", "4S", "the runs have one pack for all fans"),
    ):
        done = undertray("whatif", single, "--car", car, word, value)
        assert done.returncode == 1
        assert said in " ".join(done.stderr.split())


def test_fans_that_part_lose_no_seal_and_show_no_leak(tmp_path: Path) -> None:
    pair = drawn_pair(3)
    log = write_run(tmp_path / "run.csv", pair, [*ALIKE, *PARTED], 3)
    car = Car.from_toml(hand_car(tmp_path / "car.toml"))
    run = reduce_run(read_run(log), car)
    assert [event.kind for event in run.events if event.kind == "seal-loss"] == []
    parted = [dwell for dwell in steady_dwells(run.blocks) if dwell.fans]
    throttles = [tuple(round(fan.throttle_us) for fan in dwell.fans) for dwell in parted]
    assert throttles[-4:] == [tuple(map(round, one)) for one in PARTED]
    # the seal is as good in all of them: by the mean of both throttles it was 0.79 to 0.83
    reference = take_reference([run], car).reference
    index = seal_index(run.blocks, reference)
    for dwell in parted[-4:-1]:
        at = np.searchsorted(run.blocks.t_s, dwell.start_s + 1.0)
        assert index[at] == pytest.approx(1.0, abs=0.1)


def test_a_sweep_in_which_the_fans_always_part_gives_the_throttle_of_both_alike(tmp_path: Path) -> None:
    pair, car = drawn_pair(8), Car.from_toml(hand_car(tmp_path / "car.toml"))
    held = [(1350.0, 1250.0), (1500.0, 1350.0), (1600.0, 1450.0), (1700.0, 1550.0), (1450.0, 1600.0)]
    run = reduce_run(read_run(write_run(tmp_path / "run.csv", pair, held, 8)), car)
    reference = take_reference([run], car).reference
    for us in (1400.0, 1550.0, 1700.0):
        truth = pair.settled((us, us))
        # it takes its leak as sharp-edged, and as leaving 0.6 of the shut-off suction: this one leaves less
        assert reference.throttle_us(truth.suction_pa) == pytest.approx(us, abs=25)


@pytest.mark.statistics
def test_the_answers_hold_the_truth_in_200_draws(tmp_path: Path) -> None:
    found = covered(range(200), tmp_path)
    print(found)
    # no upper end: one run has no mounting and no gap to be off by, and these fans are of one kind, where the
    # program is told of many. Of 200: 187 to 200 where the fans had parted, 192 to 200 where they never had
    assert {name: n for name, n in found.items() if n[0] / n[1] < 0.90} == {}

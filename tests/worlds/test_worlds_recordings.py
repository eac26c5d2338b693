"""The second generator's recordings: the same seed the same bits, logs that read back, truth that holds."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import worlds
from fakes.program import CliRunner
from undertray import read_run
from undertray.cli import app

MIXED = [
    ("fold-while-holding", 3),
    ("hard-clean-driving", 1),
    ("two-losses-in-a-row", 2),
    ("tap-intermittent", 1),
]


@pytest.fixture(scope="module")
def mixed() -> list[worlds.Recording]:
    return list(worlds.make_many(MIXED))


def test_at_least_thirty_strata_with_names_of_their_own() -> None:
    assert len(worlds.strata()) >= 30
    assert len(set(worlds.strata())) == len(worlds.strata())


@pytest.mark.slow
def test_a_run_does_not_depend_on_its_neighbours(mixed: list[worlds.Recording]) -> None:
    alone = worlds.make(*MIXED[2])
    beside = mixed[2]
    for name in ("t_s", "suction_pa", "throttle_us", "pack_mv"):
        np.testing.assert_array_equal(getattr(alone, name), getattr(beside, name))
    assert alone.truth == beside.truth


def test_losses_are_seen_in_what_was_recorded(mixed: list[worlds.Recording]) -> None:
    """The mean of the rows round the fall shows the drop that the truth states, within 5 % of the level."""
    for one in (mixed[0], mixed[2]):
        losses = [e for e in one.truth["events"] if e["kind"] == "seal-loss"]
        assert len(losses) == len(one.plan.openings)
        for event in losses:
            near = (one.t_s > event["onset_s"] - 0.05) & (one.t_s < event["onset_s"] - 0.005)
            low = (one.t_s > event["bottom_s"] + 0.005) & (one.t_s < event["bottom_s"] + 0.05)
            before, after = one.suction_pa[near].mean(), one.suction_pa[low].mean()
            assert 1 - after / before == pytest.approx(event["drop"], abs=0.05)


def test_clean_driving_has_no_loss(mixed: list[worlds.Recording]) -> None:
    assert {e["kind"] for e in mixed[1].truth["events"]} <= {"throttle-cut", "data-gap"}


def test_log_reads_back_and_is_scored(mixed: list[worlds.Recording], tmp_path: Path) -> None:
    from worlds.logs import write_recording

    for one in mixed:
        log = write_recording(tmp_path, one)
        run = read_run(log)
        assert run.bad_lines == 0
        assert not run.cut_off
        ticks = np.cumsum(np.diff(run.t_us, prepend=run.t_us[0]) % (1 << 30))
        np.testing.assert_allclose(ticks * 1e-6, one.t_s, atol=1e-9)
        np.testing.assert_array_equal(run.throttle_us, one.throttle_us)
        scale = np.round(one.pa_per_count, 9)
        np.testing.assert_allclose((run.counts - 8192) * scale, one.suction_pa, atol=1e-3)
        truth = json.loads(log.with_name(log.stem + ".truth.json").read_text(encoding="utf-8"))
        assert truth == one.truth
    done = CliRunner().invoke(app, ["score", str(tmp_path), "--json"])
    assert done.exit_code == 0, done.output
    assert '"runs": 4' in done.output


# what the name of a stratum promises: kinds of event, and how many openings must show as events
PROMISED = {
    "brief-loss-100-250ms": lambda e: e["kind"] == "seal-loss" and e["duration_s"] <= 0.3,
    "slow-leak-in-lap-work": lambda e: e["kind"] == "slow-leak",
    "pinched-hose": lambda e: e.get("how") == "pinched",
    "loss-in-a-gap": lambda e: e["kind"] == "data-gap" or e["kind"] == "seal-loss",
    "one-tap-falls-to-nothing": lambda e: e["kind"] == "seal-loss",
    "hose-off-on-a-bump": lambda e: e.get("how") == "hose-off",
    "braked-fan-to-idle-with-zeros-off-10Pa": lambda e: e["kind"] == "throttle-cut",
}


@pytest.mark.slow
def test_a_stratum_holds_what_its_name_says() -> None:
    for one in worlds.make_many([(name, 5) for name in PROMISED]):
        assert any(PROMISED[one.plan.stratum](e) for e in one.truth["events"]), one.plan.stratum


@pytest.mark.slow
def test_every_opening_shows_and_nothing_else_is_listed() -> None:
    """All strata, ten seeds: an opening is an event of its kind but for the strata that say otherwise."""
    silent = {"opens-and-closes-at-idle"}
    for one in worlds.make_many([(name, seed) for name in worlds.strata() for seed in range(10)]):
        found = [e["kind"] for e in one.truth["events"] if e["kind"] in ("seal-loss", "slow-leak")]
        openings = [] if one.plan.stratum in silent else one.plan.openings
        wanted = ["slow-leak" if o.rise_s > 3 else "seal-loss" for o in openings]
        assert found == wanted, (one.plan.stratum, one.plan.seed)
        faults = [e for e in one.truth["events"] if e["kind"] == "sensor-fault"]
        assert len(faults) == len(one.plan.faults), (one.plan.stratum, one.plan.seed)

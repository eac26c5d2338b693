"""The scorer, and the detector scored on a small set (the full one is among the slow tests)."""

from __future__ import annotations

import json

import numpy as np
import pytest

from fakes.program import CliRunner
from undertray.acquire.clock import board_time
from undertray.acquire.runlog import read_run
from undertray.cli import app
from undertray.reduce.losses import Loss, find_losses
from undertray.reduce.scoring import Truth, match, score
from undertray.virtual.scenarios import STRATA, as_log, make_recording


def loss(kind, onset_s, first=None):
    return Loss(kind, onset_s, onset_s, first_tap=first)


def test_match_prefers_the_same_kind_and_takes_each_once():
    truth = [Truth("seal-loss", 10.0), Truth("seal-loss", 10.1)]
    told = [loss("throttle-cut", 10.0), loss("seal-loss", 10.05), loss("seal-loss", 30.0)]
    pairs = match(truth, told)
    assert [p[1] for p in pairs] == [told[1], told[0]]


def test_score_by_hand():
    # derived: 2 of 3 found, 2 of 4 told are true, 3 of 4 kinds right, errors 2 ms and 6 ms
    truth = [
        Truth("seal-loss", 1.0, "a"),
        Truth("seal-loss", 5.0, "b"),
        Truth("seal-loss", 9.0),
        Truth("data-gap", 7.0),
    ]
    told = [
        loss("seal-loss", 1.002, "a"),
        loss("seal-loss", 5.006, "c"),
        loss("data-gap", 7.0),
        loss("seal-loss", 20.0),
        loss("seal-loss", 30.0),
        loss("throttle-cut", 40.0),
    ]
    result = score([(truth, told, 0.001), ([], [], 0.001)])
    assert result.runs == 2
    assert (result.recall, result.precision, result.kind_right) == (2 / 3, 0.5, 0.75)
    assert result.onset_median_s == pytest.approx(0.004)
    assert result.within == 1.0
    assert result.first_tap_right == 0.5
    assert result.confusion == {
        ("data-gap", "data-gap"): 1,
        ("seal-loss", "seal-loss"): 2,
        ("seal-loss", None): 1,
    }
    assert result.unmatched == {"seal-loss": 2, "throttle-cut": 1}


def test_score_of_nothing():
    result = score([])
    assert (result.runs, result.recall, result.precision, result.onset_median_s) == (0, None, None, None)


@pytest.mark.slow
def test_forty_invented_runs():
    def runs():
        for seed in range(1000, 1040):
            made = make_recording(seed, seconds=40)
            period = 1 / made.facts["rate_hz"]
            told = find_losses(
                made.t_s, made.suction_pa, made.throttle_us, out_of_range=made.out_of_range, period_s=period
            )
            yield [Truth(e.kind, e.onset_s) for e in made.truth], told, period

    result = score(runs())
    # some 80 losses: the full set asks for 99 %, and two of 80 are 2.5 %
    assert result.recall >= 0.96
    assert result.precision >= 0.96
    assert result.kind_right >= 0.93
    assert result.onset_median_s <= 0.010
    assert result.onset_p95_s <= 0.040


@pytest.mark.slow
def test_a_clean_half_hour_has_no_seal_loss():
    for seed in range(6000, 6010):
        made = make_recording(seed, 180, happenings=False)
        told = find_losses(made.t_s, made.suction_pa, made.throttle_us, out_of_range=made.out_of_range)
        assert [e for e in told if e.kind == "seal-loss"] == []


def test_a_seed_gives_the_same_recording_and_the_same_bytes():
    one, two = make_recording(3, 20), make_recording(3, 20)
    assert one.truth == two.truth
    assert as_log(one, 3) == as_log(two, 3)
    assert as_log(make_recording(4, 20), 4) != as_log(one, 3)


def test_a_class_of_runs_narrows_what_it_names():
    assert len(STRATA) >= 30
    assert [make_recording(seed, 20).facts["stratum"] for seed in (0, len(STRATA) + 1)] == list(STRATA)[:2]
    for name, taps in (("one-tap", 1), ("eight-taps", 8)):
        assert make_recording(5, 20, stratum=name).suction_pa.shape[1] == taps
    leaks = [e.kind for e in make_recording(5, 60, stratum="slow-leak").truth if e.kind == "slow-leak"]
    deep = [e.drop for e in make_recording(5, 60, stratum="deep-loss").truth if e.kind == "seal-loss"]
    assert leaks == ["slow-leak"]
    assert deep
    assert all(0.7 <= drop <= 0.9 for drop in deep)
    assert make_recording(5, 20, happenings=False).facts["stratum"] is None


@pytest.mark.parametrize("seed", range(6))
def test_a_log_holds_the_recording(tmp_path, seed):
    made = make_recording(seed, 30)
    path = tmp_path / "run.csv"
    path.write_bytes(as_log(made, seed))
    run = read_run(path)
    assert run.bad_lines == 0
    assert len(run.t_us) == len(made.t_s)
    time = board_time(run)
    gap = any(e.kind == "data-gap" for e in made.truth)
    assert time.resets == (1 if gap and seed % 3 == 0 else 0)
    if not time.resets:
        assert time.t_s + made.t_s[0] == pytest.approx(made.t_s, abs=2e-6)
    assert np.array_equal(np.isnan(run.counts), np.isnan(made.suction_pa))


def test_the_command(tmp_path):
    runner = CliRunner()
    folder = str(tmp_path / "runs")
    done = runner.invoke(app, ["score", folder, "--make", "2", "--seconds", "20", "--json"])
    assert done.exit_code == 0, done.output
    answer = json.loads(done.stdout)
    assert answer["runs"] == 2
    assert {name: one["runs"] for name, one in answer["strata"].items()} == dict.fromkeys(list(STRATA)[:2], 1)
    again = runner.invoke(app, ["score", folder])
    assert again.exit_code == 0
    assert "seal losses found" in again.stdout
    assert all(name in again.stdout for name in list(STRATA)[:2])


def test_the_command_refuses(tmp_path):
    runner = CliRunner()
    empty = runner.invoke(app, ["score", str(tmp_path)])
    assert empty.exit_code == 1
    assert "no recording with its truth" in str(empty.exception)
    runner.invoke(app, ["score", str(tmp_path), "--make", "1", "--seconds", "20"])
    for text in ("[]", "{}", '{"events": [{"kind": "miracle", "onset_s": 1}]}', "[" * 9000):
        (tmp_path / "invented-00000.truth.json").write_text(text)
        done = runner.invoke(app, ["score", str(tmp_path)])
        assert done.exit_code == 1, text[:40]
        assert "truth.json" in str(done.exception)

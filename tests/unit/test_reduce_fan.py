"""The fans' reference: dwells found, law given back, saved and read, and what strangers may write into it."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest

from fakes.cars import bare_car
from fakes.program import CliRunner
from fakes.reductions import invented_car
from fakes.runs import run_of
from undertray.acquire.runlog import Note
from undertray.cli import app
from undertray.errors import ReductionError
from undertray.reduce.fan import Dwell, FanLag, FanReference, fan_lag, fit_reference, steady_dwells
from undertray.reduce.fanreference import take_reference
from undertray.reduce.leakage import FanState, SealIndexSpread, seal_index, with_doubt
from undertray.reduce.run import reduce_run
from undertray.reduce.steady import Blocks

RATE = 200.0
STEPS = (1000.0, 1300.0, 1500.0, 1700.0, 1000.0)
SHARES = np.array([1.05, 1.02, 0.98, 0.95])


def sweep_run(lag_up_s=0.12, lag_down_s=0.3, exponent=2.0, idle_us=1000.0, hold_s=4.0, pack=None, seal=1.0):
    """Steps of throttle on fans of first order; the suction is 0.003 Pa per µs^2 (at exponent 2)."""
    n = round(len(STEPS) * hold_s * RATE)
    t = np.arange(n) / RATE
    u = np.array(STEPS)[np.minimum((t / hold_s).astype(int), len(STEPS) - 1)]
    volts = np.ones(n) if pack is None else pack(t) / 8000.0
    speed, out = 0.0, np.empty(n)
    for k in range(n):
        target = max(0.0, u[k] - idle_us) * volts[k]
        speed = target + (speed - target) * np.exp(-1 / RATE / (lag_up_s if target > speed else lag_down_s))
        out[k] = speed
    level = seal * 0.003 * 1000 ** (2 - exponent) * out**exponent
    noise = np.random.default_rng(4).normal(0, 2.0, (n, 4))
    run = run_of(t, level[:, None] * SHARES + noise, u)
    if pack is None:
        return run
    notes = tuple(
        Note(row=int(s * RATE), kind="status", data={"pack_mv": int(pack(s))}, host_us=0)
        for s in range(int(t[-1]))
    )
    return dataclasses.replace(run, notes=notes)


def test_dwells_of_a_sweep():
    reduction = reduce_run(sweep_run(), invented_car())
    dwells = steady_dwells(reduction.blocks)
    assert [round(d.throttle_us) for d in dwells] == [1300, 1500, 1700]
    # derived: 4 s less 0.8 s for the fans to settle; 0.003 (u - 1000)^2, the taps' mean share is 1
    assert [d.seconds for d in dwells] == pytest.approx([3.2] * 3, abs=0.11)
    assert [d.suction_pa for d in dwells] == pytest.approx([270.0, 750.0, 1470.0], rel=0.01)


@pytest.mark.parametrize(("exponent", "idle_us"), [(2.0, 1000.0), (2.0, 1080.0), (1.6, 1040.0)])
def test_the_law_is_given_back_between_its_levels(exponent, idle_us):
    reduction = reduce_run(sweep_run(exponent=exponent, idle_us=idle_us), invented_car())
    law = take_reference([reduction], invented_car()).reference
    at = np.array([1350.0, 1432.0, 1600.0, 1680.0])
    truth = 0.003 * 1000 ** (2 - exponent) * (at - idle_us) ** exponent
    # noise of 2 Pa hardly shows in dwells of 3 s; an exponent of a grid of 1/40 does, by half a per cent
    assert law.suction_pa(at) == pytest.approx(truth, rel=0.01)
    assert law.misfit < 0.005
    assert (law.levels, law.top_us) == (3, 1700.0)
    assert law.suction_pa([900.0, np.nan]) == pytest.approx([0.0, np.nan], nan_ok=True)


def test_one_and_two_levels():
    one = fit_reference([Dwell(0, 3, 1700, 1500, None)], "car", ["a"], 1000.0)
    # derived: half the throttle above rest gives a quarter of the suction (fan laws)
    assert one.suction_pa(1350.0) == pytest.approx(375.0)
    two = fit_reference([Dwell(0, 3, 1400, 300, None), Dwell(4, 3, 1700, 1200, None)], "car", ["a"], 1000.0)
    # derived: suctions 1 to 4, so speeds 1 to 2: the fans begin at 1100
    assert two.idle_us == pytest.approx(1100.0, abs=2.0)
    assert two.exponent == 2.0


def test_the_pack_is_taken_into_account():
    def sagging(t):
        return 8400.0 - 40.0 * np.asarray(t)

    reduction = reduce_run(sweep_run(pack=sagging), invented_car())
    law = take_reference([reduction], invented_car()).reference
    assert law.pack_mv is not None
    # derived: speed goes with the voltage, suction with its square
    full, low = law.suction_pa(1700.0, 8400.0), law.suction_pa(1700.0, 7560.0)
    assert low / full == pytest.approx(0.9**2)
    assert full == pytest.approx(1470.0 * (8400 / 8000) ** 2, rel=0.02)
    index = seal_index(reduction.blocks, law)
    assert np.nanmin(index) > 0.97
    assert np.nanmax(index) < 1.03


def test_fan_laws():
    # published: Q ~ N, dp ~ N^2 at a fixed system, so 80 % speed gives 0.64 of the pressure
    law = FanReference("c", ("r",), 1000.0, 2000.0, 2000.0, 2.0, None, 3, 9.0, 0.0)
    assert law.suction_pa(1800.0) / law.suction_pa(2000.0) == pytest.approx(0.64)
    # dp/N^2 falls with a leak at any throttle, and not with the throttle
    reduction = reduce_run(sweep_run(seal=0.7), invented_car())
    good = take_reference([reduce_run(sweep_run(), invented_car())], invented_car()).reference
    index = seal_index(reduction.blocks, good)
    assert index[np.isfinite(index)] == pytest.approx(0.7, abs=0.02)


@pytest.mark.filterwarnings("error")
def test_a_throttle_that_moves_no_air_tells_no_lag():
    t = np.arange(0, 10, 0.005)
    pulse = np.where((t > 3) & (t < 6), 1700.0, 1000.0)
    # below zero throughout, as a sensor at rest reads: the root of the suction is 0 before and after
    assert reduce_run(run_of(t, np.full((len(t), 4), -5.0), pulse), invented_car()).fan.lag.steps == 0


@pytest.mark.parametrize(("up_s", "down_s"), [(0.12, 0.3), (0.05, 0.2), (0.3, 0.3)])
def test_lag_of_the_fans(up_s, down_s):
    reduction = reduce_run(sweep_run(up_s, down_s), invented_car())
    lag = fan_lag(reduction.series, reduction.events)
    # derived: 63 % of a first-order step takes one time constant; a period of 5 ms, and at the end of 1.2 s
    # and more of rest less than 2 % of the way is left
    assert lag.up_s == pytest.approx(up_s, abs=0.012)
    assert lag.down_s == pytest.approx(down_s, abs=0.03)
    assert lag.steps == 4


def test_a_ramp_and_a_loss_are_no_steps():
    t = np.arange(2000) / RATE
    ramp = np.interp(t, [0, 2, 4, 10], [1000, 1000, 1700, 1700])
    level = 0.003 * (ramp - 1000) ** 2
    reduction = reduce_run(run_of(t, level[:, None] * SHARES, ramp), invented_car())
    assert reduction.fan.lag.steps == 0
    up = np.where(t < 2, 1000.0, 1700.0)
    fallen = np.where(t < 2, 0.0, np.where(t < 3, 1470.0, 300.0))
    reduction = reduce_run(run_of(t, fallen[:, None] * SHARES, up), invented_car())
    assert any(e.kind == "seal-loss" for e in reduction.events)
    assert reduction.fan.lag.steps == 0


def test_saved_and_read_again(tmp_path):
    law = FanReference("Größe", ("a", "b"), 1012.0, 1700.0, 1470.25, 1.9, 8123.0, 3, 9.5, 0.004, 0.12, None)
    law.to_json(tmp_path / "r.json")
    assert FanReference.from_json(tmp_path / "r.json") == law
    first = (tmp_path / "r.json").read_bytes()
    law.to_json(tmp_path / "r.json")
    assert (tmp_path / "r.json").read_bytes() == first


GOOD = dataclasses.asdict(FanReference("c", ("r",), 1000.0, 1700.0, 1470.0, 2.0, None, 3, 9.0, 0.01)) | {
    "format": 1
}
BAD = {
    "newer": ({"format": 2}, "newer reference format"),
    "no format": ({"format": None}, "not a fan reference"),
    "text": ({"top_pa": "much"}, "bad 'top_pa'"),
    "not finite": ({"top_pa": float("nan")}, "bad 'top_pa'"),
    "no way up": ({"top_us": 1000.0}, "bad 'top_us'"),
    "truth value": ({"exponent": True}, "bad 'exponent'"),
    "runs": ({"runs": [1]}, "not a fan reference"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_references_are_refused(tmp_path, case):
    changes, message = BAD[case]
    (tmp_path / "r.json").write_text(json.dumps(GOOD | changes))
    with pytest.raises(ReductionError, match=message):
        FanReference.from_json(tmp_path / "r.json")


@pytest.mark.parametrize("raw", [b"", b"[]", b"[" * 100_000, b"x" * 200_000, b"\xff"])
def test_what_is_no_reference_is_refused(tmp_path, raw):
    (tmp_path / "r.json").write_bytes(raw)
    with pytest.raises(ReductionError):
        FanReference.from_json(tmp_path / "r.json")
    with pytest.raises(ReductionError, match="cannot be read"):
        FanReference.from_json(tmp_path / "none.json")


def test_runs_without_throttle_or_hold_give_none():
    t = np.arange(1000) / RATE
    run = run_of(t, np.full((1000, 4), 900.0), np.full(1000, np.nan))
    with pytest.raises(ReductionError, match="no reference can be taken"):
        take_reference([reduce_run(run, invented_car())], invented_car())


def test_the_command_and_its_use(tmp_path, monkeypatch):
    import undertray.acquire.runlog as runlog

    runs = {"sweep": sweep_run(), "leaky": sweep_run(seal=0.8)}
    monkeypatch.setattr(runlog, "read_run", lambda path: dataclasses.replace(runs[path.stem], name=path.stem))
    car = str(tmp_path / "car.toml")
    from fakes.reductions import CAR_TOML

    fan = '\n[fan]\ncurve = [["0 Pa", "30 L/s"], ["4 kPa", "0 L/s"]]\n'
    text = CAR_TOML.read_text(encoding="utf-8")
    (tmp_path / "car.toml").write_text(text + fan, encoding="utf-8")
    out = tmp_path / "reference.json"
    done = CliRunner().invoke(app, ["reference", "sweep.csv", "--car", car, "--out", str(out)])
    assert done.exit_code == 0, done.output
    assert "suction = 14" in done.stdout
    assert "leak: Q = " in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 100
    inches = (
        CliRunner()
        .invoke(app, ["reference", "sweep.csv", "--car", car, "--out", str(out), "--units", "us"])
        .stdout
    )
    # derived: the same suction over the 249.08891 Pa of the unit
    found_pa = FanReference.from_json(out).top_pa
    assert f"suction = {found_pa / 249.08891:.2f} inH₂O x" in inches
    arguments = ["reduce", "leaky.csv", "--car", car, "--reference", str(out), "--to-speed", "50 mph"]
    done = CliRunner().invoke(app, arguments)
    assert done.exit_code == 0, done.output
    assert "seal index 0.80" in done.stdout
    assert "the seal leaks as" in done.stdout
    assert "22.4 m/s" in done.stdout
    data = json.loads(CliRunner().invoke(app, [*arguments, "--json"]).stdout)
    assert data["fan"]["seal_index"]["median"] == pytest.approx(0.8, abs=0.01)
    wrong = CliRunner().invoke(app, ["reduce", "leaky.csv", "--car", car, "--to-speed", "fast"])
    assert wrong.exit_code == 2
    wrong = CliRunner().invoke(app, ["reduce", "leaky.csv", "--car", car, "--tare", "some"])
    assert wrong.exit_code == 2


def test_index_and_leak_have_the_uncertainty_of_what_they_are_made_of() -> None:
    n, yes = 20, np.ones(20, bool)
    level = {"suction_pa": np.full(n, 900.0), "front_n": np.full(n, 25.0), "rear_n": np.full(n, 25.0)}
    times = {"first_row": np.arange(n), "rows": n, "t_s": np.arange(n) / 10}
    blocks = Blocks(
        **times, throttle_us=np.full(n, 1700.0), pack_mv=np.full(n, np.nan), **level, steady=yes, still=yes
    )
    # the curve is one straight line, flow 0.02 (1 - p/2200) m3/s at full speed
    car = bare_car(
        [(0, 0), (100, 0), (100, 100), (0, 100)], [(50, 50)], fan_curve=((0.0, 0.02), (2200.0, 0.0))
    )
    reference = FanReference("x", ("a",), 1000.0, 1700.0, 900.0, 2.0, None, 3, 30.0, 0.01)
    bare = FanState(FanLag(None, None, 0), SealIndexSpread(0.9, 0.8, 0.9), 100.0, ())
    found = with_doubt(bare, blocks, car, reference, 900.0, 18.0)
    # derived: 2 % of this suction, 2 % of the reference's, 1.96 % of its misfit
    assert found.seal_index.u95 == pytest.approx(0.9 * np.sqrt(2 * 0.02**2 + 0.0196**2), rel=1e-3)
    # derived: at speed r = 0.7 the flow goes with 1 - z, z = p / (2200 r^2), so 1 % of p is
    # z/(1 - z) + 1/2 % of the area
    z = 900 / (2200 * 0.49)
    steep = z / (1 - z) + 0.5
    others = 1.959964 / np.sqrt(3) * np.hypot(0.1, 0.01 / 0.61)
    assert found.leak_u95_mm2 == pytest.approx(100 * np.hypot(0.02 * steep, others), rel=0.01)
    assert with_doubt(bare, blocks, car, reference, 900.0, None) == bare

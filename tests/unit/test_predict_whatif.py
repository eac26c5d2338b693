"""``undertray whatif`` through the command line: numbers by hand, what cannot be told, what lies beyond.

Logs are written after the format by fans and leaks worked here: fan laws and orifice (AMCA Publication 201,
ISO 5167-1, from memory), a quadratic fan curve; nothing of them comes from undertray.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from fakes.cells import some
from fakes.handlog import hand_car, hand_log
from fakes.program import undertray
from undertray.errors import UndertrayError
from undertray.predict.draws import Draws
from undertray.predict.fanlaw import VoltPoint, run_points
from undertray.predict.packvolts import pack_of, pack_volts

G, RATE_HZ = 9.80665, 20.0
THROTTLES = (1300, 1400, 1500, 1600, 1700)
AREA_M2, MASS_KG = 0.06, 2.0  # of hand_car: 0.3 m x 0.2 m between the axles, allowance 0.2


def fan_pa(throttle_us: float, volts: float, gap_mm: float) -> float:
    """Derived: p = P r^2/(1 + kappa A^2) for the curve P (1 - (Q/Q0)^2) and a sharp-edged leak A."""
    speed = (throttle_us - 1100.0) / 700.0 * volts / 12.0
    leak = (1e-3 * gap_mm + 2e-4) / 1e-3
    return 2600.0 * speed**2 / (1 + 1.2 * leak**2)


def sweep(
    path: Path, gap: str | None, volts: float, pack: str | None = "3S", seed: int = 0, **more: Any
) -> Path:
    """Two seconds at rest, then some at each throttle; 0.1 V lost at rest to load."""
    gap_mm = 0.5 if gap is None else float(gap.split()[0])
    throttle = np.concatenate([np.full(50, 1000.0), np.repeat(np.array(THROTTLES, float), 55)])
    pa = np.array([0.0 if us < 1200 else fan_pa(us, volts, gap_mm) for us in throttle])
    taps = pa[:, None] + np.random.default_rng(seed).normal(0, 1.0, (len(pa), 4))
    notes = (
        {"invented": "yes"} | ({} if gap is None else {"gap": gap}) | ({} if pack is None else {"pack": pack})
    )
    millivolts = None if more.get("unmeasured") else np.where(pa > 0, 1e3 * volts, 1e3 * volts + 100).tolist()
    facts = {"started_utc": f"2026-05-02T10:{15 + seed}:00Z", "notes": notes}
    return hand_log(path, taps, throttle, RATE_HZ, millivolts, facts=facts)


def two_gaps(folder: Path) -> list[Path]:
    return [
        sweep(folder / "a.csv", "0.4 mm", 12.0, seed=1),
        sweep(folder / "b.csv", "0.7 mm", 11.1, seed=2),
        sweep(folder / "c.csv", "0.4 mm", 11.1, seed=3),
    ]


def ask(folder: Path, *words: object, logs: list[Path] | None = None) -> dict[str, Any]:
    car = hand_car(folder / "car.toml")
    done = undertray("whatif", *(two_gaps(folder) if logs is None else logs), "--car", car, *words, "--json")
    assert done.returncode == 0, done.stderr
    return dict(json.loads(done.stdout))


def test_margins_loads_and_needs_by_hand(tmp_path: Path) -> None:
    found = ask(tmp_path, "--mass", "+180 g", "--gap", "0.55 mm", "--mu", "0.8")
    now, (asked,) = found["now"], found["asked"]
    # derived: the pack as full as on average: rest (12.1 + 11.2 + 11.2)/3, 0.1 V less under load. What was
    # driven is known to its noise, a hundredth or so; half of p A on each axle
    pa = fan_pa(1700, 11.4, 0.4)
    assert now["suction_pa"]["value"] == pytest.approx(pa, rel=0.03)
    half_n = now["suction_pa"]["value"] * AREA_M2 / 2
    assert now["load_n"]["front axle"]["value"] == pytest.approx(half_n, rel=2e-3)  # of noise in the loads
    # derived: upside down with a fifth in hand each axle needs 1.2 of its half of the weight
    assert now["need_n"]["rear axle"] == pytest.approx(0.6 * MASS_KG * G, rel=1e-9)
    assert asked["need_n"]["rear axle"] == pytest.approx(0.6 * (MASS_KG + 0.18) * G, rel=1e-9)
    true = fan_pa(1700, 11.5, 0.55)
    assert asked["suction_pa"]["low"] < true < asked["suction_pa"]["high"]
    # derived: mu (D - W)/W upside down
    load_n = asked["load_n"]["front axle"]["value"] + asked["load_n"]["rear axle"]["value"]
    weight_n = (MASS_KG + 0.18) * G
    assert asked["lateral_g"]["value"] == pytest.approx(0.8 * (load_n - weight_n) / weight_n, rel=1e-9)
    assert asked["ground_lateral_g"]["value"] == pytest.approx(0.8 * (load_n + weight_n) / weight_n, rel=1e-9)
    seconds = 26.8224 / (asked["lateral_g"]["value"] * G)
    assert asked["to_speed"][0]["surface_s"]["value"] == pytest.approx(seconds, rel=1e-6)
    assert asked["beyond"] == ["the largest gap that holds is not among those measured (0.40 mm to 0.70 mm)"]


@pytest.mark.slow
def test_a_pack_may_be_asked_about_as_full_or_as_empty_as_it_gets(tmp_path: Path) -> None:
    for cell, volts in (("4.1 V", 12.2), ("3.55 V", 10.55)):
        now = ask(tmp_path, "--cell", cell)["now"]
        # derived: three cells, less the 0.1 V of load, known to that: a real pack loses less at less throttle
        assert now["pack_mv"]["value"] == pytest.approx(1e3 * volts, abs=100)
        assert now["suction_pa"]["low"] < fan_pa(1700, volts, 0.4) < now["suction_pa"]["high"]


def test_on_a_wall_sliding_goes_first(tmp_path: Path) -> None:
    found = ask(tmp_path, "--angle", "90", "--mu", "0.9")["now"]
    # derived: W (a + 1/mu) for the whole car, a W/2 for an axle: a third of the load, and a twentieth
    weight_n = MASS_KG * G
    assert found["need_n"]["whole car"] == pytest.approx(weight_n * (0.2 + 1 / 0.9), rel=1e-9)
    assert found["need_n"]["front axle"] == pytest.approx(0.1 * weight_n, rel=1e-9)
    assert found["limiting"] == "whole car"


@pytest.mark.slow
def test_a_pack_may_weigh_so_much_before_it_gains_nothing(tmp_path: Path) -> None:
    found = ask(tmp_path, "--pack", "4S +50 g")
    (asked,), (even,) = found["asked"], found["break_even_kg"]
    # derived: a margin of F - 0.6 m g on each axle; the least grows by dF - 0.6 g dm, which is 0 at dF/(0.6
    # g)
    gained = asked["load_n"]["rear axle"]["value"] - found["now"]["load_n"]["rear axle"]["value"]
    front = asked["load_n"]["front axle"]["value"] - found["now"]["load_n"]["front axle"]["value"]
    assert even["value"] == pytest.approx(
        min(gained, front) / (0.6 * G), rel=0.02
    )  # the axles' loads differ by noise
    heavy = ask(tmp_path, "--pack", f"4S +{1e3 * even['value']:.3f} g")
    assert heavy["gain_n"][0]["value"] == pytest.approx(0.0, abs=0.05)
    # the ground: weight holds it, and what counts is the force over the weight, D'/D - 1
    level = ask(tmp_path, "--pack", "4S", "--angle", "0")
    loads = [
        sum(one["load_n"][axle]["value"] for axle in one["load_n"])
        for one in (level["now"], level["asked"][0])
    ]
    assert level["break_even_kg"][0]["value"] == pytest.approx(MASS_KG * (loads[1] / loads[0] - 1), rel=1e-6)


def sprung_pa(throttle_us: float, set_mm: float, rate_n_mm: float, turned_n: float = 0.0) -> float:
    """Derived: the suction at which gap and suction agree; each axle sinks by its load over its rate."""

    def apart(pa: float) -> float:
        sink_mm = (pa * AREA_M2 / 2 + turned_n) / rate_n_mm
        return pa - fan_pa(throttle_us, 11.4, max(set_mm - sink_mm, 0.0))

    return float(brentq(apart, 0.0, 5000.0))


@pytest.mark.parametrize("more_cases", some([()], [((130.0, 0.0, ()),)]), ids=len)
def test_suction_and_springs_pull_at_one_another(tmp_path: Path, more_cases: tuple[Any, ...]) -> None:
    car = hand_car(tmp_path / "car.toml")
    springs = '[ride]\nfront_rate = "300 N/mm"\nrear_rate = "300 N/mm"\nrate_within = 0.02\n'
    springs += 'front_clearance = "4 mm"\nrear_clearance = "4 mm"\ngap_follows = 1\n'
    head, *taps = car.read_text(encoding="utf-8").split("[[tap]]")
    car.write_text("[[tap]]".join([f"{head}surface_angle = 0\n{springs}", *taps]), encoding="utf-8")
    logs = []
    for place, gap in enumerate(("0.4 mm", "0.7 mm")):
        throttle = np.concatenate([np.full(50, 1000.0), np.repeat(np.array(THROTTLES, float), 55)])
        of = {us: sprung_pa(us, float(gap.split()[0]), 300.0) for us in THROTTLES}
        pa = np.array([of.get(us, 0.0) for us in throttle])
        taps_pa = pa[:, None] + np.random.default_rng(place).normal(0, 1.0, (len(pa), 4))
        facts = {"started_utc": f"2026-05-02T10:{15 + place}:00Z", "notes": {"invented": "yes", "gap": gap}}
        logs.append(hand_log(tmp_path / f"{place}.csv", taps_pa, throttle, RATE_HZ, None, facts=facts))

    def asked(*words: object) -> dict[str, Any]:
        done = undertray("whatif", *logs, "--car", car, *words, "--json")
        assert done.returncode == 0, done.stderr
        return dict(json.loads(done.stdout)["asked"][0])

    as_driven = asked("--springs", "300 N/mm, 300 N/mm", "--gap", "0.55 mm")
    assert as_driven["closer_mm"] is None
    for rate_n_mm, turned_n, more in (
        (900.0, 0.0, ()),
        (130.0, -MASS_KG * G, ("--angle", 180)),
        *more_cases,
    ):
        found = asked("--springs", f"{rate_n_mm} N/mm, {rate_n_mm} N/mm", "--gap", "0.55 mm", *more)
        true = sprung_pa(1700, 0.55, rate_n_mm, turned_n)
        assert found["suction_pa"]["low"] < true < found["suction_pa"]["high"]
        assert found["suction_pa"]["value"] == pytest.approx(true, rel=0.03)
        # derived: the same loads on the two pairs of springs, each turned by 180 degrees less its weight
        load_n = true * AREA_M2 / 2
        closer_mm = (load_n + turned_n) / rate_n_mm - load_n / 300.0
        assert found["closer_mm"]["value"] == pytest.approx(closer_mm, rel=0.05, abs=0.005)
    told = undertray(
        "whatif", *logs, "--car", car, "--springs", "130 N/mm, 130 N/mm", "--gap", "0.55 mm"
    ).stdout
    assert re.search(r"^gap against the runs +\d.* mm\) closer$", told, re.M)
    assert "under this suction, on the springs, at the mass and angle of the runs" in " ".join(told.split())
    for wrong in ("130 N/mm", "130 N/mm, 140 N/mm, 150 N/mm", "a, b"):
        assert undertray("whatif", *logs, "--car", car, "--springs", wrong).returncode == 2
    one = undertray("whatif", logs[0], "--car", car, "--springs", "130 N/mm, 130 N/mm")
    assert one.returncode == 1
    assert "what other springs do to the gap cannot be predicted" in one.stderr


@pytest.mark.slow
def test_what_lies_beyond_is_said_and_makes_it_wider(tmp_path: Path) -> None:
    inside = ask(tmp_path, "--gap", "0.6 mm")["asked"][0]
    outside = ask(tmp_path, "--gap", "1.4 mm", "--throttle", "1850", "--pack", "4S")["asked"][0]
    assert [text for text in inside["beyond"] if "that holds" not in text] == []
    said = " / ".join(outside["beyond"])
    assert "throttle 1850 µs is 150 µs above what was measured (1300 to 1700 µs)" in said
    assert "gap 1.40 mm is 0.70 mm above what was measured (0.40 to 0.70 mm)" in said
    assert "pack 1" in said  # some 16 V
    spans = [
        (o["suction_pa"]["high"] - o["suction_pa"]["low"]) / o["suction_pa"]["value"]
        for o in (inside, outside)
    ]
    assert spans[1] > 2 * spans[0]
    assert outside["suction_pa"]["low"] < fan_pa(1850, 15.5, 1.4) < outside["suction_pa"]["high"]
    words = undertray("whatif", *two_gaps(tmp_path), "--car", tmp_path / "car.toml", "--gap", "1.4 mm").stdout
    words = " ".join(words.split())
    assert "BEYOND WHAT WAS MEASURED (as asked): gap 1.40 mm is 0.70 mm above" in words
    # where the answer is read it is said too, and of no case that was measured
    assert "against as it is, BEYOND WHAT WAS MEASURED (see below)." in words
    assert words.count("(see below)") == 1


@pytest.mark.slow
def test_largest_gap_and_least_throttle_are_where_the_margin_is_nothing(tmp_path: Path) -> None:
    found = ask(tmp_path, "--gap", "0.5 mm")["asked"][0]
    gap_mm, from_us = found["largest_gap_mm"], found["holds_from_us"]
    at_gap = ask(tmp_path, "--gap", f"{gap_mm['value']:.6f} mm")["asked"][0]["least_margin_n"]["value"]
    at_us = ask(tmp_path, "--gap", "0.5 mm", "--throttle", f"{from_us['value']:.4f}")["asked"][0][
        "least_margin_n"
    ]
    # halved 17 times: 4.2 mm and 900 us to 3e-5 mm and 7e-3 us, 0.01 N either
    assert at_gap == pytest.approx(0.0, abs=0.02)
    assert at_us["value"] == pytest.approx(0.0, abs=0.02)
    # derived: 1.2 W = p A asks for 1.2 x 19.61/0.06 Pa; solved for the gap at some 11.5 V
    need_pa = 1.2 * MASS_KG * G / AREA_M2
    gaps = np.linspace(0.3, 4.0, 2000)
    true = float(np.interp(-need_pa, [-fan_pa(1700, 11.5, gap) for gap in gaps], gaps))
    assert gap_mm["low"] < true < gap_mm["high"]


@pytest.mark.parametrize(
    ("logs", "words", "said"),
    [
        ("one gap", ["--gap", "0.8 mm"], "another gap cannot be predicted: the runs have one gap only"),
        ("no gap", ["--gap", "0.8 mm"], "another gap cannot be predicted: no run notes its gap"),
        ("no pack", ["--pack", "4S"], "how many cells the pack of the runs has is not known"),
        ("no volts", ["--pack", "4S"], "the runs measured no voltage"),
    ],
)
def test_what_was_not_measured_has_no_number_but_the_run_that_would_settle_it(
    tmp_path: Path, logs: str, words: list[str], said: str
) -> None:
    run = sweep(
        tmp_path / "a.csv",
        None if logs == "no gap" else "0.4 mm",
        12.0,
        None if logs == "no pack" else "3S",
        unmeasured=logs == "no volts",
    )
    done = undertray("whatif", run, "--car", hand_car(tmp_path / "car.toml"), *words)
    assert done.returncode == 1
    assert done.stdout == ""
    (told,) = [line for line in done.stderr.splitlines() if line.startswith("undertray:")]
    assert said in told
    assert "; " in told  # and what to do


@pytest.mark.slow
def test_with_one_gap_the_fan_curve_and_the_skirt_stand_in_and_that_is_said(tmp_path: Path) -> None:
    # derived: 2600 Pa shut off; free flow of the curve from kappa A^2 = 1.2 at 1 m x 1 mm: Q0 = Cd A sqrt(2
    # P/rho/1.2)
    free = 0.61 * 1e-3 * (2 * 2600 / 1.2 / 1.2) ** 0.5
    points = [(2600 * (1 - (i / 10) ** 2), free * i / 10) for i in range(10, -1, -1)]
    curve = ", ".join(f'["{pa:.3f} Pa", "{1e3 * q:.5f} L/s"]' for pa, q in points)
    fan = f'[fan]\ncurve = [{curve}]\npack = "12 V"\nidle = "1100 us"\nfull = "1800 us"\n'
    car = hand_car(tmp_path / "car.toml", fan)
    given = ("whatif", sweep(tmp_path / "a.csv", "0.5 mm", 12.0), "--car", car, "--gap", "0.8 mm")
    done = undertray(*given, "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)["asked"][0]
    assert found["suction_pa"]["low"] < fan_pa(1700, 12.0, 0.8) < found["suction_pa"]["high"]
    assert "another gap rests on the fan curve and the skirt's length alone" in " ".join(done.stderr.split())


def test_a_reference_alone_and_one_of_runs_that_are_given(tmp_path: Path) -> None:
    car, log = hand_car(tmp_path / "car.toml"), sweep(tmp_path / "a.csv", None, 12.0)
    reference = tmp_path / "reference.json"
    assert undertray("reference", log, "--car", car, "--out", reference).returncode == 0
    alone = undertray("whatif", "--reference", reference, "--car", car, "--mass", "+100 g", "--json")
    assert alone.returncode == 0, alone.stderr
    found = json.loads(alone.stdout)
    true = fan_pa(1700, 12.0, 0.5)
    assert found["now"]["suction_pa"]["low"] < true < found["now"]["suction_pa"]["high"]
    assert "an even suction" in alone.stderr
    both = undertray("whatif", log, "--reference", reference, "--car", car)
    assert both.returncode == 0
    assert "the reference is of runs that are given" in both.stderr


@pytest.mark.slow
def test_picture_and_units_and_the_same_bytes(tmp_path: Path) -> None:
    logs, car = two_gaps(tmp_path), hand_car(tmp_path / "car.toml")
    given = (
        "whatif",
        *logs,
        "--car",
        car,
        "--gap",
        "0.02 in",
        "--mass",
        "+0.3 lb",
        "--pack",
        "4S",
        "--units",
        "us",
    )
    done = undertray(*given, "--pictures", tmp_path / "one")
    assert done.returncode == 0, done.stderr
    assert "lbf" in done.stdout
    assert "inH₂O" in done.stdout
    assert "0.0200 in" in done.stdout
    assert " N " not in done.stdout
    again = undertray(*given, "--pictures", tmp_path / "two")
    assert again.stdout == done.stdout
    for name in ("margin-gap.svg", "margin-gap.csv"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
    assert "least margin / lbf" in (tmp_path / "one" / "margin-gap.svg").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "words",
    [
        ["--mass", "-3 kg"],
        ["--mass", "180 g"],
        ["--mass", "+180"],
        ["--gap", "wide"],
        ["--mass", "3 mm"],
        ["--units", "x"],
    ],
)
def test_wrong_usage_is_status_2(tmp_path: Path, words: list[str]) -> None:
    log, car = sweep(tmp_path / "a.csv", "0.4 mm", 12.0), hand_car(tmp_path / "car.toml")
    done = undertray("whatif", log, "--car", car, *words)
    assert done.returncode == 2
    assert undertray("whatif", "--car", car).returncode == 2


@pytest.mark.parametrize(
    ("text", "cells", "loaded_mv", "heavier_kg"),
    [
        ("4S", 4, None, 0.0),
        ("2s -0.1 lb", 2, None, -0.045359237),
        ("14.4 V", None, 14_400.0, 0.0),
        ("4S +60 g", 4, None, 0.06),
    ],
)
def test_packs_as_people_write_them(text: str, cells: int, loaded_mv: float, heavier_kg: float) -> None:
    found = pack_of(text, "--pack")
    assert (found.cells, found.loaded_mv) == (cells, loaded_mv)
    assert found.heavier_kg == pytest.approx(heavier_kg, rel=1e-9)


@pytest.mark.parametrize(
    "text", ["", "S", "0S", "99S", "4", "4 S + 60", "4S +60", "-4S", "x" * 61, "4S +60 m"]
)
def test_what_is_no_pack(text: str) -> None:
    with pytest.raises(UndertrayError):
        pack_of(text, "--pack")


def test_the_sag_of_a_pack_is_found_again() -> None:
    # derived: V = E - k p^1.5/V solved for V: (E + sqrt(E^2 - 4 k p^1.5))/2
    rest, k = 12_000.0, 60.0
    points = [
        VoltPoint(rest, (rest + (rest**2 - 4 * k * pa**1.5) ** 0.5) / 2, pa) for pa in (300.0, 600.0, 1000.0)
    ]
    found = pack_volts(points, 3, Draws())
    assert found is not None
    assert float(found.sag[0]) == pytest.approx(k, rel=1e-9)
    assert float(found.rest_mv[0]) == rest


def test_a_gap_that_is_none_is_said_and_does_not_count() -> None:
    from fakes.reductions import invented_reduction

    runs = [
        (invented_reduction(), {"notes": {"gap": gap, "pack": "flat"}}) for gap in ("wide", "-1 mm", "0.8")
    ]
    found = run_points(runs)
    assert {p.gap_mm for p in found.law} == {None, 0.8}
    assert len(found.notices) == 2
    assert found.cells is None


@pytest.mark.slow
def test_with_pulls_it_says_where_the_skirt_holds_it_fast(tmp_path: Path) -> None:
    logs, car = two_gaps(tmp_path), hand_car(tmp_path / "car.toml")
    text = car.read_text(encoding="utf-8").replace("allowance", 'tyre_mu = 0.8\ndriven = "rear"\nallowance')
    car.write_text(text, encoding="utf-8")
    # derived: half of the suction on the skirt, which rubs with 0.6: locked 0.8 (W + S/2) + 0.3 S, free
    # 0.02 (W + S/2) + 0.3 S. The driven half of the tyres has 0.8 (W + S/2)/2: too little from 0.38 W/0.11 on
    weight_n, rows = MASS_KG * G, []
    for us in (1300, 1500, 1700):
        suction_n = fan_pa(us, 12.0, 0.4) * AREA_M2
        on_tyres = weight_n + 0.5 * suction_n
        rows += [(us, "breakaway", "locked", 0.8 * on_tyres + 0.3 * suction_n)]
        rows += [(us, "breakaway", "free", 0.02 * on_tyres + 0.3 * suction_n)]
    rows += [(1000, "breakaway", "locked", 0.8 * weight_n), (1000, "breakaway", "free", 0.02 * weight_n)]
    pulls = tmp_path / "pulls.csv"
    lines = [f"{us},{kind},{wheels},{pull:.3f}" for us, kind, wheels, pull in rows]
    pulls.write_text("\n".join(["throttle_us,kind,wheels,pull_n", *lines, ""]), encoding="utf-8")
    out = tmp_path / "drag.json"
    pulled = undertray("pull-test", logs[0], "--pulls", pulls, "--car", car, "--out", out)
    assert pulled.returncode == 0, pulled.stderr
    given = (*logs, "--car", car, "--gap", "0.5 mm", "--angle", "0")
    done = undertray("whatif", *given, "--drag", out, "--json")
    assert done.returncode == 0, done.stderr
    asked = json.loads(done.stdout)["asked"][0]
    window = undertray("window", logs[0], "--car", car, "--drag", out, "--json")
    same = {one["angle_deg"]: one for one in json.loads(window.stdout)["windows"]}[0.0]
    # one run's loads a pascal beside another's, which differ by their noise
    assert asked["window"]["locks"]["at_pa"] == pytest.approx(same["locks"]["at_pa"], rel=0.02)
    # ... and by hand: what the pulls tell of the tyres' own rolling is a number between two ends, 0 and 0.02
    assert asked["window"]["locks"]["at_pa"] * AREA_M2 == pytest.approx(0.38 * weight_n / 0.11, rel=0.1)
    us = asked["locks_from_us"]["value"]
    at = undertray("whatif", *given, "--throttle", f"{us:.3f}", "--json").stdout
    found = json.loads(at)["asked"][0]["suction_pa"]["value"]
    assert found == pytest.approx(asked["window"]["locks"]["at_pa"], rel=1e-3)
    assert "locked above" in undertray("whatif", *given, "--drag", out).stdout


@pytest.mark.slow
def test_times_have_the_load_in_them_that_pulling_away_moves(tmp_path: Path) -> None:
    """As ``reduce`` tells them: the same run, car and speed."""
    log, car = sweep(tmp_path / "a.csv", "0.4 mm", 12.0), hand_car(tmp_path / "car.toml")
    more = 'tyre_mu = 0.8\ndriven = "rear"\ncg_height = 40\ntarget_speed = 10\nallowance'
    car.write_text(car.read_text(encoding="utf-8").replace("allowance", more), encoding="utf-8")
    reduced = json.loads(undertray("reduce", log, "--car", car, "--json").stdout)
    at_us = reduced["steady"]["throttle_us"]
    own = next(one for one in reduced["grip"]["to_speed"] if one["speed_m_s"] == 10)
    asked = undertray("whatif", log, "--car", car, "--throttle", at_us, "--angle", "0", "--json")
    ground_s = json.loads(asked.stdout)["now"]["to_speed"][0]["surface_s"]["value"]
    # the law is off one stretch by its scatter of a hundredth; the load is half of that, the rest is weight
    assert ground_s == pytest.approx(own["ground_s"], rel=0.01)
    # ... and it is not as without a height, which takes load from the driven wheels: m a h/L
    flat = car.read_text(encoding="utf-8").replace("cg_height = 40\n", "")
    (tmp_path / "flat.toml").write_text(flat, encoding="utf-8")
    asked = undertray(
        "whatif", log, "--car", tmp_path / "flat.toml", "--throttle", at_us, "--angle", "0", "--json"
    )
    assert json.loads(asked.stdout)["now"]["to_speed"][0]["surface_s"]["value"] > 1.05 * ground_s

"""Short folds of the skirt, as a builder meets them: whole logs, written here, through the command itself.

The logs come from a physics of this file's own that shares nothing with the program: fans that follow
their throttle with one lag, a suction by the square of their speed, a skirt that lets go for a time that is
put down beforehand, and readings rounded to counts with noise. Checks are by ``binascii``. What a car drops
is derived on paper: at the share s of what it weighs that is missing, s g t^2 / 2 from rest; that the
acceleration of free fall is 9.80665 m/s2 is published (3rd CGPM, 1901).
"""

from __future__ import annotations

import binascii
import json
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fakes.cells import few
from fakes.program import undertray

RATE_HZ = 200
G = 9.80665
MASS_KG = 2.0
FLOOR_M2 = 0.2 * 0.16
HOLD_PA = 1000.0
"""On the whole floor that is 32.0 N on a car that weighs 19.6 N: 1.63 times what it takes."""
CAR = """\
format = 1
name = "Heron (invented)"
mass = 2.0
wheelbase = 200
front_weight = 0.5
floor = [[0, -80], [200, -80], [200, 80], [0, 80]]
allowance = 0.2
"""
TAPS = [("fl", 50, -40), ("fr", 50, 40), ("rl", 150, -40), ("rr", 150, 40)]
FIRST_S, LAST_S, END_S = 1.0, 18.0, 20.0


def car_toml(*more: str) -> str:
    taps = "".join(
        f'[[tap]]\nname = "{name}"\ncolumn = "p{i + 1}"\nx = {x}\ny = {y}\n'
        for i, (name, x, y) in enumerate(TAPS)
    )
    return "\n".join([CAR, *more, taps])


@dataclass
class Story:
    """What happens: a share of the suction that each tap keeps, and what the throttle does, by the time."""

    kept: Callable[[float], tuple[float, float, float, float]] = lambda t: (1.0, 1.0, 1.0, 1.0)
    throttle: Callable[[float], int | None] = lambda t: 1700 if FIRST_S <= t < LAST_S else 1000
    noise_pa: float = 4.0
    alarm: Callable[[float], bool] = lambda t: False
    lost: Callable[[float], bool] = lambda t: False
    rate_hz: int = RATE_HZ
    lag_s: float = 0.2
    seed: int = 1
    facts: dict[str, Any] = field(default_factory=lambda: {"skirt": "foam"})


def write_log(path: Path, story: Story) -> None:
    scale = {"zero": 8192, "pa_per_count": 0.5, "min": 0, "max": 16383}
    columns = [
        {"name": f"p{i}", "part": "HSC", "range": "x", "bus": 0, "address": 39 + i, "mux": None}
        | {"port": "low", "scale": scale}
        for i in range(1, 5)
    ]
    device = {"wire": 1, "firmware": "0", "board": "b", "uid": "00", "boot": 1, "rate_hz": story.rate_hz}
    device |= {"tick_hz": 1000000, "tick_bits": 30, "columns": columns}
    note = _checked("#device," + json.dumps(device))
    lines = ["#undertray-run 1", "#run " + json.dumps(story.facts), f"#wire 0 {note}"]
    lines.append("host_us,seq,t_us,throttle_us,flags,p1,p2,p3,p4,crc")
    rng = np.random.default_rng(story.seed)
    n, dt, speed, rows = round(END_S * story.rate_hz), 1 / story.rate_hz, 0.0, 0
    for k in range(n):
        t = k * dt
        pulse = story.throttle(t)
        speed += ((1000 if pulse is None else pulse) - 1000 - speed) * (1 - math.exp(-dt / story.lag_s))
        readings = [
            HOLD_PA * (speed / 700) ** 2 * kept + rng.normal(0, story.noise_pa) for kept in story.kept(t)
        ]
        if story.lost(t):
            continue
        counts = [str(8192 + round(pa / 0.5)) for pa in readings]
        t_us = 50_000 + round(t * 1e6)
        fields = [str(k % 65536), str(t_us), "" if pulse is None else str(pulse)]
        row = _checked(",".join([*fields, "2" if story.alarm(t) else "0", *counts]))
        lines.append(f"{t_us + 600},{row}")
        rows += 1
    lines.append("#end " + json.dumps({"rows": rows, "bad": 0, "seconds": END_S, "why": "stopped"}))
    path.write_text("\n".join(lines) + "\n", encoding="ascii")


def _checked(line: str) -> str:
    return f"{line},{binascii.crc_hqx((line + ',')[:-1].encode(), 0xFFFF):04x}"


def folds(starts_s: list[float], seconds: float, gone: float) -> Callable[[float], tuple[float, ...]]:
    """The whole skirt lets go at once: the share that is gone stays gone for the time, to the row."""

    def kept(t: float) -> tuple[float, ...]:
        inside = any(s - 1e-9 <= t < s + seconds - 1e-9 for s in starts_s)
        return (1.0 - gone if inside else 1.0,) * 4

    return kept


def told(*arguments: str | Path) -> str:
    done = undertray(*arguments)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture
def reduced(tmp_path: Path) -> Callable[..., dict[str, Any]]:
    """A story told to the command; the log and the car stay in the folder."""

    def run(story: Story, *more: str) -> dict[str, Any]:
        write_log(tmp_path / "run.csv", story)
        (tmp_path / "car.toml").write_text(car_toml(*more), encoding="utf-8")
        text = told("reduce", tmp_path / "run.csv", "--car", tmp_path / "car.toml", "--json")
        found: dict[str, Any] = json.loads(text)
        return found

    return run


def short_share(gone: float) -> float:
    """What is missing to stay on upside down, as a share of the weight."""
    return 1 - (1 - gone) * HOLD_PA * FLOOR_M2 / (MASS_KG * G)


SIX = [4.0, 6.0, 8.0, 10.0, 12.0, 14.0]


def test_six_folds_of_a_sixth_of_a_second_are_all_told(reduced: Any) -> None:
    found = reduced(Story(kept=folds(SIX, 0.165, 0.86)))
    assert [round(dip["start_s"], 2) for dip in found["dips"]] == SIX
    assert list(found["dips"][0]) == [
        *("start_s", "duration_s", "depth", "first_tap", "deficit_n", "axle", "drop_mm", "told_as")
    ]
    missing = short_share(0.86)  # 0.771 of the weight
    for dip in found["dips"]:
        assert dip["duration_s"] == pytest.approx(0.165, abs=0.0051)  # a row either way is not to be told
        assert dip["depth"] == pytest.approx(0.86, abs=0.01)  # noise of 0.3 %, and rounding to 0.5 Pa
        assert dip["first_tap"] is None  # all at once
        # half of it on each axle; the noise of two taps of a mean, at its most of 33 rows
        assert dip["deficit_n"] == pytest.approx(missing * MASS_KG * G / 2, abs=0.25)
        assert dip["axle"] in ("front", "rear")
        # a row of 33 more or less is 6 % of the square of the time
        assert dip["drop_mm"] == pytest.approx(1e3 * missing * G * 0.165**2 / 2, rel=0.07)


@pytest.mark.parametrize("seconds", [0.02, 0.05, 0.1, 0.24])
@pytest.mark.parametrize("gone", [0.86, 0.5])
def test_folds_of_any_short_length_are_told(reduced: Any, seconds: float, gone: float) -> None:
    found = reduced(Story(kept=folds([5.0, 9.0], seconds, gone)))
    assert len(found["dips"]) == 2
    for dip, start_s in zip(found["dips"], (5.0, 9.0), strict=True):
        assert dip["start_s"] == pytest.approx(start_s, abs=0.0051)
        assert dip["duration_s"] == pytest.approx(seconds, abs=0.0051)
        assert dip["depth"] == pytest.approx(gone, abs=0.015)
        drop_mm = 1e3 * short_share(gone) * G / 2
        # the rows say when it began and when it ended to a row: 5 ms of it, either way
        low, high = ((seconds + by) ** 2 * drop_mm for by in (-0.005, 0.005))
        assert low * 0.97 <= dip["drop_mm"] <= high * 1.03


def test_a_fold_that_takes_time_to_open_and_to_close(reduced: Any) -> None:
    """A trapezoid: 60 ms down, 100 ms gone, 60 ms back. Integrated by hand, in steps of a microsecond."""

    def gone(t: float) -> float:
        return 0.86 * min(1.0, max(0.0, (t - 7.0) / 0.06)) * min(1.0, max(0.0, (7.22 - t) / 0.06))

    found = reduced(Story(kept=lambda t: (1 - gone(t),) * 4))
    v = z = 0.0
    for k in range(220_000):
        missing = short_share(gone(7.0 + k * 1e-6))
        if missing > 0:
            v += missing * G * 1e-6
            z += v * 1e-6
    (dip,) = found["dips"]
    assert dip["drop_mm"] == pytest.approx(1e3 * z, rel=0.03)  # noise of 0.3 % of what is missing, and rows
    assert dip["start_s"] == pytest.approx(7.006, abs=0.006)  # a tenth of the fall, to a row
    assert dip["start_s"] + dip["duration_s"] == pytest.approx(7.19, abs=0.006)  # half is back


def test_one_corner_alone(reduced: Any) -> None:
    """The corner of the front left carries 3/8 of what the front axle has, so so much of it goes."""

    def kept(t: float) -> tuple[float, ...]:
        return (0.1 if 8.0 <= t < 8.12 else 1.0, 1.0, 1.0, 1.0)

    (dip,) = reduced(Story(kept=kept))["dips"]
    # F_i at x_i loads the front axle by F_i (L - x_i) / L: 8 N at 50 of 200 mm is 6 N of 16 N
    assert dip["depth"] == pytest.approx(0.9 * 6 / 16, abs=0.01)
    assert dip["axle"] == "front"
    assert dip["first_tap"] == "fl"
    assert (dip["deficit_n"], dip["drop_mm"]) == (0.0, 0.0)  # 10.6 N are left, and 9.8 N hold it


def test_noise_alone_is_no_dip(reduced: Any) -> None:
    for noise_pa in (4.0, 40.0):
        assert reduced(Story(noise_pa=noise_pa))["dips"] == []


def test_a_rough_road_is_no_dip_where_it_stays_small(reduced: Any) -> None:
    """Bumps of 5 %, two a second, some 60 ms long: less than the margin by far."""

    def kept(t: float) -> tuple[float, ...]:
        return (1 - 0.05 * math.exp(-(((t % 0.5 - 0.25) / 0.03) ** 2)),) * 4

    assert reduced(Story(kept=kept))["dips"] == []


def test_bumps_that_never_endanger_the_hold_are_counted_without_a_deficit(
    reduced: Any, tmp_path: Path
) -> None:
    def kept(t: float) -> tuple[float, ...]:
        return (1 - 0.2 * math.exp(-((((t - 0.25) % 1.0 - 0.5) / 0.03) ** 2)),) * 4

    found = reduced(Story(kept=kept))
    dips = [dip for dip in found["dips"] if 3 < dip["start_s"] < 17]
    assert len(dips) == 14
    for dip in dips:
        assert dip["depth"] == pytest.approx(0.2, abs=0.02)
        assert (dip["deficit_n"], dip["drop_mm"]) == (0.0, 0.0)
    text = told("reduce", tmp_path / "run.csv", "--car", tmp_path / "car.toml")
    ledger = text[text.index("17 dips, 60.0 a minute with the fans up") :]
    assert "none left less than it takes to stay on" in " ".join(ledger.split())
    assert not re.search(r"^ +\d+\.\d{3} ", ledger, re.MULTILINE)  # none is listed


BLIPS = few((0.08, 0.3), (0.06, 0.15, 0.4), (1000, 1300, 1500))


@pytest.mark.parametrize(("lag_s", "seconds", "low_us"), BLIPS)
def test_blips_of_the_throttle_are_no_dips_of_the_skirt(
    reduced: Any, low_us: int, seconds: float, lag_s: float
) -> None:
    def throttle(t: float) -> int:
        if not FIRST_S <= t < LAST_S:
            return 1000
        return low_us if any(s <= t < s + seconds for s in (5.0, 8.0, 11.0)) else 1700

    assert reduced(Story(throttle=throttle, lag_s=lag_s))["dips"] == []


def test_blips_upwards_and_a_restless_thumb_are_no_dips(reduced: Any) -> None:
    def throttle(t: float) -> int:
        if not FIRST_S <= t < LAST_S:
            return 1000
        return round(1700 + 80 * math.sin(9 * t) + (250 if t % 4 < 0.2 else 0))

    assert reduced(Story(throttle=throttle))["dips"] == []


def test_a_fold_in_a_blip_shows_as_far_as_the_blip_does_not_explain_it(reduced: Any) -> None:
    """The throttle comes down by a seventh; the skirt takes nine tenths."""

    def throttle(t: float) -> int:
        return (1600 if 8.0 <= t < 8.3 else 1700) if FIRST_S <= t < LAST_S else 1000

    (dip,) = reduced(Story(kept=folds([8.1], 0.1, 0.9), throttle=throttle))["dips"]
    assert dip["start_s"] == pytest.approx(8.1, abs=0.03)
    assert dip["drop_mm"] == pytest.approx(1e3 * short_share(0.9) * G * 0.1**2 / 2, rel=0.15)


def test_a_fold_within_a_gap_of_the_data_is_unknown_and_no_dip(reduced: Any) -> None:
    story = Story(kept=folds([9.05], 0.1, 0.86), lost=lambda t: 9.0 <= t < 9.3)
    found = reduced(story)
    assert found["dips"] == []
    assert [event["kind"] for event in found["events"] if event["onset_s"] < 17] == ["data-gap"]


def test_a_fold_with_a_few_rows_lost_is_one_dip(reduced: Any) -> None:
    story = Story(kept=folds([9.0], 0.165, 0.86), lost=lambda t: 9.08 <= t < 9.09)
    (dip,) = reduced(story)["dips"]
    assert dip["duration_s"] == pytest.approx(0.165, abs=0.0051)
    assert dip["drop_mm"] == pytest.approx(1e3 * short_share(0.86) * G * 0.165**2 / 2, rel=0.07)


@pytest.mark.parametrize(("samples", "first"), [(3, "rl"), (2, "rl"), (1, None), (0, None)])
def test_the_first_tap_is_told_from_a_lead_of_two_samples_on(
    reduced: Any, samples: int, first: str | None
) -> None:
    def kept(t: float) -> tuple[float, ...]:
        def one(start: float) -> float:
            return 0.14 if start - 1e-9 <= t < 7.2 else 1.0

        lead = samples / RATE_HZ
        return (one(7.0), one(7.0), one(7.0 - lead), one(7.0))

    (dip,) = reduced(Story(kept=kept))["dips"]
    assert dip["first_tap"] == first


def test_on_a_wall_nothing_drops(reduced: Any) -> None:
    """At 90 degrees a car slides, it does not fall off: short of friction, and no drop."""
    (dip,) = reduced(Story(kept=folds([8.0], 0.165, 0.95)), "surface_angle = 90", "tyre_mu = 0.9")["dips"]
    # it keeps from sliding with W / mu (Coulomb)
    assert dip["deficit_n"] == pytest.approx(MASS_KG * G / 0.9 - 0.05 * HOLD_PA * FLOOR_M2, abs=0.3)
    assert dip["axle"] == "whole car"
    assert dip["drop_mm"] is None


def test_on_the_ground_a_dip_endangers_nothing(reduced: Any) -> None:
    (dip,) = reduced(Story(kept=folds([8.0], 0.165, 0.95)), "surface_angle = 0")["dips"]
    assert (dip["deficit_n"], dip["drop_mm"]) == (0.0, None)


def test_without_a_throttle_folds_are_told_and_the_doubt_with_them(reduced: Any, tmp_path: Path) -> None:
    story = Story(kept=folds(SIX, 0.165, 0.86))
    write_log(tmp_path / "with.csv", story)
    text = (tmp_path / "with.csv").read_text(encoding="ascii")
    blind = []
    for line in text.splitlines():
        if line[:1].isdigit():
            host_us, row = line.split(",", 1)
            fields = row.split(",")[:-1]
            fields[2] = ""
            blind.append(f"{host_us},{_checked(','.join(fields))}")
        else:
            blind.append(line)
    (tmp_path / "blind.csv").write_text("\n".join(blind) + "\n", encoding="ascii")
    (tmp_path / "car.toml").write_text(car_toml(), encoding="utf-8")
    said = told("reduce", tmp_path / "blind.csv", "--car", tmp_path / "car.toml", "--json")
    dips = json.loads(said)["dips"]
    assert [round(dip["start_s"], 2) for dip in dips] == SIX
    shown = told("reduce", tmp_path / "blind.csv", "--car", tmp_path / "car.toml")
    assert "a blip of the throttle looks the same" in " ".join(shown.split())


def test_a_loss_that_is_told_as_an_event_says_so(reduced: Any) -> None:
    found = reduced(Story(kept=folds([8.0], 0.6, 0.86)))
    (dip,) = found["dips"]
    assert [e["kind"] for e in found["events"] if e["onset_s"] < 17] == ["seal-loss"]
    assert dip["told_as"] == "seal-loss"
    assert dip["duration_s"] == pytest.approx(0.6, abs=0.0051)


def test_a_loss_that_never_comes_back_is_no_dip(reduced: Any) -> None:
    found = reduced(Story(kept=folds([8.0], 60, 0.86)))
    assert found["dips"] == []
    assert "seal-loss" in [e["kind"] for e in found["events"]]


def test_the_alarms_of_the_board_stand_beside_the_dips(reduced: Any, tmp_path: Path) -> None:
    story = Story(
        kept=folds([8.0], 0.08, 0.86), alarm=lambda t: 8.01 <= t < 8.51 or 12.0 - 1e-9 <= t < 12.25 - 1e-9
    )
    found = reduced(story)
    assert [dip["told_as"] for dip in found["dips"]] == ["alarm"]
    assert [(round(a["start_s"], 3), round(a["duration_s"], 3)) for a in found["alarms"]] == [
        (8.01, 0.5),
        (12.0, 0.25),
    ]
    text = told("reduce", tmp_path / "run.csv", "--car", tmp_path / "car.toml")
    assert "the board's alarm sounded twice" in text


def test_a_dip_does_not_count_as_steady(reduced: Any) -> None:
    """Six folds of 0.165 s with nine tenths gone: a mean that held them would be 5 % low."""
    found = reduced(Story(kept=folds(SIX, 0.165, 0.9)))
    assert found["steady"]["suction_pa"]["mean"] == pytest.approx(HOLD_PA, rel=0.002)
    assert found["steady"]["seconds"] > 10.0


def test_the_travel_of_the_skirt_is_compared(reduced: Any, tmp_path: Path) -> None:
    reduced(Story(kept=folds([6.0, 9.0], 0.03, 0.86)), "skirt_travel = 2")  # drops by 3.4 mm
    shown = told("reduce", tmp_path / "run.csv", "--car", tmp_path / "car.toml")
    assert "beyond the skirt's travel of 2 mm" in " ".join(shown.split())
    text = (tmp_path / "car.toml").read_text(encoding="utf-8")
    (tmp_path / "car.toml").write_text(text.replace("skirt_travel = 2", "skirt_travel = 8"), encoding="utf-8")
    shown = told("reduce", tmp_path / "run.csv", "--car", tmp_path / "car.toml")
    assert "within the skirt's travel of 8 mm" in " ".join(shown.split())


def test_text_page_and_comparison_show_the_ledger(tmp_path: Path) -> None:
    (tmp_path / "car.toml").write_text(car_toml("skirt_travel = 3"), encoding="utf-8")
    write_log(tmp_path / "foam.csv", Story(facts={"skirt": "foam"}, seed=2))
    write_log(tmp_path / "brush.csv", Story(kept=folds(SIX, 0.165, 0.86), facts={"skirt": "brush"}))
    car = ["--car", tmp_path / "car.toml"]
    shown = told("reduce", tmp_path / "brush.csv", *car)
    ledger = shown[shown.index("6 dips, 21.2 a minute") :]
    assert len(re.findall(r"^ +\d+\.\d{3} .* 86%", ledger, re.MULTILINE)) == 6
    told("report", tmp_path / "brush.csv", *car, "--out", tmp_path / "page.html")
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    events, ledger = page.split("<h3>Dips</h3>")
    assert len(re.findall(r"<td[^>]*>86%</td>", ledger)) == 6
    assert (
        len(re.findall(r"<th[^>]*>\d+ seal-loss, brief</th>", events)) == 6
    )  # a sixth of a second is no bump
    both = [tmp_path / "foam.csv", tmp_path / "brush.csv", *car, "--by", "skirt"]
    groups = {g["value"]: g for g in json.loads(told("compare", *both, "--json"))["groups"]}
    assert (groups["foam"]["dips"], groups["brush"]["dips"]) == (0, 6)
    # 17 s with the fans up
    assert groups["brush"]["dips_per_min"]["value"] == pytest.approx(6 / 17 * 60, rel=0.01)
    assert "dips a minute" in told("compare", *both)


@pytest.mark.parametrize("rate_hz", [50, 100, 500, 1000])
def test_the_same_at_other_rates(reduced: Any, rate_hz: int) -> None:
    found = reduced(Story(kept=folds([6.0, 9.0, 12.0], 0.16, 0.86), rate_hz=rate_hz))
    assert len(found["dips"]) == 3
    for dip in found["dips"]:
        period_s = max(0.005, 1 / rate_hz)
        assert dip["duration_s"] == pytest.approx(0.16, abs=1.01 * period_s)
        low, high = ((0.16 + by) ** 2 * short_share(0.86) * G / 2e-3 for by in (-period_s, period_s))
        assert 0.97 * low < dip["drop_mm"] < 1.03 * high


def test_a_tap_that_is_gone_for_a_while_is_no_dip(tmp_path: Path) -> None:
    """The front left carries half more than the rest; without it the others stand for its part."""
    for number, gone_s in enumerate((0.05, 0.4, 1.0, 1.2, 2.0)):
        story = Story(kept=lambda t: (1.5, 1.0, 1.0, 1.0))
        path = tmp_path / f"run{number}.csv"
        write_log(path, story)
        lines = []
        for line in path.read_text(encoding="ascii").splitlines():
            host_us, _, row = line.partition(",")
            fields = row.split(",")[:-1]
            if host_us.isdigit() and 8.0 <= (int(fields[1]) - 50_000) / 1e6 < 8.0 + gone_s:
                fields[4] = ""
                lines.append(f"{host_us},{_checked(','.join(fields))}")
            else:
                lines.append(line)
        path.write_text("\n".join(lines) + "\n", encoding="ascii")
        (tmp_path / "car.toml").write_text(car_toml(), encoding="utf-8")
        found = json.loads(told("reduce", path, "--car", tmp_path / "car.toml", "--json"))
        assert found["dips"] == [], gone_s


def test_a_fold_after_the_throttle_was_taken_back_by_half_is_told(reduced: Any) -> None:
    """From 1700 to 1560 µs the suction goes down to 64 %; half a second later the skirt folds."""

    def throttle(t: float) -> int:
        return (1560 if t >= 8.0 else 1700) if FIRST_S <= t < LAST_S else 1000

    (dip,) = reduced(Story(kept=folds([9.2], 0.1, 0.8), throttle=throttle))["dips"]
    assert dip["start_s"] == pytest.approx(9.2, abs=0.0051)
    assert dip["depth"] == pytest.approx(0.8, abs=0.03)


def test_the_bottom_of_a_loss_that_stays_is_no_dip(reduced: Any) -> None:
    """A skirt that lets go for good and flutters: what it does at the bottom is a part of the loss."""

    def kept(t: float) -> tuple[float, ...]:
        return ((1.0 if t < 8.0 else 0.14 if 8.05 <= t < 8.12 else 0.3),) * 4

    assert reduced(Story(kept=kept))["dips"] == []


def test_what_an_axle_lacked_before_is_not_the_dips_doing(reduced: Any) -> None:
    """Suction at the front alone: the rear lacks something all the time."""

    def kept(t: float) -> tuple[float, ...]:
        front = 0.5 if 8.0 - 1e-9 <= t < 8.1 - 1e-9 else 1.0
        return (front, front, 0.01, 0.01)

    (dip,) = reduced(Story(kept=kept), "surface_angle = 120")["dips"]
    # F at 50 of 200 mm loads the front by 3/4 and the rear by 1/4 of it: both lose half
    assert dip["depth"] == pytest.approx(0.5, abs=0.02)
    # at 120 degrees each takes half of the weight times cos 60, 4.9 N; the front has 12 N, then 6 N, the rear
    # 4 N, then 2 N: it lacked 0.9 N before, and the dip took 2 N more
    assert (dip["axle"], dip["deficit_n"]) == ("rear", pytest.approx(2.0, abs=0.1))


def test_a_car_without_its_mass_is_refused(tmp_path: Path) -> None:
    write_log(tmp_path / "run.csv", Story())
    (tmp_path / "car.toml").write_text(car_toml().replace("mass = 2.0\n", ""), encoding="utf-8")
    done = undertray("reduce", tmp_path / "run.csv", "--car", tmp_path / "car.toml")
    assert done.returncode == 1
    assert "mass" in done.stderr

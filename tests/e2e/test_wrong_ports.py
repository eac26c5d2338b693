"""Hoses on the wrong ports, by whole logs through the commands: named as such, and no verdict.

The physics is this file's own: a fan that follows its throttle with 0.25 s, suction by the fan laws, each tap
with its share, a pack that sags, noise and zeros; written into a log after the format's text.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fakes.handlog import hand_car, hand_log
from fakes.program import undertray

RATE = 200.0
N = 3000
T_S = np.arange(N) / RATE
TAPS = ("front-left", "front-right", "rear-left", "rear-right")


def _drive(peak_pa: float = 950.0, seed: int = 5) -> tuple[Any, Any]:
    """Idle 2 s, three throttles, idle from 13 s on; suction under the floor (n, 4) and the throttle, us."""
    throttle = np.select([T_S < 2, T_S < 6, T_S < 9, T_S < 13], [1000, 1650, 1750, 1650], 1000).astype(float)
    speed = np.zeros(N)
    for i in range(1, N):
        due = (throttle[i] - 1000) / 750
        speed[i] = speed[i - 1] + (due - speed[i - 1]) / (0.25 * RATE)
    sag = 1 - 0.03 * T_S / T_S[-1]
    rng = np.random.default_rng(seed)
    shares = np.array([1.1, 1.05, 0.95, 0.9])
    pa = peak_pa * (speed * sag)[:, None] ** 2 * shares
    pa *= 1 + 0.03 * rng.normal(size=(N, 1)).cumsum(axis=0) / 60
    return pa + rng.normal(0, 4, (N, 4)), throttle


def _judged(folder: Path, suction: Any, throttle: Any, **how: Any) -> tuple[dict[str, Any], str]:
    log = hand_log(folder / "run.csv", suction, throttle, RATE, **how)
    car = hand_car(folder / "car.toml")
    done = undertray("reduce", log, "--car", car)
    assert done.returncode == 0, done.stderr
    told = undertray("reduce", log, "--car", car, "--json")
    return json.loads(told.stdout), " ".join((done.stdout + done.stderr).split())


@pytest.mark.parametrize(
    "inverted", [(0, 1, 2, 3), (2,), (0,), (1, 3), (0, 1, 2)], ids=["all", "one", "first", "two", "three"]
)
def test_hoses_on_the_wrong_port_are_named_and_nothing_is_judged(
    tmp_path: Path, inverted: Sequence[int]
) -> None:
    summary, page = _judged(tmp_path, *_drive(), inverted=inverted)
    assert "never held" not in page
    assert page.startswith("Whether it holds cannot be told: ")
    assert summary["verdict"]["word"] == "cannot be told"
    assert summary["verdict"]["least_margin_n"] is None
    first = summary["notices"][0]
    assert "negative suction that follows the throttle" in first
    assert "wrong port" in first
    assert [tap for tap in TAPS if tap in first] == [TAPS[i] for i in inverted]
    if len(inverted) == 4:
        assert "every tap" in first
        assert "the fans blow" in first


def test_a_port_that_the_description_has_wrong_is_the_same(tmp_path: Path) -> None:
    # all hoses rightly on 'low', and board.json says 'high' for all
    summary, _ = _judged(tmp_path, *_drive(), ports=["high"] * 4, inverted=(0, 1, 2, 3))
    assert "'port' in board.json is wrong" in summary["notices"][0]
    assert summary["verdict"]["word"] == "cannot be told"


@pytest.mark.parametrize("way", ["no throttle", "fans up from the first row", "no throttle, up all the time"])
def test_without_a_throttle_that_moved(tmp_path: Path, way: str) -> None:
    suction, throttle = _drive()
    if way.startswith("no throttle"):
        throttle = np.full(N, np.nan)
    if way != "no throttle":
        suction, throttle = suction[1000:2400], throttle[1000:2400] * 0 + throttle[0] + 650
        if way.startswith("no"):
            throttle[:] = np.nan
    summary, _ = _judged(tmp_path, suction, throttle, inverted=(0, 1, 2, 3))
    assert "negative suction" in summary["notices"][0]
    assert summary["verdict"]["word"] == "cannot be told"


def _hose_off(suction: Any) -> Any:
    return np.where((np.arange(4) == 2) & (T_S[:, None] > 4), -30.0, suction)


def _fold(suction: Any) -> Any:
    return np.where(T_S[:, None] > 8, 0.15 * suction, suction)


def _zeros(suction: Any) -> Any:
    return suction - np.array([80.0, 60.0, -40.0, 90.0])


@pytest.mark.parametrize(
    "spoil", [lambda pa: pa, _hose_off, _fold, _zeros], ids=["good", "off", "fold", "zeros"]
)
def test_what_is_no_wrong_port_is_judged(tmp_path: Path, spoil: Any) -> None:
    """Right hoses: sound, one off in the wind, a fold, and zeros of parts as they come."""
    suction, throttle = _drive()
    summary, page = _judged(tmp_path, spoil(suction), throttle)
    assert "negative suction" not in page
    assert summary["verdict"]["word"] != "cannot be told"


def test_weak_fans_and_zeros_below_zero_are_no_wrong_port(tmp_path: Path) -> None:
    suction, throttle = _drive(60.0)
    _, page = _judged(tmp_path, suction - 90.0, throttle)
    assert "negative suction" not in page


def test_fans_that_never_ran_on_parts_with_a_zero_are_no_wrong_port(tmp_path: Path) -> None:
    _, page = _judged(tmp_path, np.full((1000, 4), -130.0), np.full(1000, 1000.0))
    assert "negative suction" not in page


def test_sessions_report_and_compare_follow(tmp_path: Path) -> None:
    suction, throttle = _drive()
    car = hand_car(tmp_path / "car.toml")
    facts = [{"skirt": "brush"}, {"skirt": "foam"}]
    good = hand_log(tmp_path / "good.csv", suction, throttle, RATE, facts=facts[0])
    bad = hand_log(tmp_path / "bad.csv", suction, throttle, RATE, facts=facts[1], inverted=(0, 1, 2, 3))
    listed = undertray("sessions", tmp_path, "--car", car)
    (line,) = [line for line in listed.stdout.splitlines() if line.startswith("bad.csv")]
    assert "cannot be told" in line
    page = tmp_path / "page.html"
    assert undertray("report", bad, "--car", car, "--out", page).returncode == 0
    assert "negative suction that follows the throttle" in page.read_text(encoding="utf-8")
    compared = undertray("compare", good, bad, "--car", car, "--by", "skirt")
    assert "more than noise (" not in compared.stdout
    assert "wrong port" in compared.stdout + compared.stderr


@pytest.mark.parametrize(
    ("share", "faulty", "said"),
    [
        (0.0, ["rear-right"], "tap rear-right read next to nothing for the whole run"),
        # derived: 0.4 of what it read is under half of what the others do, and far from nothing
        (0.4, [], "tap rear-right reads"),
        (1.0, [], ""),
    ],
)
def test_a_hose_that_was_never_pushed_on_is_named(tmp_path, share, faulty, said):
    suction, throttle = _drive()
    suction[:, 3] *= share
    judged, text = _judged(tmp_path, suction, throttle)
    assert [e["first_tap"] for e in judged["events"] if e["kind"] == "sensor-fault"] == faulty
    if said:
        assert said in text
    else:
        assert "rear-right read" not in text
